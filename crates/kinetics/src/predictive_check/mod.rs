//! Visual predictive check: would studies simulated from the model look like the study? Percentiles of the levels in bins of time,
//! with the interval within which simulated studies' percentiles fall (M. O. Karlsson, N. Holford, PAGE 17 (2008) abstract 1434).
//!
//! With prediction correction each level, observed or simulated, is multiplied by the median typical prediction of its bin over its
//! own typical prediction, so that different doses and covariates within a bin do not widen it (M. Bergstrand, A. C. Hooker,
//! J. E. Wallin, M. O. Karlsson, AAPS J. 13 (2011) 143-151, equation 1 with a lower bound of zero). Levels below the limit rank lowest,
//! before and after the correction; a percentile that falls among them is not a number. Their share has a check of its own.

mod bins;
mod simulate;

pub use bins::Binning;

use crate::likelihood::Level;
use crate::population::{PopulationValues, Study};
use simulate::Simulator;
use spotwright_domain::plot::{PercentileCheck, PredictiveCheckBin, PredictiveCheckPlot, ShareCheck};

/// Percentiles shown.
const PERCENTS: [u32; 3] = [5, 50, 95];
/// Share of simulated studies within each interval (%).
const INTERVAL_PCT: f64 = 95.0;
/// Simulated studies needed at least: fewer have no 2.5th percentile worth the name.
const FEWEST_STUDIES: u32 = 100;

/// What time counts from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TimeSince {
    /// The person's first dose.
    FirstDose,
    /// The latest dose before the sample.
    LastDose,
}

/// How to check.
#[derive(Debug, Clone, PartialEq)]
pub struct PredictiveCheckOptions {
    /// Studies to simulate.
    pub simulated_studies: u32,
    /// Seed.
    pub seed: u64,
    /// Bins.
    pub binning: Binning,
    /// Whether to correct for predictions.
    pub prediction_corrected: bool,
    /// What time counts from.
    pub time_since: TimeSince,
    /// Lower limit of quantification; `None`: the greatest limit of the study's levels below one.
    pub lower_limit: Option<f64>,
    /// Unit of the levels, for the plot.
    pub unit: String,
}

/// Why there is no check.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PredictiveCheckError {
    /// Too few simulated studies.
    #[error("{found} simulated studies; at least {expected} are needed")]
    TooFewStudies {
        /// Asked for.
        found: u32,
        /// Needed.
        expected: u32,
    },
    /// The covariance of the random effects is none.
    #[error("the covariance of the random effects is not positive definite")]
    Covariance,
    /// The model gives no prediction.
    #[error("no prediction: {why}")]
    Prediction {
        /// Why, in words.
        why: String,
    },
    /// Bins that leave a level out, or do not rise.
    #[error("the edges of the bins must rise and hold every level")]
    Edges,
    /// No level.
    #[error("the study has no level")]
    NoLevel,
    /// A level above the upper limit of quantification.
    #[error("a level above the upper limit of quantification has no place in a percentile")]
    AboveLimit,
}

/// Checks a population against the study it describes.
///
/// # Errors
/// When the model predicts nothing, when bins leave a level out, or when too few studies are to be simulated.
pub fn visual_predictive_check(
    study: &Study<'_>,
    values: &PopulationValues,
    options: &PredictiveCheckOptions,
) -> Result<PredictiveCheckPlot, PredictiveCheckError> {
    if options.simulated_studies < FEWEST_STUDIES {
        return Err(PredictiveCheckError::TooFewStudies {
            found: options.simulated_studies,
            expected: FEWEST_STUDIES,
        });
    }
    let times_h = times(study, options.time_since);
    if times_h.is_empty() {
        return Err(PredictiveCheckError::NoLevel);
    }
    let bins = options
        .binning
        .bins(&times_h)
        .ok_or(PredictiveCheckError::Edges)?;
    let (observed, lower_limit) = observed(study, options.lower_limit)?;
    let mut simulator = Simulator::new(study, values, options.seed)?;
    let corrections = if options.prediction_corrected {
        corrections(&simulator.typical()?, &bins)
    } else {
        vec![1.0; observed.len()]
    };
    let mut percentiles = vec![Vec::new(); bins.len() * PERCENTS.len()];
    let mut shares = vec![Vec::new(); bins.len()];
    for number in 0..u64::from(options.simulated_studies) {
        let levels: Vec<f64> = simulator
            .levels(number)?
            .into_iter()
            .map(|level| censored(level, lower_limit))
            .collect();
        for (b, bin) in bins.iter().enumerate() {
            let ranked = ranked(bin, &levels, &corrections);
            for (p, percent) in PERCENTS.iter().enumerate() {
                percentiles[b * PERCENTS.len() + p].push(percentile(&ranked, f64::from(*percent)));
            }
            shares[b].push(share_below_pct(&ranked));
        }
    }
    let has_limit = lower_limit.is_some();
    let checked = bins.iter().enumerate().map(|(b, bin)| {
        let ranked = ranked(bin, &observed, &corrections);
        let own: Vec<f64> = bin.iter().map(|index| times_h[*index]).collect();
        PredictiveCheckBin {
            from_h: own[0],
            to_h: own[own.len() - 1],
            middle_h: percentile(&own, 50.0),
            levels: u32::try_from(bin.len()).unwrap_or(u32::MAX),
            percentiles: std::array::from_fn(|p| PercentileCheck {
                percent: PERCENTS[p],
                observed: number(percentile(&ranked, f64::from(PERCENTS[p]))),
                simulated: interval(&mut percentiles[b * PERCENTS.len() + p]).map(number),
            }),
            below_limit: has_limit.then(|| ShareCheck {
                observed_pct: share_below_pct(&ranked),
                simulated_pct: interval(&mut shares[b]),
            }),
        }
    });
    let bins_checked: Vec<PredictiveCheckBin> = checked.collect();
    let points = (0..observed.len())
        .filter(|index| observed[*index].is_finite())
        .map(|index| [times_h[index], observed[index] * corrections[index]])
        .collect();
    Ok(PredictiveCheckPlot {
        unit: options.unit.clone(),
        time_since: match options.time_since {
            TimeSince::FirstDose => "first dose".to_owned(),
            TimeSince::LastDose => "last dose".to_owned(),
        },
        binning: options.binning.sentence(bins_checked.len()),
        prediction_corrected: options.prediction_corrected,
        simulated_studies: options.simulated_studies,
        interval_pct: INTERVAL_PCT,
        lower_limit,
        points,
        bins: bins_checked,
    })
}

/// Times of all samples, person by person. A sample before any dose counts from the first one.
fn times(study: &Study<'_>, since: TimeSince) -> Vec<f64> {
    let mut times = Vec::new();
    for person in &study.persons {
        let steady = person
            .history
            .steady_state
            .as_ref()
            .map(|steady| steady.dose.time_h);
        let mut doses: Vec<f64> = person
            .history
            .doses
            .iter()
            .map(|dose| dose.time_h)
            .chain(steady)
            .collect();
        doses.sort_by(f64::total_cmp);
        for observation in &person.observations {
            let first = doses.first().copied().unwrap_or(0.0);
            let from = match since {
                TimeSince::FirstDose => first,
                TimeSince::LastDose => {
                    let before = doses.partition_point(|dose| *dose < observation.time_h);
                    before.checked_sub(1).map_or(first, |last| doses[last])
                }
            };
            times.push(observation.time_h - from);
        }
    }
    times
}

/// Levels as observed, −∞ below the limit, and the limit.
fn observed(study: &Study<'_>, stated: Option<f64>) -> Result<(Vec<f64>, Option<f64>), PredictiveCheckError> {
    let levels = || {
        study
            .persons
            .iter()
            .flat_map(|person| &person.observations)
            .map(|observation| observation.level)
    };
    let greatest = levels()
        .filter_map(|level| match level {
            Level::BelowLimit { lower_limit } => Some(lower_limit),
            _ => None,
        })
        .reduce(f64::max);
    let limit = stated.or(greatest);
    let mut observed = Vec::new();
    for level in levels() {
        observed.push(match level {
            Level::Quantified { value } => censored(value, limit),
            Level::BelowLimit { .. } => f64::NEG_INFINITY,
            Level::AboveLimit { .. } => return Err(PredictiveCheckError::AboveLimit),
        });
    }
    Ok((observed, limit))
}

fn censored(level: f64, limit: Option<f64>) -> f64 {
    match limit {
        Some(limit) if level < limit => f64::NEG_INFINITY,
        _ => level,
    }
}

/// Median typical prediction of its bin over each level's own; 1 where a prediction is zero: before the dose nothing can be corrected.
fn corrections(typical: &[f64], bins: &[Vec<usize>]) -> Vec<f64> {
    let mut corrections = vec![1.0; typical.len()];
    for bin in bins {
        let mut own: Vec<f64> = bin.iter().map(|index| typical[*index]).collect();
        own.sort_by(f64::total_cmp);
        let middle = percentile(&own, 50.0);
        for index in bin {
            let factor = middle / typical[*index];
            if factor.is_finite() && factor > 0.0 {
                corrections[*index] = factor;
            }
        }
    }
    corrections
}

fn ranked(bin: &[usize], levels: &[f64], corrections: &[f64]) -> Vec<f64> {
    let mut ranked: Vec<f64> = bin
        .iter()
        .map(|index| levels[*index] * corrections[*index])
        .collect();
    ranked.sort_by(f64::total_cmp);
    ranked
}

/// The percentile by linear interpolation between ranks (R. J. Hyndman, Y. Fan, Amer. Statist. 50 (1996) 361-365, type 7); −∞ as soon as it
/// touches a level below the limit.
fn percentile(ranked: &[f64], percent: f64) -> f64 {
    let place = 0.01 * percent * (ranked.len() - 1) as f64;
    let below = libm::floor(place) as usize;
    let share = place - below as f64;
    let low = ranked[below];
    if share <= 0.0 || !low.is_finite() {
        return low;
    }
    low + share * (ranked[below + 1] - low)
}

fn share_below_pct(ranked: &[f64]) -> f64 {
    let below = ranked.iter().filter(|level| !level.is_finite()).count();
    100.0 * below as f64 / ranked.len() as f64
}

fn interval(values: &mut [f64]) -> [f64; 3] {
    values.sort_by(f64::total_cmp);
    let tail = 0.5 * (100.0 - INTERVAL_PCT);
    [tail, 50.0, 100.0 - tail].map(|percent| percentile(values, percent))
}

fn number(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}
