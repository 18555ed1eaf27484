//! Tabulates what mzML files hold, one row a trace, in file order.

use serde::Serialize;
use spotwright_domain::trace::{Polarity, Trace, TraceKind, TraceProblem};
use spotwright_mzml::{ReadError, ReadOptions, read_traces};
use std::fs::File;
use std::path::{Path, PathBuf};

/// One trace, summed up. Times are minutes.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TraceRow {
    /// The file, as it was named.
    pub file: String,
    /// Position in the file, from 0.
    pub index: usize,
    /// The file's id for the trace.
    pub id: String,
    /// What it records.
    pub kind: TraceKind,
    /// Polarity, when stated.
    pub polarity: Option<Polarity>,
    /// First mass filter (m/z), when stated.
    pub precursor_mz: Option<f64>,
    /// Second mass filter (m/z), when stated.
    pub product_mz: Option<f64>,
    /// Number of points.
    pub points: usize,
    /// First time in the file's order (min); `None`: no points.
    pub first_min: Option<f64>,
    /// Last time in the file's order (min); `None`: no points.
    pub last_min: Option<f64>,
    /// Sum of intensities.
    pub intensity_sum: f64,
    /// Largest intensity; `None`: no points.
    pub intensity_max: Option<f64>,
    /// Time of the first point with the largest intensity (min); `None`: no points.
    pub apex_min: Option<f64>,
    /// Area of the whole trace by the trapezoid rule (counts·s), nothing taken off.
    pub area_counts_s: f64,
    /// Oddities.
    pub problems: Vec<TraceProblem>,
}

/// Why a file could not be tabulated.
#[derive(Debug, thiserror::Error)]
pub enum TracesError {
    /// The file could not be opened.
    #[error("{}: cannot be opened: {source}", path.display())]
    Open {
        /// The file.
        path: PathBuf,
        /// The cause.
        source: std::io::Error,
    },
    /// The file is not what it should be.
    #[error("{}: {source}", path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// The cause.
        source: ReadError,
    },
}

/// Reads a file trace by trace and hands each row, with its trace, to `each`. Memory holds one trace at a time.
///
/// # Errors
/// When the file cannot be opened or is damaged; rows handed out before the damage stay valid.
pub fn tabulate(path: &Path, each: &mut dyn FnMut(TraceRow, &Trace)) -> Result<(), TracesError> {
    let open = |source| TracesError::Open {
        path: path.to_owned(),
        source,
    };
    let file = File::open(path).map_err(open)?;
    let name = path.display().to_string();
    for trace in read_traces(file, &ReadOptions::default()) {
        let trace = trace.map_err(|source| TracesError::Read {
            path: path.to_owned(),
            source,
        })?;
        each(row(&name, &trace), &trace);
    }
    Ok(())
}

fn row(file: &str, trace: &Trace) -> TraceRow {
    let apex = trace
        .intensity
        .iter()
        .enumerate()
        .fold(None, |best: Option<(usize, f64)>, (place, value)| {
            if best.is_none_or(|(_, highest)| *value > highest) {
                Some((place, *value))
            } else {
                best
            }
        });
    TraceRow {
        file: file.to_owned(),
        index: trace.index,
        id: trace.id.clone(),
        kind: trace.kind,
        polarity: trace.polarity,
        precursor_mz: trace.precursor.map(|window| window.target_mz),
        product_mz: trace.product.map(|window| window.target_mz),
        points: trace.len(),
        first_min: trace.time_min.first().copied(),
        last_min: trace.time_min.last().copied(),
        intensity_sum: trace.intensity.iter().sum(),
        intensity_max: apex.map(|(_, value)| value),
        apex_min: apex.map(|(place, _)| trace.time_min[place]),
        area_counts_s: trace.trapezoid_area_counts_s(),
        problems: trace.problems.clone(),
    }
}
