//! Why a day could not be simulated.

use spotwright_domain::identifier::IdentifierError;
use std::path::PathBuf;

/// Why a day could not be simulated or written.
#[derive(Debug, thiserror::Error)]
pub enum SimulateError {
    /// The run is too small to hold blanks, calibrators, controls and samples.
    #[error("a run of this panel needs at least {least} injections, {found} were asked for")]
    TooFewInjections {
        /// Injections asked for.
        found: usize,
        /// Injections the panel needs.
        least: usize,
    },
    /// The folder holds something that is not a simulated day.
    #[error("{} is not empty and holds no {marker}: refusing to write over what may be real data", folder.display())]
    FolderInUse {
        /// The folder.
        folder: PathBuf,
        /// The file that marks a simulated day.
        marker: &'static str,
    },
    /// The folder has no name or no parent to write beside.
    #[error("{} is not a folder a day can be written to", folder.display())]
    FolderWithoutName {
        /// The folder.
        folder: PathBuf,
    },
    /// A fault asks for an analyte the panel does not have.
    #[error("the fault names analyte {found}, the panel has {analytes} (counted from 0)")]
    NoSuchAnalyte {
        /// The index asked for.
        found: usize,
        /// How many analytes the panel has.
        analytes: usize,
    },
    /// No sample is left that a fault could meet.
    #[error("no sample of the run is left to plant {fault} in")]
    NoPlaceForFault {
        /// The fault.
        fault: &'static str,
    },
    /// A number of the plan is outside its range.
    #[error("{what} is {found}: expected {expected}")]
    OutsideRange {
        /// What it is.
        what: &'static str,
        /// What was given.
        found: String,
        /// What is allowed.
        expected: &'static str,
    },
    /// A card layout's text is not one.
    #[error("layout {name}: {problem}")]
    Layout {
        /// The layout.
        name: &'static str,
        /// What is wrong with it.
        problem: String,
    },
    /// A name is no identifier.
    #[error("a generated name is no identifier: {0}")]
    Identifier(#[from] IdentifierError),
    /// A time cannot be written.
    #[error("a time of the plan cannot be written: {0}")]
    Time(#[from] jiff::Error),
    /// A file could not be written.
    #[error("cannot write {}: {source}", path.display())]
    Io {
        /// The file or folder.
        path: PathBuf,
        /// The cause.
        source: std::io::Error,
    },
    /// The truth could not be written as JSON.
    #[error("cannot write the truth: {0}")]
    Json(#[from] serde_json::Error),
}
