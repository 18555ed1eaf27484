//! The most probable effects of a person (maximum a posteriori), with the covariance of Laplace's approximation.

use super::error::EstimateError;
use super::optimum::{Optimum, Search};
use crate::likelihood::{EffectLabel, Objective, Problem};
use crate::structure::{ParameterName, ParameterTimeline};
use spotwright_numerics::random::RandomStream;

/// Distance of a minimum from its prior, in standard deviations of any effect, beyond which other starts are tried.
const FAR: f64 = 2.0;
/// Starts beside the typical person.
const MORE_STARTS: usize = 3;
/// Seed of the starts drawn from the prior: fixed, so that a problem has one answer.
const START_SEED: u64 = 1;

/// From how many places to search.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Starts {
    /// From the typical person only.
    One,
    /// From more places when the first minimum lies more than 2 SD from typical, a level is censored, a time is uncertain
    /// or elimination saturates.
    #[default]
    AsNeeded,
    /// Always from all places.
    All,
}

/// How to search.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MapOptions {
    /// From where.
    pub starts: Starts,
    /// Iterations from one start before giving up.
    pub most_iterations: usize,
}

impl Default for MapOptions {
    fn default() -> Self {
        Self {
            starts: Starts::default(),
            most_iterations: 200,
        }
    }
}

/// A second minimum of the objective.
#[derive(Debug, Clone, PartialEq)]
pub struct OtherMinimum {
    /// Where.
    pub effects: Vec<f64>,
    /// The objective there; never below the estimate's.
    pub objective: f64,
}

/// The estimate of one person.
#[derive(Debug, Clone, PartialEq)]
pub struct MapEstimate {
    /// What each effect is.
    pub labels: Vec<EffectLabel>,
    /// The effects.
    pub effects: Vec<f64>,
    /// O at the minimum, without the constants.
    pub objective: f64,
    /// −2 ln (likelihood · prior) at the minimum, with them.
    pub objective_full: f64,
    /// O for the typical person.
    pub objective_at_typical: f64,
    /// Greatest absolute entry of the gradient at the minimum.
    pub largest_gradient: f64,
    /// What the objective could still fall by.
    pub decrement: f64,
    /// Hessian of O, row by row.
    pub hessian: Vec<f64>,
    /// 2·H⁻¹: covariance of the effects by Laplace's approximation, row by row.
    pub covariance: Vec<f64>,
    /// Roots of its diagonal.
    pub sd: Vec<f64>,
    /// ln of the levels' probability density under the model, by Laplace's approximation.
    pub ln_marginal_likelihood: f64,
    /// The person's parameters, occasions aside, at the timeline's first knot.
    pub individual: Vec<(ParameterName, f64)>,
    /// The person's parameters over time, occasions aside.
    pub timeline: ParameterTimeline,
    /// Prediction for every observation, on its own matrix.
    pub predictions: Vec<f64>,
    /// Iterations over all starts.
    pub iterations: usize,
    /// Starts tried.
    pub starts: usize,
    /// Further minima met, lowest first.
    pub other_minima: Vec<OtherMinimum>,
}

impl MapEstimate {
    /// The effect with this label.
    #[must_use]
    pub fn effect(&self, label: EffectLabel) -> Option<f64> {
        let position = self.labels.iter().position(|known| *known == label)?;
        self.effects.get(position).copied()
    }

    /// The person's value of a parameter, occasions aside, at the timeline's first knot.
    #[must_use]
    pub fn value(&self, name: ParameterName) -> Option<f64> {
        self.individual
            .iter()
            .find(|(known, _)| *known == name)
            .map(|(_, value)| *value)
    }
}

/// Estimates a person's effects.
///
/// # Errors
/// A problem that makes no sense, or a search that does not end in a proven minimum.
pub fn estimate_map(problem: &Problem, options: &MapOptions) -> Result<MapEstimate, EstimateError> {
    let mut objective = Objective::new(problem)?;
    estimate_prepared(&mut objective, options)
}

/// The same for an objective already prepared.
pub(crate) fn estimate_prepared(
    objective: &mut Objective,
    options: &MapOptions,
) -> Result<MapEstimate, EstimateError> {
    let size = objective.size();
    let mut search = Search::default();
    let typical = vec![0.0; size];
    let objective_at_typical = objective.value(&typical)?;
    let first = search.descend(objective, &typical, options.most_iterations);
    let far = match &first {
        Ok(optimum) => optimum
            .effects
            .iter()
            .zip(objective.prior_variances())
            .any(|(effect, variance)| effect * effect > FAR * FAR * variance),
        Err(_) => true,
    };
    let more = match options.starts {
        Starts::One => false,
        Starts::AsNeeded => far || objective.is_strongly_nonlinear(),
        Starts::All => true,
    };
    let mut minima: Vec<Optimum> = Vec::new();
    let mut starts = 1;
    let mut iterations = 0;
    let mut failure = None;
    let mut random = RandomStream::new(START_SEED, 0);
    let mut z = vec![0.0; size];
    let mut start = vec![0.0; size];
    let mut result = Some(first);
    for extra in 0..=MORE_STARTS {
        let found = match result.take() {
            Some(first) => first,
            None => {
                if !more || size == 0 {
                    break;
                }
                starts += 1;
                match minima.first() {
                    // The mirror of the first minimum looks where it did not.
                    Some(first) if extra == 1 => {
                        for (slot, effect) in start.iter_mut().zip(&first.effects) {
                            *slot = -effect;
                        }
                    }
                    _ => {
                        random.fill_normal(&mut z);
                        objective.prior_factor().multiply_lower(&z, &mut start);
                    }
                }
                search.descend(objective, &start, options.most_iterations)
            }
        };
        match found {
            Ok(optimum) => {
                iterations += optimum.iterations;
                if !minima.iter().any(|known| same_place(known, &optimum, size)) {
                    minima.push(optimum);
                }
            }
            Err(error) => failure = failure.or(Some(error)),
        }
    }
    minima.sort_by(|a, b| a.objective.total_cmp(&b.objective));
    let mut minima = minima.into_iter();
    let Some(best) = minima.next() else {
        return Err(match failure {
            Some(EstimateError::NotConverged {
                iterations,
                decrement,
                ..
            }) => EstimateError::NotConverged {
                starts,
                iterations,
                decrement,
            },
            Some(other) => other,
            None => EstimateError::NotAMinimum,
        });
    };
    let other_minima = minima
        .map(|other| OtherMinimum {
            effects: other.effects,
            objective: other.objective,
        })
        .collect();
    describe(
        objective,
        best,
        objective_at_typical,
        iterations,
        starts,
        other_minima,
    )
}

fn describe(
    objective: &mut Objective,
    best: Optimum,
    objective_at_typical: f64,
    iterations: usize,
    starts: usize,
    other_minima: Vec<OtherMinimum>,
) -> Result<MapEstimate, EstimateError> {
    let size = objective.size();
    objective.value(&best.effects)?;
    let covariance: Vec<f64> = best.factor.inverse().iter().map(|v| 2.0 * v).collect();
    let objective_full = best.objective + objective.left_out_constant();
    // ∫ exp(−O_full/2) ≈ exp(−O_full/2)·(2π)^(p/2)·det(2H⁻¹)^(1/2)
    let ln_two_pi = libm::log(2.0 * std::f64::consts::PI);
    let ln_det_covariance = size as f64 * std::f64::consts::LN_2 - best.factor.ln_determinant();
    let timeline = objective.individual(&best.effects);
    Ok(MapEstimate {
        labels: objective.labels().to_vec(),
        objective: best.objective,
        objective_full,
        objective_at_typical,
        largest_gradient: best.gradient.iter().fold(0.0, |most: f64, g| most.max(g.abs())),
        decrement: best.decrement,
        sd: (0..size).map(|i| covariance[i * size + i].sqrt()).collect(),
        covariance,
        hessian: best.hessian,
        ln_marginal_likelihood: 0.5 * (size as f64 * ln_two_pi + ln_det_covariance - objective_full),
        individual: timeline.knots[0].values.iter().collect(),
        timeline,
        predictions: objective.predictions().to_vec(),
        effects: best.effects,
        iterations,
        starts,
        other_minima,
    })
}

/// Whether two minima are one: less than a hundredth of a standard deviation apart in every direction.
fn same_place(a: &Optimum, b: &Optimum, size: usize) -> bool {
    let difference: Vec<f64> = a.effects.iter().zip(&b.effects).map(|(x, y)| x - y).collect();
    let mut distance = 0.0;
    for i in 0..size {
        for j in 0..size {
            distance += difference[i] * a.hessian[i * size + j] * difference[j];
        }
    }
    distance < 1e-4
}
