//! What is said of levels that do not fit, of uncertain times and of several models.
//!
//! The levels here are made by the textbook formula of one compartment written out below, with one fact wrong on purpose:
//! the check is that the named fact is found, not a number.

use crate::support::close;
use spotwright_kinetics::estimate::{
    Explained, Explanation, FitOptions, MapOptions, PosteriorOptions, SamplingMethod, assess_fit,
    estimate_map, mix_draws, sample_posterior, weigh_models,
};
use spotwright_kinetics::likelihood::{
    EffectLabel, Level, Observation, Problem, ProblemError, RandomEffects, ResidualError,
};
use spotwright_kinetics::structure::{
    Compartments, DoseHistory, Elimination, Input, ParameterName, ParameterTimeline, Parameters, Route,
    Structure, TimeUncertainty,
};

const CL: f64 = 4.0;
const V: f64 = 40.0;
const KA: f64 = 1.5;

/// One compartment, oral, doses of 200 every 12 h at 0, 12, …: Σ D·ka/(V(ka−k))·(e^(−k s) − e^(−ka s)).
fn concentration(time_h: f64, doses_h: &[f64]) -> f64 {
    let k = CL / V;
    doses_h
        .iter()
        .filter(|dose| **dose < time_h)
        .map(|dose| {
            let s = time_h - dose;
            200.0 * KA / (V * (KA - k)) * (libm::exp(-k * s) - libm::exp(-KA * s))
        })
        .sum()
}

fn problem(levels: Vec<Observation>) -> Problem {
    Problem {
        structure: Structure {
            compartments: Compartments::One,
            input: Input::FirstOrder,
            elimination: Elimination::Linear,
            concentration_multiplier: 1.0,
        },
        typical: ParameterTimeline::constant(Parameters::of(&[
            (ParameterName::Clearance, CL),
            (ParameterName::Volume, V),
            (ParameterName::AbsorptionRate, KA),
        ])),
        effects: RandomEffects::between_subjects(
            &[(ParameterName::Clearance, 0.25), (ParameterName::Volume, 0.2)],
            &[],
        ),
        residual: ResidualError::Combined {
            additive_sd: 0.1,
            proportional_sd: 0.1,
        },
        history: DoseHistory::regular(0.0, 12.0, 10, 200.0, Route::Extravascular),
        observations: levels,
    }
}

fn all_doses() -> Vec<f64> {
    (0..10).map(|i| 12.0 * f64::from(i)).collect()
}

fn explanations(levels: Vec<Observation>) -> (bool, Vec<Explained>) {
    let problem = problem(levels);
    let estimate = estimate_map(&problem, &MapOptions::default()).unwrap();
    let fit = assess_fit(&problem, &estimate, &FitOptions::default()).unwrap();
    (fit.is_surprising(), fit.explanations)
}

/// ln Bayes factor of the best explanation of a kind.
fn best(found: &[Explained], kind: impl Fn(&Explanation) -> bool) -> f64 {
    found
        .iter()
        .filter(|e| kind(&e.explanation))
        .map(|e| e.ln_bayes_factor)
        .fold(f64::NEG_INFINITY, f64::max)
}

#[test]
fn true_levels_surprise_nobody() {
    let (surprising, found) = explanations(vec![
        Observation::quantified(108.0, concentration(108.0, &all_doses())),
        Observation::quantified(110.0, concentration(110.0, &all_doses())),
    ]);
    assert!(!surprising && found.is_empty(), "{found:?}");
}

#[test]
fn two_missed_doses_are_named() {
    let taken: Vec<f64> = all_doses().into_iter().filter(|d| *d < 90.0).collect();
    let (surprising, found) =
        explanations(vec![Observation::quantified(119.5, concentration(119.5, &taken))]);
    assert!(surprising);
    let two = best(&found, |e| matches!(e, Explanation::DosesMissed { count: 2, .. }));
    assert!(two > 2.3, "{found:?}");
    let contaminated = best(&found, |e| matches!(e, Explanation::ContaminatedSample { .. }));
    assert!(contaminated < 0.0, "a low level is no contamination: {found:?}");
}

#[test]
fn a_trough_drawn_after_the_dose_is_named() {
    let mut levels = vec![Observation::quantified(60.0, concentration(60.0, &all_doses()))];
    // Stated as the trough at 108 h, drawn 1.5 h after that dose: 2.1 times the trough.
    levels.push(Observation::quantified(108.0, concentration(109.5, &all_doses())));
    let (surprising, found) = explanations(levels);
    assert!(surprising);
    let peak = best(&found, |e| matches!(e, Explanation::PeakReadAsTrough { .. }));
    assert!(peak > 2.3, "{found:?}");
}

#[test]
fn drug_on_the_finger_is_named() {
    let (surprising, found) = explanations(vec![
        Observation::quantified(84.0, concentration(84.0, &all_doses())),
        Observation::quantified(106.0, 6.0 * concentration(106.0, &all_doses())),
    ]);
    assert!(surprising);
    let worst = found.first().unwrap();
    assert!(
        matches!(worst.explanation, Explanation::ContaminatedSample { .. }),
        "{found:?}"
    );
    assert!(worst.position == 1 && worst.ln_bayes_factor > 2.3, "{found:?}");
}

/// A time known to ±3 h leaves more doubt than one known exactly, and about as much as draws over the times themselves
/// show (an importance sample over a plain problem at each time, weights by marginal likelihood).
#[test]
fn uncertain_times_widen_the_answer() {
    let level = concentration(112.0, &all_doses());
    let exact = problem(vec![Observation::quantified(112.0, level)]);
    let mut blurred = exact.clone();
    blurred.observations[0].time_uncertainty = Some(TimeUncertainty::Uniform { half_width_h: 3.0 });
    let spread = |problem: &Problem| {
        let estimate = estimate_map(problem, &MapOptions::default()).unwrap();
        let posterior = sample_posterior(problem, &estimate, &PosteriorOptions::default()).unwrap();
        (posterior.sd()[0], posterior.mean()[0])
    };
    let (narrow, _) = spread(&exact);
    let (wide, mean) = spread(&blurred);
    assert!(wide > 1.05 * narrow, "{narrow} {wide}");
    // By brute force over the time.
    let (mut total, mut first, mut second) = (0.0, 0.0, 0.0);
    let places = 60;
    for i in 0..places {
        let mut at = exact.clone();
        at.observations[0].time_h = 112.0 + 3.0 * ((2 * i + 1) as f64 / f64::from(places) - 1.0);
        let found = estimate_map(&at, &MapOptions::default()).unwrap();
        let weight = libm::exp(found.ln_marginal_likelihood);
        total += weight;
        first += weight * found.effects[0];
        second += weight * (found.covariance[0] + found.effects[0] * found.effects[0]);
    }
    let brute_mean = first / total;
    let brute_sd = (second / total - brute_mean * brute_mean).sqrt();
    // 1000 resampled draws: five standard errors of a mean are 0.16 SD, of an SD 11 %.
    assert!((mean - brute_mean).abs() < 0.16 * brute_sd, "{mean} {brute_mean}");
    close("SD", wide, brute_sd, 0.11);
}

#[test]
fn an_uncertain_dose_time_widens_the_answer() {
    let level = concentration(108.7, &all_doses());
    let exact = problem(vec![Observation::quantified(108.7, level)]);
    let mut blurred = exact.clone();
    blurred.history.doses[9].time_uncertainty = Some(TimeUncertainty::Normal { sd_h: 0.8 });
    let sd = |problem: &Problem| estimate_map(problem, &MapOptions::default()).unwrap().sd;
    let (narrow, wide) = (sd(&exact), sd(&blurred));
    assert_eq!((narrow.len(), wide.len()), (2, 3));
    assert!(wide[1] > 1.01 * narrow[1], "{narrow:?} {wide:?}");
}

/// A level in blood at twice the plasma level says the same as the plasma level; its own variance adds.
#[test]
fn blood_and_plasma_levels_mix() {
    let level = concentration(106.0, &all_doses());
    let plasma = problem(vec![Observation::quantified(106.0, 1.2 * level)]);
    let mut blood = plasma.clone();
    blood.residual = ResidualError::Combined {
        additive_sd: 0.2,
        proportional_sd: 0.1,
    };
    blood.observations[0] = Observation {
        matrix_ratio: 2.0,
        level: Level::Quantified { value: 2.4 * level },
        ..plasma.observations[0]
    };
    let options = MapOptions::default();
    let (a, b) = (
        estimate_map(&plasma, &options).unwrap(),
        estimate_map(&blood, &options).unwrap(),
    );
    for (x, y) in a.effects.iter().zip(&b.effects) {
        assert!((x - y).abs() < 1e-9, "{x} {y}");
    }
    blood.observations[0].extra_variance = (0.3 * level) * (0.3 * level);
    let doubted = estimate_map(&blood, &options).unwrap();
    assert!(doubted.effects[0].abs() < b.effects[0].abs() && doubted.sd[0] > b.sd[0]);
}

/// Draws follow the exact posterior on a grid, also where Laplace's band is too narrow (one censored level).
#[test]
fn draws_follow_the_posterior_on_a_grid() {
    let mut one = problem(vec![Observation::below_limit(
        119.0,
        0.6 * concentration(119.0, &all_doses()),
    )]);
    one.effects = RandomEffects::between_subjects(&[(ParameterName::Clearance, 0.5)], &[]);
    let estimate = estimate_map(&one, &MapOptions::default()).unwrap();
    let posterior = sample_posterior(&one, &estimate, &PosteriorOptions::default()).unwrap();
    let SamplingMethod::Importance { effective, .. } = posterior.method else {
        panic!("{:?}", posterior.method);
    };
    assert!(effective > 400.0);
    let mut objective = spotwright_kinetics::likelihood::Objective::new(&one).unwrap();
    let (mut total, mut first, mut second) = (0.0, 0.0, 0.0);
    let step = 0.002;
    for i in -1500..1500 {
        let x = f64::from(i) * step;
        let weight = libm::exp(-0.5 * objective.value(&[x]).unwrap());
        total += weight;
        first += weight * x;
        second += weight * x * x;
    }
    let mean = first / total;
    let sd = (second / total - mean * mean).sqrt();
    assert!((posterior.mean()[0] - mean).abs() < 0.16 * sd);
    close("SD", posterior.sd()[0], sd, 0.12);
    // ∫ exp(−O_full/2): the ln of the evidence.
    let evidence = libm::log(total * step) - 0.5 * objective.left_out_constant();
    assert!((posterior.ln_marginal_likelihood - evidence).abs() < 0.1);
}

/// Asking importance sampling for more than it can give brings in the chains, and they agree with the grid.
#[test]
fn chains_take_over_where_importance_fails() {
    let mut one = problem(vec![Observation::quantified(
        119.0,
        0.8 * concentration(119.0, &all_doses()),
    )]);
    one.effects = RandomEffects::between_subjects(&[(ParameterName::Clearance, 0.5)], &[]);
    let estimate = estimate_map(&one, &MapOptions::default()).unwrap();
    let options = PosteriorOptions {
        importance_draws: 1000,
        least_effective: 3900.0,
        ..PosteriorOptions::default()
    };
    let posterior = sample_posterior(&one, &estimate, &options).unwrap();
    let SamplingMethod::MarkovChains {
        acceptance,
        split_r_hat,
        ..
    } = posterior.method
    else {
        panic!("{:?}", posterior.method);
    };
    assert!(
        (0.15..0.8).contains(&acceptance) && split_r_hat < 1.05,
        "{acceptance} {split_r_hat}"
    );
    let plain = sample_posterior(&one, &estimate, &PosteriorOptions::default()).unwrap();
    assert!((posterior.mean()[0] - plain.mean()[0]).abs() < 0.25 * plain.sd()[0]);
    close("SD", posterior.sd()[0], plain.sd()[0], 0.15);
}

#[test]
fn the_same_seed_gives_the_same_draws() {
    let one = problem(vec![Observation::quantified(119.0, 5.0)]);
    let estimate = estimate_map(&one, &MapOptions::default()).unwrap();
    let draw = |seed| {
        let options = PosteriorOptions {
            seed,
            ..PosteriorOptions::default()
        };
        sample_posterior(&one, &estimate, &options).unwrap().draws
    };
    assert_eq!(draw(3), draw(3));
    assert_ne!(draw(3), draw(4));
}

/// Weights by Bayes's theorem on round numbers, and the variance of a mixture of two points.
#[test]
fn models_are_weighed_and_their_disagreement_told() {
    let weights = weigh_models(&[(1.0, -10.0), (1.0, -10.0 - libm::log(3.0))]).unwrap();
    close("weight", weights[0].weight, 0.75, 1e-12);
    close("weight", weights[1].weight, 0.25, 1e-12);
    let mixture = mix_draws(&weights, &[vec![1.0, 3.0], vec![5.0, 7.0]]).unwrap();
    close("mean", mixture.mean, 3.0, 1e-12);
    // Within 1, between 0.75·1 + 0.25·9 = 3.
    close("between", mixture.between_share, 0.75, 1e-12);
    assert!(weigh_models(&[(1.0, 0.0)]).is_err());
    assert!(weigh_models(&[(1.0, f64::NAN), (1.0, 0.0)]).is_err());
}

#[test]
fn senseless_problems_are_refused_by_name() {
    let sound = || problem(vec![Observation::quantified(119.0, 5.0)]);
    let refused = |change: &dyn Fn(&mut Problem)| {
        let mut changed = sound();
        change(&mut changed);
        match estimate_map(&changed, &MapOptions::default()) {
            Err(spotwright_kinetics::estimate::EstimateError::Problem(error)) => error,
            other => panic!("{other:?}"),
        }
    };
    assert!(matches!(
        refused(&|p| p.observations[0].time_h = -1.0),
        ProblemError::LevelBeforeFirstDose { position: 0, .. }
    ));
    assert!(matches!(
        refused(&|p| p.history.doses.clear()),
        ProblemError::LevelWithoutDose { position: 0 }
    ));
    assert!(matches!(
        refused(&|p| p.observations[0].level = Level::Quantified { value: f64::NAN }),
        ProblemError::ObservationOutOfRange { .. }
    ));
    assert!(matches!(
        refused(&|p| p.effects.covariance[0] = -1.0),
        ProblemError::CovarianceNotPositiveDefinite
    ));
    assert!(matches!(
        refused(&|p| p.effects.between_subject[0] = ParameterName::MaximumRate),
        ProblemError::EffectWithoutParameter { .. }
    ));
    assert!(matches!(
        refused(&|p| p.residual = ResidualError::Log { sigma: 0.0 }),
        ProblemError::ResidualOutOfRange { .. }
    ));
    assert!(matches!(
        refused(&|p| p.history.doses[3].amount = -1.0),
        ProblemError::Structure(_)
    ));
}

#[test]
fn labels_follow_the_effects() {
    let mut one = problem(vec![Observation::quantified(119.0, 5.0)]);
    one.observations[0].time_uncertainty = Some(TimeUncertainty::Normal { sd_h: 0.5 });
    let estimate = estimate_map(&one, &MapOptions::default()).unwrap();
    assert_eq!(
        estimate.labels,
        [
            EffectLabel::Subject(ParameterName::Clearance),
            EffectLabel::Subject(ParameterName::Volume),
            EffectLabel::SampleTime(0)
        ]
    );
}
