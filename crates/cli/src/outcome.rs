//! How the program ended, as an exit code.

use std::process::ExitCode;

/// How a command ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Outcome {
    /// Done; where there was something to judge, it was accepted.
    Accepted,
    /// The computer failed: disk, memory.
    Failed,
    /// Done, but at least one analyte of a run is rejected.
    Rejected,
    /// The input is wrong.
    BadInput,
}

impl From<Outcome> for ExitCode {
    fn from(outcome: Outcome) -> Self {
        // 2 belongs to the argument parser.
        Self::from(match outcome {
            Outcome::Accepted => 0,
            Outcome::Failed => 1,
            Outcome::Rejected => 3,
            Outcome::BadInput => 4,
        })
    }
}
