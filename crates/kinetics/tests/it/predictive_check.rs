//! Visual predictive checks: a true model passes, a false one does not; prediction correction on a case worked by hand.

use crate::support::close;
use spotwright_domain::plot::PredictiveCheckPlot;
use spotwright_kinetics::likelihood::{Observation, ResidualError};
use spotwright_kinetics::population::{
    CovariateKnot, EffectBlock, Person, PopulationValues, ResidualPart, Study, StudyResidual, TypicalValues,
};
use spotwright_kinetics::predictive_check::{
    Binning, PredictiveCheckError, PredictiveCheckOptions, TimeSince, visual_predictive_check,
};
use spotwright_kinetics::structure::{
    BetweenKnots, Compartments, DoseEvent, DoseHistory, Elimination, Input, ParameterName, Parameters, Route,
    Structure,
};
use spotwright_numerics::random::RandomStream;

const CLEARANCE: f64 = 4.0;
const VOLUME: f64 = 50.0;
const SPREAD: f64 = 0.3;
const ERROR: f64 = 0.1;

struct Fixed;

impl TypicalValues for Fixed {
    fn typical(&self, _: &[f64], _: &[f64]) -> Result<Parameters, String> {
        Ok(Parameters::of(&[
            (ParameterName::Clearance, CLEARANCE),
            (ParameterName::Volume, VOLUME),
        ]))
    }
}

fn study(persons: Vec<Person>) -> Study<'static> {
    Study {
        structure: Structure {
            compartments: Compartments::One,
            input: Input::Intravenous,
            elimination: Elimination::Linear,
            concentration_multiplier: 1.0,
        },
        typical: &Fixed,
        between_knots: BetweenKnots::Constant,
        coefficients: Vec::new(),
        effects: vec![EffectBlock::single(ParameterName::Clearance, SPREAD)],
        residual: StudyResidual::Combined {
            additive_sd: ResidualPart::Absent,
            proportional_sd: ResidualPart::Estimated(ERROR),
        },
        persons,
    }
}

fn values(spread: f64) -> PopulationValues {
    PopulationValues {
        coefficients: Vec::new(),
        covariance: vec![spread * spread],
        residual: ResidualError::Combined {
            additive_sd: 0.0,
            proportional_sd: ERROR,
        },
    }
}

fn options() -> PredictiveCheckOptions {
    PredictiveCheckOptions {
        simulated_studies: 300,
        seed: 5,
        binning: Binning::EqualCounts(4),
        prediction_corrected: false,
        time_since: TimeSince::FirstDose,
        lower_limit: None,
        unit: "mg/L".to_owned(),
    }
}

fn person(id: usize, dose: f64, observations: Vec<Observation>) -> Person {
    Person {
        id: id.to_string(),
        history: DoseHistory::of(vec![DoseEvent::new(0.0, dose, Route::Bolus)]),
        observations,
        covariates: vec![CovariateKnot {
            from_h: 0.0,
            values: Vec::new(),
        }],
    }
}

/// Persons by the closed form of a bolus into one compartment; those of odd number get `odd_dose`.
fn persons(seed: u64, odd_dose: f64, lower_limit: f64) -> Vec<Person> {
    let mut random = RandomStream::new(seed, 0);
    (0..80)
        .map(|id| {
            let dose = if id % 2 == 1 { odd_dose } else { 100.0 };
            let cl = CLEARANCE * libm::exp(SPREAD * random.normal());
            let levels = [1.0, 6.0, 12.0, 24.0].map(|t| {
                let level = dose / VOLUME * libm::exp(-cl / VOLUME * t) * (1.0 + ERROR * random.normal());
                if level < lower_limit {
                    Observation::below_limit(t, lower_limit)
                } else {
                    Observation::quantified(t, level)
                }
            });
            person(id, dose, levels.to_vec())
        })
        .collect()
}

fn outside(plot: &PredictiveCheckPlot) -> usize {
    let checks = plot.bins.iter().flat_map(|bin| bin.percentiles);
    checks
        .filter(|check| match (check.observed, check.simulated) {
            (Some(observed), [Some(low), _, Some(high)]) => !(low..=high).contains(&observed),
            _ => false,
        })
        .count()
}

/// Of 12 percentiles about 5 % may lie outside when the model is true; with half the spread between persons the outer ones must.
#[test]
fn a_true_model_passes_and_a_false_one_does_not() {
    let study = study(persons(11, 100.0, 0.0));
    let plot = visual_predictive_check(&study, &values(SPREAD), &options()).unwrap();
    assert_eq!(plot.bins.len(), 4);
    assert!(
        plot.bins
            .iter()
            .all(|bin| bin.levels == 80 && bin.below_limit.is_none())
    );
    assert!(outside(&plot) <= 2, "{}", outside(&plot));
    let narrow = visual_predictive_check(&study, &values(0.4 * SPREAD), &options()).unwrap();
    assert!(outside(&narrow) >= 4, "{}", outside(&narrow));
}

/// Bergstrand et al. 2011: a dose that differs within a bin widens the percentiles without correction; with it each level is scaled to the
/// median prediction of its bin. All times of a bin are equal here, so every correction is the ratio of doses: with as many persons of
/// 100 as of 300 the median prediction stands between them, and corrected levels of both groups are levels of a dose of 200.
#[test]
fn prediction_correction_takes_the_dose_out() {
    let own = persons(12, 300.0, 0.0);
    let first = own[0].observations[0].level;
    let study = study(own);
    let by_correction = PredictiveCheckOptions {
        prediction_corrected: true,
        ..options()
    };
    let plain = visual_predictive_check(&study, &values(SPREAD), &options()).unwrap();
    let corrected = visual_predictive_check(&study, &values(SPREAD), &by_correction).unwrap();
    let spotwright_kinetics::likelihood::Level::Quantified { value } = first else {
        panic!("{first:?}");
    };
    close("first level", corrected.points[0][1], 2.0 * value, 1e-12);
    let width = |plot: &PredictiveCheckPlot| {
        let [low, _, high] = plot.bins[0].percentiles;
        high.observed.unwrap() / low.observed.unwrap()
    };
    assert!(
        width(&plain) > 2.5 && width(&corrected) < 1.6,
        "{} {}",
        width(&plain),
        width(&corrected)
    );
    // Of 6 × 12 percentiles 3.6 may lie outside; those of one study hang together.
    let all: usize = (20..26)
        .map(|seed| {
            let study = self::study(persons(seed, 300.0, 0.0));
            let options = PredictiveCheckOptions {
                prediction_corrected: true,
                ..options()
            };
            outside(&visual_predictive_check(&study, &values(SPREAD), &options).unwrap())
        })
        .sum();
    assert!(all <= 9, "{all}");
}

/// Levels below the limit rank lowest; a percentile among them is no number, and their share has its own interval.
#[test]
fn levels_below_the_limit_have_their_share_checked() {
    let study = study(persons(13, 100.0, 0.5));
    let plot = visual_predictive_check(&study, &values(SPREAD), &options()).unwrap();
    assert_eq!(plot.lower_limit, Some(0.5));
    let last = plot.bins.last().unwrap();
    let share = last.below_limit.unwrap();
    assert!(share.observed_pct > 50.0);
    assert!(
        (share.simulated_pct[0]..=share.simulated_pct[2]).contains(&share.observed_pct),
        "{share:?}"
    );
    assert_eq!(last.percentiles[0].observed, None);
    assert_eq!(last.percentiles[0].simulated[0], None);
    assert!(last.percentiles[2].observed.is_some());
    let first = plot.bins[0].below_limit.unwrap();
    close("nobody at first", first.observed_pct + 1.0, 1.0, 0.0);
}

#[test]
fn too_few_studies_and_poor_edges_are_refused() {
    let study = study(persons(14, 100.0, 0.0));
    let few = PredictiveCheckOptions {
        simulated_studies: 20,
        ..options()
    };
    assert_eq!(
        visual_predictive_check(&study, &values(SPREAD), &few),
        Err(PredictiveCheckError::TooFewStudies {
            found: 20,
            expected: 100
        })
    );
    let edges = PredictiveCheckOptions {
        binning: Binning::Edges(vec![2.0, 30.0]),
        ..options()
    };
    assert_eq!(
        visual_predictive_check(&study, &values(SPREAD), &edges),
        Err(PredictiveCheckError::Edges)
    );
}
