//! What the clinic asks (a line a card), what the person took (a line a dose event or regimen), what is known of the person
//! and may change, and levels measured elsewhere.

use crate::concentration::ConcentrationUnit;
use crate::identifier::{AnalyteName, CardId, SubjectId};
use crate::matrix::MatrixKind;
use serde::{Deserialize, Serialize};

/// One line of `requests.csv`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Request {
    /// The card.
    pub card: CardId,
    /// Whose card.
    pub subject: SubjectId,
    /// Analytes asked for; empty: every analyte of the method.
    pub analytes: Vec<AnalyteName>,
    /// Collection time, ISO 8601 with offset; `None`: unknown.
    pub collected_at: Option<String>,
    /// Last dose before collection, ISO 8601 with offset; `None`: unknown.
    pub last_dose_at: Option<String>,
    /// Receipt at the laboratory, ISO 8601 with offset; `None`: unknown.
    pub received_at: Option<String>,
    /// Days from collection to receipt, exact to the second, when both are known.
    pub age_at_receipt_d: Option<f64>,
    /// Days from collection to injection are computed from this instant (seconds since 1970-01-01T00:00Z).
    pub collected_at_unix_s: Option<i64>,
    /// Clinical haematocrit (L/L); `None`: unknown.
    pub haematocrit: Option<f64>,
    /// Body weight (kg).
    pub weight_kg: Option<f64>,
    /// Age (years).
    pub age_y: Option<f64>,
    /// Sex as recorded: `female`, `male`, `other`, `unknown`.
    pub sex: Option<String>,
    /// Plasma creatinine (µmol/L).
    pub creatinine_umol_per_l: Option<f64>,
    /// Anything the laboratory should know.
    pub comment: Option<String>,
}

/// One line of `doses.csv`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Dose {
    /// Who.
    pub subject: SubjectId,
    /// Which drug.
    pub drug: AnalyteName,
    /// Amount, in [`Self::unit`].
    pub amount: f64,
    /// UCUM unit of the amount (`mg`, `ug`, `g`).
    pub unit: String,
    /// Route: `oral`, `intravenous-bolus`, `intravenous-infusion`, `intramuscular`, `subcutaneous`, `rectal`.
    pub route: String,
    /// A single dose, or the first of a regimen: ISO 8601 with offset.
    pub given_at: String,
    /// Hours between doses of a regimen; `None`: a single dose.
    pub interval_h: Option<f64>,
    /// Last dose of a regimen, ISO 8601 with offset.
    pub until: Option<String>,
    /// Minutes an infusion runs.
    pub infusion_min: Option<f64>,
    /// What the amount counts: `acid`, `base`, `sodium`, …; `None`: as the drug is named.
    pub basis: Option<String>,
    /// Whether it was taken.
    pub taken: DoseTaken,
    /// Standard uncertainty of its time (min); `None`: not stated.
    pub time_uncertainty_min: Option<f64>,
}

/// Whether a dose was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DoseTaken {
    /// As written.
    #[default]
    Given,
    /// It was left out.
    Missed,
    /// Nobody knows.
    Uncertain,
}

impl DoseTaken {
    /// Every case with its word in files.
    pub const ALL: [(&'static str, Self); 3] = [
        ("given", Self::Given),
        ("missed", Self::Missed),
        ("uncertain", Self::Uncertain),
    ];
}

/// One line of `covariates.csv`: a fact of a person, from a time on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Covariate {
    /// Who.
    pub subject: SubjectId,
    /// What: `weight`, `creatinine`, …, or a carrier or co-medication of a kinetic model.
    pub name: String,
    /// The value, in [`Self::unit`].
    pub value: f64,
    /// UCUM unit; `1` for what is counted.
    pub unit: String,
    /// From when it holds, ISO 8601 with offset; `None`: throughout.
    pub from: Option<String>,
    /// The same in seconds since 1970-01-01T00:00Z.
    pub from_unix_s: Option<i64>,
}

/// One line of `levels.csv`: a level of a person measured on another day or elsewhere.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EarlierLevel {
    /// Who.
    pub subject: SubjectId,
    /// Which drug.
    pub drug: AnalyteName,
    /// When the sample was taken, ISO 8601 with offset.
    pub taken_at: String,
    /// The same in seconds since 1970-01-01T00:00Z.
    pub taken_at_unix_s: i64,
    /// The concentration; with [`Self::below_lloq`] the limit it lies below.
    pub value: f64,
    /// Unit.
    pub unit: ConcentrationUnit,
    /// Matrix it was measured in.
    pub matrix: MatrixKind,
    /// Whether the sample lay below the limit `value`.
    pub below_lloq: bool,
    /// Standard uncertainty, in [`Self::unit`]; `None`: not stated.
    pub standard_uncertainty: Option<f64>,
}
