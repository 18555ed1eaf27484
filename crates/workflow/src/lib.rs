//! One file per act: check, measure, judge, explain, tabulate traces, fit a curve. Joins the rooms; computes no
//! science of its own.

pub mod check;
mod convert;
pub mod curve;
pub mod error;
pub mod explain;
mod explain_conversion;
pub mod interpret;
mod judged_run;
pub mod look;
mod measure;
mod memory;
pub mod noncompartmental;
mod notes;
mod output;
pub mod population;
pub mod run;
mod spool;
pub mod traces;
pub mod words;

pub use output::json::RESULTS_SCHEMA;

/// Version of the program, stamped on every result.
pub const PROGRAM_VERSION: &str = env!("CARGO_PKG_VERSION");
