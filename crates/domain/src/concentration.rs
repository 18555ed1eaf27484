//! Units of concentration and the named cases a concentration can be.

use serde::{Deserialize, Serialize};

/// A unit of concentration, named by its UCUM code (`ug/L`, `nmol/L`, …).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum ConcentrationUnit {
    /// Microgram per litre.
    #[serde(rename = "ug/L")]
    MicrogramPerLitre,
    /// Nanogram per millilitre; equal to [`Self::MicrogramPerLitre`].
    #[serde(rename = "ng/mL")]
    NanogramPerMillilitre,
    /// Milligram per litre.
    #[serde(rename = "mg/L")]
    MilligramPerLitre,
    /// Microgram per millilitre; equal to [`Self::MilligramPerLitre`].
    #[serde(rename = "ug/mL")]
    MicrogramPerMillilitre,
    /// Nanomole per litre.
    #[serde(rename = "nmol/L")]
    NanomolePerLitre,
    /// Micromole per litre.
    #[serde(rename = "umol/L")]
    MicromolePerLitre,
}

impl ConcentrationUnit {
    /// Every unit.
    pub const ALL: [Self; 6] = [
        Self::MicrogramPerLitre,
        Self::NanogramPerMillilitre,
        Self::MilligramPerLitre,
        Self::MicrogramPerMillilitre,
        Self::NanomolePerLitre,
        Self::MicromolePerLitre,
    ];

    /// The UCUM code (case-sensitive; UC-01).
    #[must_use]
    pub fn ucum(self) -> &'static str {
        match self {
            Self::MicrogramPerLitre => "ug/L",
            Self::NanogramPerMillilitre => "ng/mL",
            Self::MilligramPerLitre => "mg/L",
            Self::MicrogramPerMillilitre => "ug/mL",
            Self::NanomolePerLitre => "nmol/L",
            Self::MicromolePerLitre => "umol/L",
        }
    }

    /// The unit with this UCUM code, if it is one of ours.
    #[must_use]
    pub fn from_ucum(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|unit| unit.ucum() == code)
    }
}

/// What is known of a concentration. Never a quiet 0, −1 or NaN. All values are in the analyte's unit,
/// after multiplication by the dilution factor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "case", rename_all = "kebab-case")]
pub enum ConcentrationCase {
    /// Inside the run's range.
    Measured {
        /// The value.
        value: f64,
        /// Its combined standard uncertainty, absolute.
        standard_uncertainty: f64,
        /// 95 % coverage interval.
        interval_95: [f64; 2],
        /// Effective degrees of freedom of the uncertainty (Welch–Satterthwaite, GUM-1).
        degrees_of_freedom: f64,
    },
    /// Below the run's lower limit of quantification: reported as `< lloq` (M10-28), never as 0.
    BelowLloq {
        /// The limit, times the dilution factor.
        lloq: f64,
        /// The estimate, for kinetics only; absent when nothing was detected.
        estimate: Option<f64>,
    },
    /// Above the run's upper limit of quantification: dilute, or report as `> uloq` (M10-28).
    AboveUloq {
        /// The limit, times the dilution factor.
        uloq: f64,
        /// The extrapolated estimate, never to be reported.
        estimate: Option<f64>,
    },
    /// No number can be computed; the reasons say why.
    NotComputable,
    /// No number is wanted (blanks, conditioning).
    NotApplicable,
}
