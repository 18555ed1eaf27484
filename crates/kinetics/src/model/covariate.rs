//! What a model wants to know of a person, and what it does when that is not known.

use super::unit::{CovariateUnit, RenalEquation};
use crate::structure::ParameterName;

/// A covariate of a model.
#[derive(Debug, Clone, PartialEq)]
pub struct Covariate {
    /// The name formulas use.
    pub name: String,
    /// Its unit.
    pub unit: CovariateUnit,
    /// What its values mean, for counts of a variant.
    pub meaning: Option<String>,
    /// The value the model is centred on.
    pub default: f64,
    /// Least in the building data.
    pub low: f64,
    /// Greatest in the building data.
    pub high: f64,
    /// What a living person can have; beyond, the number is a slip.
    pub possible: [f64; 2],
    /// The equation of a filtration estimate.
    pub equation: Option<RenalEquation>,
    /// What to do without a value.
    pub if_missing: IfMissing,
    /// The policy in the words of whoever entered the model.
    pub if_missing_note: String,
}

/// What to do when a covariate is not known.
#[derive(Debug, Clone, PartialEq)]
pub enum IfMissing {
    /// No estimate at all.
    Refuse,
    /// An estimate at the default may be shown, but no advice until it is answered.
    Ask,
    /// The default, with a warning on every answer.
    DefaultWithWarning,
    /// The default, with a note.
    Default,
    /// From the regimen in force.
    FromRegimen,
    /// 1 when at least two of these covariates are 1; whenever it is 1 they count as 0.
    TwoOrMoreOf(Vec<usize>),
    /// A value and a wider spread, with a warning that says so.
    GenotypeUnknown(UnknownGenotype),
    /// A mix of the values 0, 1, 2 by the local frequencies the method states; without them no advice.
    GenotypeMixture,
}

/// What stands for a genotype nobody determined.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct UnknownGenotype {
    /// The value used.
    pub value: f64,
    /// The parameter whose spread widens.
    pub parameter: ParameterName,
    /// Standard deviation of its natural log between subjects then.
    pub sd_log: f64,
}
