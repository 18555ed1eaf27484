//! Why an act could not be carried out.

use crate::spool::SpoolError;
use spotwright_assay::JudgeError;
use spotwright_exchange::FormatProblem;
use std::path::PathBuf;

/// Why an act could not be carried out. A bad sample is never an error; see `spotwright_domain::reason`.
#[derive(Debug, thiserror::Error)]
pub enum WorkflowError {
    /// The day's files are not as they should be.
    #[error("{} problem{} in the day's files", .0.len(), if .0.len() == 1 { "" } else { "s" })]
    Day(Vec<FormatProblem>),
    /// A file could not be written or read.
    #[error("{}: {source}", path.display())]
    File {
        /// The file or folder.
        path: PathBuf,
        /// The cause.
        source: std::io::Error,
    },
    /// A run's temporary file failed.
    #[error(transparent)]
    Spool(#[from] SpoolError),
    /// A run cannot be judged at all.
    #[error(transparent)]
    Judge(#[from] JudgeError),
    /// There is no such result.
    #[error("there is no result {name:?} in this day; results are named run/order/analyte{nearest}")]
    NoSuchResult {
        /// What was asked for.
        name: String,
        /// A sentence with the nearest names, or nothing.
        nearest: String,
    },
    /// A kinetic model of the laboratory's own cannot be used.
    #[error("{}:\n  {}", path.display(), problems.join("\n  "))]
    Model {
        /// The file.
        path: PathBuf,
        /// Its problems, each with line and column.
        problems: Vec<String>,
    },
    /// The threads could not be started.
    #[error("worker threads could not be started: {0}")]
    Threads(String),
}
