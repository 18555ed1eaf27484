//! Models as data: one file a model, with the source of every number, its population and its confidence.
//!
//! ```
//! use spotwright_kinetics::model::{Model, embedded};
//!
//! let model = embedded("phenobarbital_neonate").unwrap();
//! assert_eq!(model.drug, "phenobarbital");
//!
//! // What is wrong is said by line and column, with the nearest valid name.
//! let text = embedded_text().replace("dose_unit", "dose_unti");
//! let problems = Model::from_toml(&text).unwrap_err();
//! assert!(problems.to_string().contains("nearest: dose_unit"));
//! # fn embedded_text() -> &'static str { spotwright_kinetics::model::embedded_text("phenobarbital_neonate").unwrap() }
//! ```

mod covariate;
mod dosing;
pub mod formula;
mod library;
mod nearest;
pub mod person;
mod problem;
mod read;
mod section;
mod sign_off;
mod unit;

pub use covariate::{Covariate, IfMissing, UnknownGenotype};
pub use dosing::{Dosing, Form, FormKind, MOST_PIECES};
pub use library::{MODEL_IDS, embedded, embedded_text};
pub use problem::{ModelProblem, ModelProblemCode, ModelProblems};
pub use sign_off::{AdviceStanding, SIGNATURES_NEEDED, SignOff, WhyNotForAdvice};
pub use unit::{CovariateUnit, RenalEquation};

use crate::likelihood::ResidualError;
use crate::structure::{ParameterName, Structure};
use formula::{Condition, Formula, Name};
use serde::{Deserialize, Serialize};
use spotwright_domain::concentration::ConcentrationUnit;
use spotwright_domain::digest::Digest;
use spotwright_domain::matrix::MatrixKind;

/// Reading with places, for the other tables of this room.
pub(crate) mod reading {
    pub(crate) use super::problem::ModelProblemCode;
    pub(crate) use super::section::{Bounds, Reader, Section};
}

/// How far a model may be trusted, as whoever entered it judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Confidence {
    /// Research display only.
    Low,
    /// Some numbers from memory.
    Medium,
    /// Read in the source.
    High,
}

/// Where a model was published.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Source {
    /// Authors, title, journal, year.
    pub citation: String,
    /// DOI; it may say that it is to be verified, or be empty.
    pub doi: String,
    /// What was read there and what is from memory.
    pub status: String,
}

/// The matrix a model was built in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BuiltIn {
    /// Whole blood or plasma.
    pub kind: MatrixKind,
    /// In the words of whoever entered it: anticoagulant, assay, total drug.
    pub note: String,
}

/// A quantity whose range in the building data is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum PopulationQuantity {
    /// Age, years.
    Age,
    /// Postnatal age, days.
    PostnatalAge,
    /// Postmenstrual age, weeks.
    PostmenstrualAge,
    /// Gestational age at birth, weeks.
    GestationalAge,
    /// Current weight, kg.
    Weight,
    /// Weight at birth, kg.
    BirthWeight,
}

/// The range of one quantity in the building data.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PopulationRange {
    /// Which quantity.
    pub quantity: PopulationQuantity,
    /// Least.
    pub low: f64,
    /// Greatest.
    pub high: f64,
}

/// Who the model was built on.
#[derive(Debug, Clone, PartialEq)]
pub struct Population {
    /// Ranges in the building data.
    pub ranges: Vec<PopulationRange>,
    /// Persons.
    pub persons: u32,
    /// Why they took the drug.
    pub indication: String,
    /// Where the ranges come from, when they are not the source's own.
    pub ranges_provenance: Option<String>,
}

/// One parameter.
#[derive(Debug, Clone, PartialEq)]
pub struct ModelParameter {
    /// Which.
    pub name: ParameterName,
    /// Its unit as the file writes it.
    pub unit: String,
    /// Typical value, in `unit`, of the model's covariates.
    pub formula: Formula,
    /// Multiplies the formula's value into the core's unit (Vmax in mg/day: 1/24).
    pub to_core_unit: f64,
    /// Standard deviation of its natural log between subjects.
    pub sd_log_between_subject: f64,
    /// Standard deviation of its natural log between occasions.
    pub sd_log_between_occasion: f64,
    /// Where the numbers come from.
    pub provenance: String,
    /// Whether every number of it was read in the source.
    pub verified: bool,
}

/// Correlation of two random effects on the log scale.
#[derive(Debug, Clone, PartialEq)]
pub struct Correlation {
    /// Which two.
    pub between: [ParameterName; 2],
    /// The coefficient.
    pub r: f64,
    /// Where it comes from.
    pub provenance: String,
}

/// A condition on covariates under which the model warns or refuses.
#[derive(Debug, Clone, PartialEq)]
pub struct Limit {
    /// When it fires.
    pub when: Condition,
    /// Said to the reader.
    pub because: String,
}

/// What a model must never be used for in silence.
#[derive(Debug, Clone, PartialEq)]
pub struct Guards {
    /// Sentences every answer must show.
    pub rules: Vec<String>,
    /// Drugs and drug classes beside which no advice is given.
    pub stop_drugs: Vec<String>,
    /// States of the person in which no advice is given.
    pub stop_states: Vec<String>,
    /// Fires a refusal.
    pub refuse: Vec<Limit>,
    /// Fires a warning.
    pub warn: Vec<Limit>,
    /// Days on an unchanged dose before any advice (autoinduction, lead-in); `None`: no such rule.
    pub advice_from_day: Option<f64>,
    /// Whether those days must be on an unchanged dose, not only on the drug.
    pub advice_needs_unchanged_dose: bool,
    /// Exposure only, never a dose change for a person.
    pub exposure_only: bool,
    /// Least samples within one interval before an area is given; 1: no such rule.
    pub least_samples_for_area: u32,
}

/// A model.
#[derive(Debug, Clone, PartialEq)]
pub struct Model {
    /// File name without its ending.
    pub id: String,
    /// Generic drug name.
    pub drug: String,
    /// Setting.
    pub title: String,
    /// How far it may be trusted.
    pub confidence: Confidence,
    /// Where it was published.
    pub source: Source,
    /// Its matrix.
    pub matrix: BuiltIn,
    /// Who it was built on.
    pub population: Population,
    /// Compartments, input, elimination, and the factor from dose unit/L to the concentration unit.
    pub structure: Structure,
    /// Input and elimination in the words of the source.
    pub structure_note: String,
    /// Whether CL and V are divided by F: oral doses only.
    pub apparent: bool,
    /// On which basis a dose counts (acid, prodrug), when the drug has several.
    pub dose_basis: Option<String>,
    /// Unit of every concentration.
    pub concentration_unit: ConcentrationUnit,
    /// Covariates; formulas name them by position here.
    pub covariates: Vec<Covariate>,
    /// Parameters.
    pub parameters: Vec<ModelParameter>,
    /// Correlations; none given: 0 or not reported.
    pub correlations: Vec<Correlation>,
    /// Residual error.
    pub residual: ResidualError,
    /// Where it comes from.
    pub residual_provenance: String,
    /// Practical regimens.
    pub dosing: Dosing,
    /// What must be shown and what must be refused.
    pub guards: Guards,
    /// Who signed.
    pub sign_offs: Vec<SignOff>,
    /// SHA-256 of the facts, without signatures (canonical JSON of the file's values).
    pub digest: Digest,
}

impl Model {
    /// Reads a model file.
    ///
    /// # Errors
    /// Every problem of the file, by line and column.
    pub fn from_toml(text: &str) -> Result<Self, ModelProblems> {
        read::read(text)
    }

    /// The covariate of this name and its position.
    #[must_use]
    pub fn covariate(&self, name: &str) -> Option<(usize, &Covariate)> {
        self.covariates
            .iter()
            .enumerate()
            .find(|(_, covariate)| covariate.name == name)
    }

    /// The parameter of this name.
    #[must_use]
    pub fn parameter(&self, name: ParameterName) -> Option<&ModelParameter> {
        self.parameters.iter().find(|parameter| parameter.name == name)
    }

    /// Covariate defaults in the order of [`Self::covariates`].
    #[must_use]
    pub fn defaults(&self) -> Vec<f64> {
        self.covariates
            .iter()
            .map(|covariate| covariate.default)
            .collect()
    }

    /// The parameters that clear the drug: their provenance decides whether advice may be given.
    pub fn clearance_parameters(&self) -> impl Iterator<Item = &ModelParameter> {
        self.parameters.iter().filter(|parameter| {
            matches!(
                parameter.name,
                ParameterName::Clearance | ParameterName::MaximumRate | ParameterName::MichaelisConstant
            )
        })
    }
}

/// The names formulas may use.
pub(crate) fn names(covariates: &[Covariate]) -> Vec<Name<'_>> {
    covariates
        .iter()
        .map(|covariate| Name {
            name: &covariate.name,
            is_flag: covariate.unit == CovariateUnit::Flag,
        })
        .collect()
}
