//! A run before physics: who sent which card, and which injection comes when.

use spotwright_domain::identifier::{CardId, SubjectId};
use spotwright_domain::injection::Injection;

/// A card and whose it is.
#[derive(Debug, Clone)]
pub(crate) struct Card {
    pub(crate) code: CardId,
    pub(crate) subject: SubjectId,
    /// True concentration of each analyte; `None`: neither taken nor asked for.
    pub(crate) concentrations: Vec<Option<f64>>,
    pub(crate) haematocrit: f64,
    pub(crate) haematocrit_stated: bool,
    pub(crate) collected_unix_s: i64,
    pub(crate) received_unix_s: i64,
    pub(crate) last_dose_unix_s: i64,
    pub(crate) last_dose_stated: bool,
    pub(crate) weight_kg: f64,
    pub(crate) age_y: f64,
    pub(crate) sex: &'static str,
    pub(crate) creatinine_umol_per_l: f64,
    /// Whether the clinic's request arrived.
    pub(crate) requested: bool,
}

/// A foreign peak in one transition.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct ForeignPeak {
    /// Place in `Method::transitions`.
    pub(crate) transition: usize,
    /// Apex relative to the compound's (s).
    pub(crate) offset_s: f64,
    /// Width relative to the compound's.
    pub(crate) width_factor: f64,
    /// Its area.
    pub(crate) area: ForeignArea,
}

/// How large a foreign peak is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum ForeignArea {
    /// A share of the compound's own area.
    OfCompound(f64),
    /// A multiple of the area at the lowest calibrator.
    OfLloq(f64),
}

/// What faults do to one injection.
#[derive(Debug, Clone)]
pub(crate) struct Effects {
    /// Everything that is measured (source, injection): factor.
    pub(crate) response: f64,
    /// Internal standards only (spray): factor.
    pub(crate) spray: f64,
    /// Each analyte only: factor.
    pub(crate) analyte: Vec<f64>,
    /// Relative shift of retention.
    pub(crate) retention_shift: f64,
    /// Every peak comes in two.
    pub(crate) split: bool,
    pub(crate) foreign: Vec<ForeignPeak>,
    /// Transition whose trace is not recorded.
    pub(crate) missing_transition: Option<usize>,
    /// The file ends early.
    pub(crate) truncated: bool,
    /// The file is a copy of that of another line.
    pub(crate) same_as: Option<usize>,
}

/// One injection before physics.
#[derive(Debug, Clone)]
pub(crate) struct Line {
    pub(crate) injection: Injection,
    /// True concentration of each analyte in the sample, before dilution.
    pub(crate) concentrations: Vec<f64>,
    /// Share of the usual internal standard that is added (0 in a double blank).
    pub(crate) standard: f64,
    /// A clean solution: no matrix, no preparation.
    pub(crate) solution: bool,
    pub(crate) card: Option<usize>,
    pub(crate) effects: Effects,
    /// Faults that meet this line, by number in the run's list.
    pub(crate) faults: Vec<usize>,
}

impl Line {
    pub(crate) fn new(injection: Injection, concentrations: Vec<f64>, standard: f64) -> Self {
        let analytes = concentrations.len();
        Self {
            injection,
            concentrations,
            standard,
            solution: false,
            card: None,
            effects: Effects {
                response: 1.0,
                spray: 1.0,
                analyte: vec![1.0; analytes],
                retention_shift: 0.0,
                split: false,
                foreign: Vec::new(),
                missing_transition: None,
                truncated: false,
                same_as: None,
            },
            faults: Vec::new(),
        }
    }
}
