//! One person written down by hand: `CASE.toml`.

use crate::request::{Covariate, Dose, EarlierLevel};
use crate::target::TargetRange;
use serde::{Deserialize, Serialize};

/// One person, one drug, as a case file states them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CaseFile {
    /// Whose.
    pub subject: String,
    /// Which drug, as kinetic models name it.
    pub drug: String,
    /// Ids of candidate models; empty: every model the program holds for the drug that is meant for this person.
    pub models: Vec<String>,
    /// When the next dose is decided on, ISO 8601 with offset, and in seconds since 1970-01-01T00:00Z; `None`: when the
    /// last level was taken.
    pub decide_at: Option<(String, i64)>,
    /// Whether the person is invented.
    pub simulated: bool,
    /// Drugs taken beside; `None`: nobody asked.
    pub other_drugs: Option<Vec<String>>,
    /// States such as `pregnancy`, `dialysis`; `None`: nobody asked.
    pub states: Option<Vec<String>>,
    /// Doses.
    pub doses: Vec<CaseDose>,
    /// Levels.
    pub levels: Vec<EarlierLevel>,
    /// Covariates.
    pub covariates: Vec<Covariate>,
    /// What levels are read against; `None`: what the program stores for the drug.
    pub target: Option<TargetRange>,
}

/// A dose of a case file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CaseDose {
    /// The dose. Its unit may also be `mg/kg` or `ug/kg`.
    #[serde(flatten)]
    pub dose: Dose,
    /// When it was given, in seconds since 1970-01-01T00:00Z.
    pub given_at_unix_s: i64,
    /// The last dose of a regimen likewise.
    pub until_unix_s: Option<i64>,
    /// Whether the regimen had run so long before that it was in steady state.
    pub running: bool,
}
