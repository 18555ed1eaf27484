//! What the clinic asks (a line a card) and what the person took (a line a dose event or regimen).

use crate::identifier::{AnalyteName, CardId, SubjectId};
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
}
