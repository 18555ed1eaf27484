//! A measured level and its error.

use crate::structure::TimeUncertainty;
use serde::{Deserialize, Serialize};

/// What the laboratory reported.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Level {
    /// A number inside the range.
    Quantified {
        /// In the unit of the structure's concentration.
        value: f64,
    },
    /// Below the lower limit of quantitation.
    BelowLimit {
        /// The limit.
        lower_limit: f64,
    },
    /// Above the upper limit of quantitation.
    AboveLimit {
        /// The limit.
        upper_limit: f64,
    },
}

/// Residual error of a model: misfit, assay and timing of the study it comes from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum ResidualError {
    /// v = additive² + (proportional · f)², f the prediction; either may be zero.
    Combined {
        /// Standard deviation in the concentration unit.
        additive_sd: f64,
        /// Standard deviation as a fraction of the prediction.
        proportional_sd: f64,
    },
    /// The natural log of a level is normal around the log of the prediction.
    Log {
        /// Standard deviation of the log.
        sigma: f64,
    },
}

/// One level.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Observation {
    /// When the sample was taken, h on the problem's time axis. Exactly at a dose's time it was taken before the dose.
    pub time_h: f64,
    /// What was reported.
    pub level: Level,
    /// Variance of this very sample beside the model's residual error (assay and conversion), in concentration unit
    /// squared; 0 when none. Under a log error it counts as `extra_variance` / level².
    pub extra_variance: f64,
    /// Level on this sample's matrix for a model concentration of 1: blood and plasma levels of one person can mix.
    pub matrix_ratio: f64,
    /// Residual error of this sample's own assay, when it differs from the problem's.
    pub residual: Option<ResidualError>,
    /// How well the time is known; `None` when it is taken as true.
    pub time_uncertainty: Option<TimeUncertainty>,
}

impl Observation {
    /// A quantified level in the model's matrix at a known time, with no variance of its own.
    #[must_use]
    pub fn quantified(time_h: f64, value: f64) -> Self {
        Self::new(time_h, Level::Quantified { value })
    }

    /// A level below the limit, in the model's matrix at a known time.
    #[must_use]
    pub fn below_limit(time_h: f64, lower_limit: f64) -> Self {
        Self::new(time_h, Level::BelowLimit { lower_limit })
    }

    /// A level in the model's matrix at a known time.
    #[must_use]
    pub fn new(time_h: f64, level: Level) -> Self {
        Self {
            time_h,
            level,
            extra_variance: 0.0,
            matrix_ratio: 1.0,
            residual: None,
            time_uncertainty: None,
        }
    }
}
