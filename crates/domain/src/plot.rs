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
