//! What a prediction is read against: always with its matrix, sampling, indication and source (SAFE-06). No range
//! stored means no judgement, never a silent normal.

mod read;

pub use read::{Drug, DrugTable, targets_from_toml};

use spotwright_domain::concentration::ConcentrationUnit;
use spotwright_domain::matrix::MatrixKind;

/// What a target is about.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TargetQuantity {
    /// Concentration just before a dose.
    Trough,
    /// Greatest concentration after a dose.
    Peak,
    /// Area under the curve of 24 h in steady state.
    Auc24h,
    /// Area under the curve of 12 h in steady state.
    Auc12h,
    /// Concentration so many hours after the dose, or after the end of an infusion.
    ConcentrationAt {
        /// Hours.
        hours_after_dose: f64,
    },
    /// Percentage of the interval spent above a concentration.
    TimeAbove {
        /// The concentration, in the target's unit.
        concentration: f64,
    },
}

/// A target range.
#[derive(Debug, Clone, PartialEq)]
pub struct TargetRange {
    /// What it is about.
    pub quantity: TargetQuantity,
    /// Least wanted; `None`: open. Areas in `unit` · h, times above in percent.
    pub low: Option<f64>,
    /// Greatest wanted; `None`: open.
    pub high: Option<f64>,
    /// Above it harm is to be expected; `None`: not stated.
    pub toxic_above: Option<f64>,
    /// Unit of concentration.
    pub unit: ConcentrationUnit,
    /// The matrix it holds in.
    pub matrix: MatrixKind,
    /// When to sample for it.
    pub sampling: String,
    /// For whom it holds.
    pub indication: String,
    /// Where it is from.
    pub source: String,
    /// Which of its numbers were read there.
    pub status: String,
    /// Whether the range was read in the source.
    pub verified: bool,
}

/// Where a value lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Against {
    /// Below the least wanted.
    Below,
    /// Wanted.
    Inside,
    /// Above the greatest wanted.
    Above,
}

impl TargetRange {
    /// Where a value of its quantity lies; both ends count as inside.
    #[must_use]
    pub fn against(&self, value: f64) -> Against {
        if self.low.is_some_and(|low| value < low) {
            Against::Below
        } else if self.high.is_some_and(|high| value > high) {
            Against::Above
        } else {
            Against::Inside
        }
    }

    /// Whether a value lies where harm is to be expected.
    #[must_use]
    pub fn is_toxic(&self, value: f64) -> bool {
        self.toxic_above.is_some_and(|limit| value > limit)
    }

    /// Its quantity in words.
    #[must_use]
    pub fn quantity_words(&self) -> String {
        match self.quantity {
            TargetQuantity::Trough => "trough".to_owned(),
            TargetQuantity::Peak => "peak".to_owned(),
            TargetQuantity::Auc24h => "AUC24".to_owned(),
            TargetQuantity::Auc12h => "AUC0-12".to_owned(),
            TargetQuantity::ConcentrationAt { hours_after_dose } => {
                format!("concentration {hours_after_dose} h after the dose")
            }
            TargetQuantity::TimeAbove { concentration } => {
                format!("time above {concentration} {}", self.unit.display())
            }
        }
    }
}
