//! What a report draws and a record does not hold: the recorded points of a window, and series along a run.

use crate::injection::SampleRole;
use serde::{Deserialize, Serialize};

/// The recorded points of one transition around its expected retention. Limits, baseline and retention stand in
/// the injection's [`TransitionRecord`](crate::record::TransitionRecord) at [`Self::transition`].
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct ChromatogramPlot {
    /// Index of the transition in the injection's record.
    pub transition: usize,
    /// Time (min) and intensity (counts) of each point, in order of time, as recorded: no smoothing, no baseline
    /// taken off. All finite; may be empty. Single precision is finer than any screen or sheet.
    pub points: Vec<[f32; 2]>,
}

/// One injection's place in a series.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SeriesPoint {
    /// Order of the injection in the run.
    pub order: u32,
    /// What the injection was for.
    pub role: SampleRole,
    /// Peak area (counts·s); `None`: no peak found.
    pub area_counts_s: Option<f64>,
}

/// Series along a run that its record is too small to hold.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct RunSeries {
    /// Areas of each internal standard, in the order of the run record's internal standards; within each, in the
    /// order of the run.
    pub internal_standards: Vec<Vec<SeriesPoint>>,
}

/// A visual predictive check: percentiles of observed levels beside the same percentiles of studies simulated from the model.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PredictiveCheckPlot {
    /// Unit of every level.
    pub unit: String,
    /// What time counts from: `first dose` or `last dose`.
    pub time_since: String,
    /// How the bins were made, in words.
    pub binning: String,
    /// Whether levels are corrected for their predictions (M. Bergstrand et al., AAPS J. 13 (2011) 143-151).
    pub prediction_corrected: bool,
    /// Studies simulated.
    pub simulated_studies: u32,
    /// Share of simulated studies within each interval (%).
    pub interval_pct: f64,
    /// Lower limit of quantification, when levels lie below it.
    pub lower_limit: Option<f64>,
    /// Observed levels: time (h) and level. Those below the limit are not among them.
    pub points: Vec<[f64; 2]>,
    /// Bins in order of time.
    pub bins: Vec<PredictiveCheckBin>,
}

/// One bin of time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PredictiveCheckBin {
    /// First and last time in it (h).
    pub from_h: f64,
    /// Last time in it (h).
    pub to_h: f64,
    /// Median of its times (h).
    pub middle_h: f64,
    /// Levels in it, those below the limit too.
    pub levels: u32,
    /// The 5th, 50th and 95th percentile.
    pub percentiles: [PercentileCheck; 3],
    /// Share below the limit; `None` when the study has no such level.
    pub below_limit: Option<ShareCheck>,
}

/// One percentile of a bin. A value that lies below the limit is `None`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PercentileCheck {
    /// Which percentile.
    pub percent: u32,
    /// Of the observed levels.
    pub observed: Option<f64>,
    /// Of the simulated studies: lower end of the interval, median, upper end.
    pub simulated: [Option<f64>; 3],
}

impl PercentileCheck {
    /// Whether the observed percentile lies outside its interval; what lies below the limit is below every number.
    #[must_use]
    pub fn is_outside(&self) -> bool {
        let Some(observed) = self.observed else {
            return false;
        };
        let [low, _, high] = self.simulated;
        low.is_some_and(|low| observed < low) || high.is_none_or(|high| observed > high)
    }
}

/// The share of levels below the limit (%).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ShareCheck {
    /// Of the observed levels.
    pub observed_pct: f64,
    /// Of the simulated studies: lower end of the interval, median, upper end.
    pub simulated_pct: [f64; 3],
}
