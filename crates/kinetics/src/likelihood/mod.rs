//! How probable levels are for a person: random effects, residual error, levels below the limit, the objective.

mod check;
mod effects;
mod error;
pub(crate) mod level;
mod objective;
mod observation;

pub use effects::{OccasionEffect, RandomEffects};
pub use error::ProblemError;
pub use objective::{EffectLabel, Objective};
pub use observation::{Level, Observation, ResidualError};

use crate::structure::{DoseHistory, ParameterTimeline, Structure};

/// One person's estimation problem.
#[derive(Debug, Clone, PartialEq)]
pub struct Problem {
    /// The model's structure.
    pub structure: Structure,
    /// Typical values for this person's covariates, over time.
    pub typical: ParameterTimeline,
    /// How persons and occasions differ from typical.
    pub effects: RandomEffects,
    /// The model's residual error.
    pub residual: ResidualError,
    /// What was given.
    pub history: DoseHistory,
    /// What was measured.
    pub observations: Vec<Observation>,
}
