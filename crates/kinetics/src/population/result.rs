//! A population as estimated, and why it is not.

use super::study::{PopulationValues, StudyError};
use crate::structure::ParameterName;
use serde::Serialize;

/// One estimated number with its uncertainty.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Estimate {
    /// Its name: a coefficient, `sd_log CL`, `correlation CL V`, `additive_sd`.
    pub name: String,
    /// The estimate.
    pub value: f64,
    /// Standard error from the curvature of the likelihood (observed information), carried to this scale by the delta method.
    pub standard_error: f64,
    /// The sandwich of curvature and persons' slopes (P. J. Huber 1967; H. White, Econometrica 50 (1982) 1-25), sounder when the
    /// model is not quite true; it needs more persons than estimates, else `None`.
    pub robust_standard_error: Option<f64>,
}

/// A random effect's shrinkage: 1 − SD of the persons' effects / ω (R. M. Savic, M. O. Karlsson, AAPS J. 11 (2009) 558-569).
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Shrinkage {
    /// The parameter.
    pub parameter: ParameterName,
    /// Shrinkage (%); negative when persons differ more than ω says.
    pub shrinkage_pct: f64,
}

/// One person's own estimates under the population.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PersonEstimate {
    /// Who.
    pub id: String,
    /// Conditional modes of the random effects, in the order of the fit's effects.
    pub effects: Vec<f64>,
    /// Their conditional standard deviations.
    pub effects_sd: Vec<f64>,
    /// Minus two log likelihood of the person's levels.
    pub minus_two_log_likelihood: f64,
}

/// What shows that the estimates are a minimum.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ConvergenceProof {
    /// How far −2 log likelihood would still fall by the curvature there.
    pub expected_fall: f64,
    /// Largest remaining step in standard errors.
    pub largest_step_in_standard_errors: f64,
    /// Smallest eigenvalue of the curvature scaled to ones on its diagonal: above zero, so the place is a minimum.
    pub smallest_scaled_eigenvalue: f64,
    /// Steps taken in all.
    pub iterations: usize,
    /// Different starts tried.
    pub starts: usize,
    /// Those that ended within 0.01 of the lowest −2 log likelihood.
    pub starts_agreeing: usize,
}

/// A population estimated from a study.
#[derive(Debug, Clone, PartialEq)]
pub struct PopulationFit {
    /// The values.
    pub values: PopulationValues,
    /// Parameters with random effects, in the order of the covariance.
    pub effects: Vec<ParameterName>,
    /// Every estimated number with its uncertainty.
    pub estimates: Vec<Estimate>,
    /// −2 log likelihood, all constants in it, first-order conditional with interaction.
    pub minus_two_log_likelihood: f64,
    /// Plus twice the number of estimates (H. Akaike 1974).
    pub akaike: f64,
    /// The persons.
    pub persons: Vec<PersonEstimate>,
    /// Shrinkage of each effect.
    pub shrinkage: Vec<Shrinkage>,
    /// Shrinkage of the residuals (%): 1 − SD of the weighted residuals.
    pub residual_shrinkage_pct: f64,
    /// Greatest over smallest eigenvalue of the estimates' correlation matrix; above 1000 the data hardly tell some estimates apart
    /// (D. A. Belsley, E. Kuh, R. E. Welsch 1980: strong dependence above 30 of its root).
    pub condition_number: f64,
    /// Levels measured within range.
    pub levels: usize,
    /// Levels known only as below or above a limit.
    pub censored_levels: usize,
    /// What shows convergence.
    pub convergence: ConvergenceProof,
}

/// Why there is no fit.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PopulationError {
    /// The study is no estimation problem.
    #[error(transparent)]
    Study(#[from] StudyError),
    /// The model says nothing about a person at the starting values.
    #[error("person {id}: no prediction at the starting values: {why}")]
    NoPrediction {
        /// Who.
        id: String,
        /// Why, in words.
        why: String,
    },
    /// A person's effects cannot be found at the starting values.
    #[error(
        "person {id}: no most probable effects at the starting values; check doses, levels and units, or start elsewhere"
    )]
    NoMode {
        /// Who.
        id: String,
    },
    /// The data do not depend on an estimate.
    #[error("the likelihood does not depend on {name}")]
    NoInformation {
        /// Which.
        name: String,
    },
    /// A standard deviation runs to zero.
    #[error("{name} tends to zero: leave it out, or fix it")]
    SpreadVanishes {
        /// Which.
        name: String,
    },
    /// A standard deviation runs away.
    #[error("{name} grows without bound (now {found}): the model does not describe these data")]
    SpreadUnbounded {
        /// Which.
        name: String,
        /// Where it stood.
        found: f64,
    },
    /// The search ended without a proven minimum.
    #[error(
        "no convergence after {iterations} steps: −2 log likelihood {minus_two_log_likelihood} would still fall by {expected_fall}"
    )]
    NotConverged {
        /// Steps taken.
        iterations: usize,
        /// Where it stood.
        minus_two_log_likelihood: f64,
        /// Expected fall.
        expected_fall: f64,
    },
    /// The place the search ended at is no minimum: some estimates cannot be told apart.
    #[error("the data do not determine {names}: the likelihood is flat or not a minimum there")]
    NotAMinimum {
        /// The estimates the flattest direction runs along.
        names: String,
    },
}
