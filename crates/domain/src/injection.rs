//! One extract measured once, and the role it plays in its run.

use crate::identifier::{CardId, LevelName, RunId};
use serde::{Deserialize, Serialize};

/// What an injection is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SampleRole {
    /// Conditions the line; measured, listed, never calculated.
    Conditioning,
    /// Shows before the run that sensitivity and retention are as they should be.
    SystemSuitability,
    /// Blank matrix without internal standard.
    DoubleBlank,
    /// Blank matrix with internal standard.
    Zero,
    /// Known concentration that makes the calibration curve.
    Calibrator,
    /// Blank right after a strong sample.
    CarryOverBlank,
    /// Known concentration that judges the run.
    Control,
    /// Known concentration above range, diluted; judges the dilution.
    DilutionControl,
    /// A person's sample.
    Patient,
    /// A person's sample measured again to judge the method (incurred sample reanalysis).
    IncurredRepeat,
}

impl SampleRole {
    /// Every role, in the order of this page.
    pub const ALL: [Self; 10] = [
        Self::Conditioning,
        Self::SystemSuitability,
        Self::DoubleBlank,
        Self::Zero,
        Self::Calibrator,
        Self::CarryOverBlank,
        Self::Control,
        Self::DilutionControl,
        Self::Patient,
        Self::IncurredRepeat,
    ];

    /// The word used in files.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Conditioning => "conditioning",
            Self::SystemSuitability => "system-suitability",
            Self::DoubleBlank => "double-blank",
            Self::Zero => "zero",
            Self::Calibrator => "calibrator",
            Self::CarryOverBlank => "carry-over-blank",
            Self::Control => "control",
            Self::DilutionControl => "dilution-control",
            Self::Patient => "patient",
            Self::IncurredRepeat => "incurred-repeat",
        }
    }

    /// Whether the role needs a level of the method.
    #[must_use]
    pub fn needs_level(self) -> bool {
        matches!(self, Self::Calibrator | Self::Control | Self::DilutionControl)
    }

    /// Whether the role needs a card and a spot.
    #[must_use]
    pub fn needs_card(self) -> bool {
        matches!(self, Self::Patient | Self::IncurredRepeat)
    }

    /// Whether internal standard belongs in this injection. `None`: either is right (conditioning, system
    /// suitability and carry-over blanks differ from laboratory to laboratory).
    #[must_use]
    pub fn carries_internal_standard(self) -> Option<bool> {
        match self {
            Self::DoubleBlank => Some(false),
            Self::Conditioning | Self::SystemSuitability | Self::CarryOverBlank => None,
            _ => Some(true),
        }
    }
}

/// One line of the injection list.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Injection {
    /// The run it belongs to.
    pub run: RunId,
    /// Place in the run's order, from 1, unique within the run.
    pub order: u32,
    /// Trace file, relative to the day's `traces/` folder.
    pub trace_file: String,
    /// What it is for.
    pub role: SampleRole,
    /// Calibrator or control level.
    pub level: Option<LevelName>,
    /// The card, for a person's sample.
    pub card: Option<CardId>,
    /// Which spot of the card, from 1.
    pub spot: Option<u32>,
    /// The extract was diluted by this factor (1: undiluted).
    pub dilution_factor: f64,
    /// Place in the rack, as the laboratory names it.
    pub rack_position: Option<String>,
    /// Sub-batch of the run, when the run was made in more than one (M10-21). `None`: one batch.
    pub sub_batch: Option<String>,
    /// When it was injected, ISO 8601 with offset, as written.
    pub injected_at: Option<String>,
    /// The injection this one repeats, as `run/order`.
    pub repeat_of: Option<String>,
    /// Why it was repeated.
    pub repeat_reason: Option<String>,
}

impl Injection {
    /// The injection's name: `run/order`, unique within a day.
    #[must_use]
    pub fn id(&self) -> String {
        format!("{}/{}", self.run, self.order)
    }
}
