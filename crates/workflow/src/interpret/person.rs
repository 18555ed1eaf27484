//! One person's levels of one drug, wherever they were written down: what every interpretation starts from.

use spotwright_domain::concentration::ConcentrationUnit;
use spotwright_domain::matrix::MatrixKind;
use spotwright_domain::record::ResultVerdict;
use spotwright_kinetics::model::Model;
use spotwright_kinetics::model::person::{DoseStatement, Person};
use spotwright_kinetics::options::TargetRange;
use spotwright_kinetics::refusal::Refusal;

/// One person, one drug. Times are hours after [`Self::origin`].
#[derive(Debug, Clone)]
pub struct PersonCase {
    /// Whose.
    pub subject: String,
    /// Which drug.
    pub drug: String,
    /// Simulated data.
    pub simulated: bool,
    /// Hour zero, ISO 8601 with offset.
    pub origin: String,
    /// Doses as stated.
    pub doses: Vec<DoseStatement>,
    /// Covariates, other drugs, states.
    pub person: Person,
    /// Levels, converted and accepted or not.
    pub levels: Vec<CaseLevel>,
    /// When the next dose is decided on (h).
    pub decision_h: f64,
    /// Candidate models, each with its weight before the levels.
    pub models: Vec<(Model, f64)>,
    /// What is read against; empty: what the program stores for the drug.
    pub targets: Vec<TargetRange>,
    /// Refusals met before any model: a level that could not be converted, a time that is not known.
    pub refusals: Vec<Refusal>,
    /// Seed of every random draw.
    pub seed: u64,
}

/// A level and how it came here.
#[derive(Debug, Clone, PartialEq)]
pub struct CaseLevel {
    /// When it was taken (h).
    pub time_h: f64,
    /// ISO 8601 with offset.
    pub taken_at: String,
    /// Whether its result may be reported.
    pub verdict: ResultVerdict,
    /// Its matrix, after conversion.
    pub matrix: MatrixKind,
    /// Unit of its numbers.
    pub unit: ConcentrationUnit,
    /// What is known.
    pub value: LevelValue,
    /// In a sentence: what was measured, how it was converted.
    pub origin: String,
}

/// What is known of a level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LevelValue {
    /// A number, its standard uncertainty, and its 95 % interval.
    Quantified {
        /// The number.
        value: f64,
        /// Standard uncertainty, conversion included.
        standard_uncertainty: f64,
        /// Interval.
        interval_95: [f64; 2],
    },
    /// Below this limit.
    Below(f64),
    /// Above this limit.
    Above(f64),
}
