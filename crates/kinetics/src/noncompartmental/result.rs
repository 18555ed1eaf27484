//! What goes into an analysis besides samples, and what comes out.

use super::profile::{Note, ProfilePoint};
use super::rules::Rules;
use super::terminal::{NoTerminalSlope, TerminalSlope};
use serde::Serialize;

/// How a dose was given.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Route {
    /// By mouth, muscle, skin or rectum: clearance and volume are apparent, divided by the bioavailability.
    Extravascular,
    /// At once into a vein.
    Bolus,
    /// Into a vein at a constant rate.
    Infusion {
        /// How long (h).
        duration_h: f64,
    },
}

/// The dose the levels follow.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Dose {
    /// Amount, in the dose unit.
    pub amount: f64,
    /// How it was given.
    pub route: Route,
    /// Time to the next dose (h), when exposure over a dosing interval is asked for.
    pub interval_h: Option<f64>,
    /// Whether the same dose had been given at this interval long enough for a steady state.
    pub steady_state: bool,
}

/// Exposure carried to infinite time. Absent without a terminal slope.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ExposureToInfinity {
    /// Area from the last measured level (concentration·h).
    pub auc: f64,
    /// Area from the last level as fitted (concentration·h).
    pub auc_from_fitted_last: f64,
    /// Share of `auc` behind the last level (%).
    pub extrapolated_pct: f64,
    /// First moment (concentration·h²).
    pub aumc: f64,
    /// Mean residence time (h), after an infusion less half its duration. After a dose by mouth it holds the mean time
    /// of absorption. `None` in steady state, where the interval's stands.
    pub mean_residence_h: Option<f64>,
    /// Dose over area; divided by the bioavailability unless intravenous. `None` in steady state, where the interval's
    /// stands.
    pub clearance: Option<f64>,
    /// Clearance over terminal slope; divided by the bioavailability unless intravenous.
    pub volume_terminal: Option<f64>,
    /// Clearance times mean residence time; intravenous doses only.
    pub volume_steady_state: Option<f64>,
}

/// Where a dosing interval's area ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum IntervalEnd {
    /// A level was drawn there.
    Measured,
    /// Between two levels.
    Interpolated,
    /// Behind the last level, along the terminal slope.
    Extrapolated,
}

/// Exposure over one dosing interval.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct IntervalExposure {
    /// The interval (h).
    pub interval_h: f64,
    /// Area over it (concentration·h).
    pub auc: f64,
    /// Mean level over it.
    pub average_level: f64,
    /// Level at its end.
    pub level_at_end: f64,
    /// Where that level comes from.
    pub end: IntervalEnd,
    /// In steady state: dose over the interval's area.
    pub clearance: Option<f64>,
    /// In steady state: (AUMC₀₋τ + τ (AUC∞ − AUC₀₋τ)) / AUC₀₋τ (h), after an infusion less half its duration
    /// (I. L. Smith, J. J. Schentag, J. Pharm. Sci. 73 (1984) 1196-1198).
    pub mean_residence_h: Option<f64>,
}

/// What to mind when reading the result. Limits: common practice, no single source.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "caution")]
pub enum Caution {
    /// More than 20 % of the area lies behind the last level.
    LargelyExtrapolated {
        /// Share (%).
        found_pct: f64,
        /// Limit (%).
        limit_pct: f64,
    },
    /// The points of the terminal slope span less than two half-lives.
    ShortTerminalSpan {
        /// Half-lives.
        found: f64,
        /// Limit.
        limit: f64,
    },
    /// The terminal slope fits poorly.
    PoorTerminalFit {
        /// Adjusted R².
        found: f64,
        /// Limit.
        limit: f64,
    },
    /// The highest level is the first sample: the true peak may have been missed.
    PeakAtFirstSample {
        /// When (h).
        time_h: f64,
    },
    /// A level above 5 % of the highest was found at or before a first dose.
    LevelBeforeDose {
        /// The level as a share of the highest (%).
        found_pct: f64,
        /// Limit (%).
        limit_pct: f64,
    },
}

/// A non-compartmental analysis, with the rules it was made by.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Noncompartmental {
    /// The dose.
    pub dose: Dose,
    /// The rules.
    pub rules: Rules,
    /// The levels that were used, in order of time.
    pub points: Vec<ProfilePoint>,
    /// What was done to the samples.
    pub notes: Vec<Note>,
    /// Highest level; after a bolus this may be the extrapolated one.
    pub c_max: f64,
    /// When (h); the first time if it occurs twice.
    pub t_max_h: f64,
    /// Whether the highest level was measured.
    pub c_max_measured: bool,
    /// Last measured level above zero.
    pub c_last: f64,
    /// When (h).
    pub t_last_h: f64,
    /// Area to the last measured level above zero (concentration·h).
    pub auc_last: f64,
    /// Its first moment (concentration·h²).
    pub aumc_last: f64,
    /// Area over all levels, those put in behind the last measured one too (concentration·h).
    pub auc_all: f64,
    /// The terminal slope.
    pub terminal: Option<TerminalSlope>,
    /// Why there is none.
    pub no_terminal: Option<NoTerminalSlope>,
    /// Exposure to infinite time; absent without a terminal slope.
    pub to_infinity: Option<ExposureToInfinity>,
    /// Exposure over the dosing interval, if one was given and the levels reach it.
    pub interval: Option<IntervalExposure>,
    /// What to mind.
    pub cautions: Vec<Caution>,
}

/// Why there is no analysis.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum NoncompartmentalError {
    /// The dose is no amount.
    #[error("a dose is a finite number above zero, not {found}")]
    DoseNotAboveZero {
        /// The number.
        found: f64,
    },
    /// An infusion without duration.
    #[error("an infusion lasts longer than zero hours, not {found}")]
    InfusionNotAboveZero {
        /// The number (h).
        found: f64,
    },
    /// A dosing interval that is none.
    #[error("a dosing interval is longer than zero hours, not {found}")]
    IntervalNotAboveZero {
        /// The number (h).
        found: f64,
    },
    /// Steady state without an interval.
    #[error("a steady state needs a dosing interval")]
    SteadyStateWithoutInterval,
    /// A time is no number.
    #[error("sample {index}: a time is a finite number of hours, not {found}")]
    TimeNotFinite {
        /// Position from 0.
        index: usize,
        /// The number (h).
        found: f64,
    },
    /// A level is no number from zero.
    #[error("sample {index}: a level is a finite number not below zero, not {found}")]
    LevelNotANumberFromZero {
        /// Position from 0.
        index: usize,
        /// The number.
        found: f64,
    },
    /// A limit of quantification is none.
    #[error("sample {index}: a limit of quantification is a finite number above zero, not {found}")]
    LimitNotAboveZero {
        /// Position from 0.
        index: usize,
        /// The number.
        found: f64,
    },
    /// Two levels at one time, and the rule refuses them.
    #[error("{found} levels at {time_h} h: say which one counts, or take their mean by rule")]
    DuplicateTime {
        /// When (h).
        time_h: f64,
        /// How many.
        found: usize,
    },
    /// A sample before the dose, and the rule refuses it.
    #[error("a sample at {time_h} h, before the dose")]
    BeforeDose {
        /// When (h).
        time_h: f64,
    },
    /// No level above zero after the dose.
    #[error("no level was measured above zero")]
    NoLevelAboveZero,
    /// A number left the range of doubles.
    #[error("the areas are beyond the range of numbers")]
    OutOfRange,
}
