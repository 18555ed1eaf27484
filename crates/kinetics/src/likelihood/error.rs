//! Why a person's problem cannot be stated.

use crate::structure::{ParameterName, StructureError};

/// A problem that makes no sense, or an evaluation that has no value.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ProblemError {
    /// The structure, its parameters or the doses make no sense.
    #[error(transparent)]
    Structure(#[from] StructureError),
    /// An effect on a parameter that has no typical value.
    #[error("{name} varies between subjects or occasions but has no typical value")]
    EffectWithoutParameter {
        /// The parameter.
        name: ParameterName,
    },
    /// A parameter listed twice among the effects of one kind.
    #[error("{name} is listed twice among the effects")]
    EffectTwice {
        /// The parameter.
        name: ParameterName,
    },
    /// The covariance is not square in the number of effects.
    #[error("the covariance of {effects} effects needs {expected} entries, found {found}")]
    CovarianceSize {
        /// Effects between subjects.
        effects: usize,
        /// Entries expected.
        expected: usize,
        /// Entries found.
        found: usize,
    },
    /// The covariance is not symmetric and positive definite.
    #[error("the covariance between subjects is not symmetric and positive definite")]
    CovarianceNotPositiveDefinite,
    /// A between-occasion SD that is not above zero.
    #[error(
        "the standard deviation of {name} between occasions is {found}; expected a finite number above zero"
    )]
    OccasionSdOutOfRange {
        /// The parameter.
        name: ParameterName,
        /// The SD found.
        found: f64,
    },
    /// A number of an observation, of its residual error or of the problem's that is out of range.
    #[error("observation {position}: {what} is {found}; expected {expected}")]
    ObservationOutOfRange {
        /// Position in the list, from 0.
        position: usize,
        /// Which number.
        what: &'static str,
        /// The number found.
        found: f64,
        /// What was expected.
        expected: &'static str,
    },
    /// A number of the problem's residual error out of range.
    #[error("residual error: {what} is {found}; expected {expected}")]
    ResidualOutOfRange {
        /// Which number.
        what: &'static str,
        /// The number found.
        found: f64,
        /// What was expected.
        expected: &'static str,
    },
    /// A width of an uncertain time that is not above zero.
    #[error(
        "{whose} {position}: the width of its uncertain time is {found} h; expected a finite number above zero"
    )]
    TimeWidthOutOfRange {
        /// "observation" or "dose".
        whose: &'static str,
        /// Position in its list, from 0.
        position: usize,
        /// The width found, h.
        found: f64,
    },
    /// The regimen of a steady state has an uncertain time: state its doses one by one instead.
    #[error("the time of a steady-state dose cannot be uncertain: list the latest doses one by one")]
    SteadyStateTimeUncertain,
    /// A quantified level where no drug can be: before the first dose.
    #[error("observation {position} at {time_h} h has a level, but the first dose is at {first_dose_h} h")]
    LevelBeforeFirstDose {
        /// Position in the list, from 0.
        position: usize,
        /// Its time, h.
        time_h: f64,
        /// The first dose's time, h.
        first_dose_h: f64,
    },
    /// A quantified level and no dose at all.
    #[error("observation {position} has a level, but no dose is on record")]
    LevelWithoutDose {
        /// Position in the list, from 0.
        position: usize,
    },
    /// The prediction for a quantified level is zero and the error model leaves it no variance.
    #[error("observation {position} is quantified where the model predicts nothing and allows no error")]
    NothingPredicted {
        /// Position in the list, from 0.
        position: usize,
    },
    /// The vector of effects has the wrong length or holds a number that is not finite.
    #[error("expected {expected} finite effects, found {found}")]
    EffectsMalformed {
        /// Effects expected.
        expected: usize,
        /// Effects found.
        found: usize,
    },
}
