//! Do the levels fit the person, the doses and the times at all?
//!
//! Before anything is believed, each level is held against what the model expected of a person like this (its prior
//! predictive percentile), and each effect against its spread. Where that is surprising, named explanations are fitted in the
//! place of the plain account and weighed by the ratio of their marginal likelihoods.

use super::error::EstimateError;
use super::explanation::{Explained, explain};
use super::map::{MapEstimate, MapOptions, Starts, estimate_map};
use crate::likelihood::level::{probability_below, reported};
use crate::likelihood::{EffectLabel, Level, Objective, Problem, ProblemError, ResidualError};
use spotwright_numerics::cholesky::Cholesky;
use spotwright_numerics::random::RandomStream;

/// Percentiles between which a level surprises nobody: the central 99 %.
const EXPECTED: std::ops::RangeInclusive<f64> = 0.5..=99.5;
/// Standard deviations beyond which an effect is surprising.
const FAR_EFFECT: f64 = 3.0;

/// How to assess.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FitOptions {
    /// Seed of the prior predictive draws.
    pub seed: u64,
    /// Prior predictive draws; at least 100.
    pub draws: usize,
    /// Greatest error of a sampling time that counts as an explanation, h.
    pub time_slack_h: f64,
}

impl Default for FitOptions {
    fn default() -> Self {
        Self {
            seed: 1,
            draws: 2000,
            time_slack_h: 4.0,
        }
    }
}

/// One level beside what was expected.
#[derive(Debug, Clone, PartialEq)]
pub struct LevelFit {
    /// Position in the list of observations.
    pub position: usize,
    /// The value, or the limit it lies beyond.
    pub reported: f64,
    /// Median of what the model expects of a typical person's level here.
    pub expected_median: f64,
    /// Percentile (0 to 100) among what the model expected before any level was known.
    pub prior_percentile: f64,
    /// Percentile (0 to 100) among what the person's other levels let expect; `None` for an only level.
    pub percentile_given_others: Option<f64>,
    /// Whether it lies outside the central 99 % of either.
    pub surprising: bool,
    /// The individual prediction.
    pub predicted: f64,
    /// (reported − predicted) / SD, on the log scale under a log error.
    pub weighted_residual: f64,
}

/// One effect beside its spread.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EffectFit {
    /// Which effect.
    pub label: EffectLabel,
    /// The effect in prior standard deviations.
    pub standardised: f64,
    /// Posterior variance over prior variance (Laplace): 1 when the levels say nothing of this effect, near 0 when they
    /// determine it (F. P. Combes et al., Pharm. Res. 30 (2013) 2355-2367, shrinkage of one individual, from memory).
    pub shrinkage: f64,
    /// Whether it lies more than 3 SD from typical.
    pub surprising: bool,
}

/// The assessment.
#[derive(Debug, Clone, PartialEq)]
pub struct GoodnessOfFit {
    /// Every level.
    pub levels: Vec<LevelFit>,
    /// Every effect.
    pub effects: Vec<EffectFit>,
    /// Explanations of what is surprising, the most probable first; empty when nothing is.
    pub explanations: Vec<Explained>,
}

impl GoodnessOfFit {
    /// Whether anything is surprising.
    #[must_use]
    pub fn is_surprising(&self) -> bool {
        self.levels.iter().any(|level| level.surprising)
            || self.effects.iter().any(|effect| effect.surprising)
    }
}

/// Assesses an estimate of the same problem.
///
/// # Errors
/// A problem that makes no sense, or too few draws asked for.
pub fn assess_fit(
    problem: &Problem,
    estimate: &MapEstimate,
    options: &FitOptions,
) -> Result<GoodnessOfFit, EstimateError> {
    const FEWEST: usize = 100;
    if options.draws < FEWEST {
        return Err(EstimateError::TooFewDraws {
            found: options.draws,
            least: FEWEST,
        });
    }
    let mut objective = Objective::new(problem)?;
    let levels = assess_levels(problem, &mut objective, estimate, options);
    let effects: Vec<EffectFit> = estimate
        .labels
        .iter()
        .zip(&estimate.effects)
        .zip(objective.prior_variances())
        .zip(&estimate.sd)
        .map(|(((label, effect), variance), sd)| {
            let standardised = effect / variance.sqrt();
            EffectFit {
                label: *label,
                standardised,
                shrinkage: sd * sd / variance,
                surprising: standardised.abs() > FAR_EFFECT,
            }
        })
        .collect();
    let far = effects.iter().any(|effect| effect.surprising);
    let mut explanations = Vec::new();
    for level in &levels {
        if level.surprising || far {
            explanations.extend(explain(problem, estimate, level, options.time_slack_h));
        }
    }
    explanations.sort_by(|a: &Explained, b| b.ln_bayes_factor.total_cmp(&a.ln_bayes_factor));
    Ok(GoodnessOfFit {
        levels,
        effects,
        explanations,
    })
}

fn assess_levels(
    problem: &Problem,
    objective: &mut Objective,
    estimate: &MapEstimate,
    options: &FitOptions,
) -> Vec<LevelFit> {
    let typical = vec![0.0; objective.size()];
    let prior = objective.prior_factor().clone();
    let all: Vec<usize> = (0..problem.observations.len()).collect();
    let mut expected = expect(objective, &typical, &prior, &all, options);
    let others: Vec<Option<f64>> = all
        .iter()
        .map(|position| given_others(problem, objective, *position, options))
        .collect();
    let observations = objective.observations();
    observations
        .iter()
        .enumerate()
        .map(|(position, observation)| {
            let (percentile, predictions) = &mut expected[position];
            let predicted = estimate.predictions[position];
            let reported = reported(&observation.level);
            LevelFit {
                position,
                reported,
                expected_median: median(predictions),
                prior_percentile: *percentile,
                percentile_given_others: others[position],
                surprising: is_surprising(&observation.level, *percentile)
                    || others[position].is_some_and(|p| is_surprising(&observation.level, p)),
                predicted,
                weighted_residual: weighted_residual(
                    reported,
                    predicted,
                    observation.extra_variance,
                    &objective.residual_of(observation),
                ),
            }
        })
        .collect()
}

/// Where the level lies among what a person estimated from the other levels would have (Laplace's approximation).
fn given_others(
    problem: &Problem,
    objective: &mut Objective,
    position: usize,
    options: &FitOptions,
) -> Option<f64> {
    if problem.observations.len() < 2 {
        return None;
    }
    let mut rest = problem.clone();
    // As good as no level: the effects keep their places, its uncertain time too.
    rest.observations[position].extra_variance = 1e12 * square(reported(&rest.observations[position].level));
    let found = estimate_map(
        &rest,
        &MapOptions {
            starts: Starts::One,
            ..MapOptions::default()
        },
    )
    .ok()?;
    let factor = Cholesky::new(&found.covariance, found.effects.len())?;
    let few = FitOptions {
        draws: options.draws.min(500),
        ..*options
    };
    expect(objective, &found.effects, &factor, &[position], &few)
        .first()
        .map(|(percentile, _)| *percentile)
}

/// Percentile and predictions of the levels at these positions over normal draws of the effects.
fn expect(
    objective: &mut Objective,
    mean: &[f64],
    factor: &Cholesky,
    positions: &[usize],
    options: &FitOptions,
) -> Vec<(f64, Vec<f64>)> {
    let size = objective.size();
    let mut random = RandomStream::new(options.seed, 1);
    let (mut z, mut effects) = (vec![0.0; size], vec![0.0; size]);
    let mut below = vec![0.0; positions.len()];
    let mut predictions: Vec<Vec<f64>> = vec![Vec::with_capacity(options.draws); positions.len()];
    let mut drawn = 0;
    for _ in 0..options.draws {
        random.fill_normal(&mut z);
        factor.multiply_lower(&z, &mut effects);
        for (effect, mean) in effects.iter_mut().zip(mean) {
            *effect += mean;
        }
        match objective.value(&effects) {
            // Where nothing is predicted the level has no likelihood, but the prediction, zero, stands.
            Ok(_) | Err(ProblemError::NothingPredicted { .. }) => drawn += 1,
            Err(_) => continue,
        }
        for (slot, position) in positions.iter().enumerate() {
            let observation = &objective.observations()[*position];
            let prediction = objective.predictions()[*position];
            below[slot] += probability_below(observation, &objective.residual_of(observation), prediction);
            predictions[slot].push(prediction);
        }
    }
    below
        .into_iter()
        .zip(predictions)
        .map(|(sum, predictions)| (100.0 * sum / f64::from(drawn.max(1)), predictions))
        .collect()
}

/// A level below the limit is as low as the limit or lower, never surprising for being too high.
fn is_surprising(level: &Level, percentile: f64) -> bool {
    match level {
        Level::Quantified { .. } => !EXPECTED.contains(&percentile),
        Level::BelowLimit { .. } => percentile < *EXPECTED.start(),
        Level::AboveLimit { .. } => percentile > *EXPECTED.end(),
    }
}

fn square(x: f64) -> f64 {
    x * x
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    let count = values.len();
    match count {
        0 => 0.0,
        _ if count % 2 == 1 => values[count / 2],
        _ => 0.5 * (values[count / 2 - 1] + values[count / 2]),
    }
}

fn weighted_residual(reported: f64, predicted: f64, extra_variance: f64, residual: &ResidualError) -> f64 {
    match *residual {
        ResidualError::Combined {
            additive_sd,
            proportional_sd,
        } => {
            let proportional = proportional_sd * predicted;
            let variance = additive_sd * additive_sd + proportional * proportional + extra_variance;
            if variance > 0.0 {
                (reported - predicted) / variance.sqrt()
            } else {
                0.0
            }
        }
        ResidualError::Log { sigma } => {
            let variance = sigma * sigma + extra_variance / (reported * reported);
            if predicted > 0.0 {
                libm::log(reported / predicted) / variance.sqrt()
            } else {
                0.0
            }
        }
    }
}
