//! What a population is estimated from: persons with doses and levels, a structure, and what is to be estimated.

use crate::likelihood::{Observation, ResidualError};
use crate::structure::{BetweenKnots, DoseHistory, ParameterName, Parameters, Structure};

/// Covariate values that hold from a time on; the first also before.
#[derive(Debug, Clone, PartialEq)]
pub struct CovariateKnot {
    /// From when (h on the person's time axis).
    pub from_h: f64,
    /// Values, in the order the typical values expect.
    pub values: Vec<f64>,
}

/// One person of the study.
#[derive(Debug, Clone, PartialEq)]
pub struct Person {
    /// Code of the person, for messages and results.
    pub id: String,
    /// What was given.
    pub history: DoseHistory,
    /// What was measured.
    pub observations: Vec<Observation>,
    /// Covariates in order of time; one knot, without values, when there are none.
    pub covariates: Vec<CovariateKnot>,
}

/// What numbers a coefficient can be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CoefficientScale {
    /// Above zero; estimated by its logarithm.
    Positive,
    /// Any number.
    Any,
}

/// A number of the typical values that is estimated.
#[derive(Debug, Clone, PartialEq)]
pub struct Coefficient {
    /// Its name.
    pub name: String,
    /// Starting value.
    pub start: f64,
    /// What it can be.
    pub scale: CoefficientScale,
}

/// Typical values of the structure's parameters from coefficients and covariates.
pub trait TypicalValues {
    /// The values, in the core's units.
    ///
    /// # Errors
    /// Why there are none, in words: a logarithm of zero, a parameter below zero.
    fn typical(&self, coefficients: &[f64], covariates: &[f64]) -> Result<Parameters, String>;
}

/// Parameters whose random effects may be correlated with each other and with no others.
#[derive(Debug, Clone, PartialEq)]
pub struct EffectBlock {
    /// Which parameters.
    pub parameters: Vec<ParameterName>,
    /// Starting covariance of their natural logs, row by row.
    pub covariance: Vec<f64>,
    /// Whether it stays as it is.
    pub fixed: bool,
}

impl EffectBlock {
    /// One parameter by itself, estimated from this standard deviation of its natural log.
    #[must_use]
    pub fn single(parameter: ParameterName, sd_log: f64) -> Self {
        Self {
            parameters: vec![parameter],
            covariance: vec![sd_log * sd_log],
            fixed: false,
        }
    }
}

/// One part of the residual error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ResidualPart {
    /// Not there.
    Absent,
    /// Stays as it is.
    Fixed(f64),
    /// Estimated from this start.
    Estimated(f64),
}

/// Residual error to be estimated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum StudyResidual {
    /// Variance additive² + (proportional · prediction)².
    Combined {
        /// Standard deviation in the concentration unit.
        additive_sd: ResidualPart,
        /// Standard deviation as a fraction of the prediction.
        proportional_sd: ResidualPart,
    },
    /// The log of a level is normal around the log of its prediction.
    Log {
        /// Standard deviation of the log.
        sigma: ResidualPart,
    },
}

/// A study's estimation problem.
pub struct Study<'m> {
    /// The structure.
    pub structure: Structure,
    /// Typical values.
    pub typical: &'m dyn TypicalValues,
    /// What happens between the knots of a person's covariates.
    pub between_knots: BetweenKnots,
    /// Coefficients of the typical values, in the order `typical` expects.
    pub coefficients: Vec<Coefficient>,
    /// Random effects between persons: P = typical · exp(η).
    pub effects: Vec<EffectBlock>,
    /// Residual error.
    pub residual: StudyResidual,
    /// The persons.
    pub persons: Vec<Person>,
}

/// Values of everything a population model holds.
#[derive(Debug, Clone, PartialEq)]
pub struct PopulationValues {
    /// Coefficients of the typical values.
    pub coefficients: Vec<f64>,
    /// Covariance of the random effects, row by row, in the order of the blocks.
    pub covariance: Vec<f64>,
    /// Residual error.
    pub residual: ResidualError,
}

/// Why a study is no estimation problem.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum StudyError {
    /// Too few persons to tell persons apart from errors.
    #[error("{found} persons with levels; at least {expected} are needed")]
    TooFewPersons {
        /// Persons found.
        found: usize,
        /// Persons needed.
        expected: usize,
    },
    /// Fewer levels than numbers to be estimated.
    #[error("{found} levels in all for {estimated} numbers to be estimated")]
    TooFewLevels {
        /// Levels measured within the range.
        found: usize,
        /// Numbers to be estimated.
        estimated: usize,
    },
    /// A person has no level.
    #[error("person {id} has no level")]
    NoLevel {
        /// Who.
        id: String,
    },
    /// A start is no number, or not above zero where it must be.
    #[error("the start of {name} is {found}; it must be a finite number{}", if *.above_zero { " above zero" } else { "" })]
    Start {
        /// What.
        name: String,
        /// The start.
        found: f64,
        /// Whether it must be above zero.
        above_zero: bool,
    },
    /// The starting covariance of a block is none.
    #[error("the starting covariance of {names} is not positive definite")]
    Covariance {
        /// Its parameters.
        names: String,
    },
    /// A parameter has two random effects.
    #[error("{name} has two random effects")]
    EffectTwice {
        /// Which.
        name: ParameterName,
    },
    /// Nothing is to be estimated.
    #[error("nothing is to be estimated")]
    NothingToEstimate,
    /// Without random effects there is no population.
    #[error("no parameter differs between persons")]
    NoEffects,
    /// There is no residual error.
    #[error("the residual error has no part above zero")]
    NoResidual,
    /// Uncertain times cannot be used here.
    #[error("person {id} has an uncertain time; a population is estimated from times taken as true")]
    UncertainTime {
        /// Who.
        id: String,
    },
    /// A level cannot be used.
    #[error("person {id}, {time_h} h: {why}")]
    Level {
        /// Who.
        id: String,
        /// When (h).
        time_h: f64,
        /// Why, in words.
        why: String,
    },
}
