//! Verdicts in plain words.

use spotwright_domain::record::{Acceptance, NextStep, ResultVerdict};

/// An acceptance in words.
#[must_use]
pub fn acceptance(of: Acceptance) -> &'static str {
    match of {
        Acceptance::Accepted => "accepted",
        Acceptance::AcceptedWithComment => "accepted with comment",
        Acceptance::Rejected => "rejected",
    }
}

/// A verdict in words.
#[must_use]
pub fn verdict(of: ResultVerdict) -> &'static str {
    match of {
        ResultVerdict::Reportable => "may be reported after review",
        ResultVerdict::ReportableWithComment => "may be reported with comment, after review",
        ResultVerdict::NotReportable => "must not be reported",
        ResultVerdict::NotApplicable => "nothing to report",
    }
}

/// A next step in words.
#[must_use]
pub fn next_step(of: NextStep) -> &'static str {
    match of {
        NextStep::Report => "report after review",
        NextStep::Review => "look at the evidence and decide",
        NextStep::Repeat => "measure again",
        NextStep::Dilute => "measure a diluted extract",
        NextStep::SecondSpot => "measure another spot of the card",
        NextStep::Refuse => "ask for a new card",
        NextStep::None => "nothing",
    }
}
