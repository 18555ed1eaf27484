//! The closed lists of the domain in plain words.

use spotwright_domain::peak::{NoPeakReason, PeakFlag};
use spotwright_domain::record::{Acceptance, NextStep, ResultVerdict};
use spotwright_domain::trace::TraceProblem;

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

/// Why there is no peak, in words.
#[must_use]
pub fn no_peak(of: NoPeakReason) -> &'static str {
    match of {
        NoPeakReason::NothingAboveNoise => "nothing stands out of the noise",
        NoPeakReason::NothingAtExpectedTime => "peaks exist, none at the expected time",
        NoPeakReason::WindowOutsideTrace => "the expected time lies outside the recorded time",
        NoPeakReason::TooWide => "what stands there is far too wide for a peak of this run",
        NoPeakReason::TooFewPoints => "too few points to say anything",
        NoPeakReason::TraceAbsent => "the file holds no trace of this transition",
        NoPeakReason::FileUnreadable => "the trace file could not be read",
    }
}

/// A peak's flag in words.
#[must_use]
pub fn peak_flag(of: PeakFlag) -> &'static str {
    match of {
        PeakFlag::Saturated => "the detector was saturated",
        PeakFlag::Split => "the peak has two tops",
        PeakFlag::Shoulder => "the peak has a shoulder",
        PeakFlag::Overlapping => "another peak reaches into the limits",
        PeakFlag::SeveralInWindow => "several peaks stand in the window",
        PeakFlag::FewPoints => "few points across the peak",
        PeakFlag::AtTraceEnd => "the limits touch the end of the trace",
        PeakFlag::UnusuallyWide => "the peak is unusually wide",
        PeakFlag::NoiseNotMeasurable => "the noise could not be measured",
    }
}

/// What is odd about a trace, to follow the trace's name.
#[must_use]
pub fn trace_problem(of: &TraceProblem) -> String {
    let places = |n: usize| format!("{n} place{}", if n == 1 { "" } else { "s" });
    match of {
        TraceProblem::DuplicateId { first_index } => {
            format!("has the same id as trace {first_index} of the file; both were kept")
        }
        TraceProblem::DuplicateTransition { first_index } => {
            format!("records the same transition as trace {first_index} of the file; both were kept")
        }
        TraceProblem::UnsortedTimes { steps_back } => {
            format!("goes back in time at {}", places(*steps_back))
        }
        TraceProblem::RepeatedTimes { repeats } => format!("repeats a time at {}", places(*repeats)),
        TraceProblem::MergedSegments { segments } => format!("was merged from {segments} segments"),
        TraceProblem::ArrayNameContradictsAccession { accession, name } => {
            format!("calls an array {name:?} whose accession is {accession}; the accession was followed")
        }
        TraceProblem::IndexOutOfOrder { stated } => format!("calls itself number {stated}"),
        TraceProblem::CountMissing => "stands in a list without a count".to_owned(),
        TraceProblem::MoreThanCount { stated } => {
            format!("stands in a list that announces {stated} and holds more; all were kept")
        }
        TraceProblem::TimeUnitMissing => "states no unit of time; minutes were assumed".to_owned(),
        TraceProblem::Empty => "has no points".to_owned(),
        TraceProblem::NegativeIntensity { points } => {
            format!(
                "has {points} point{} below zero",
                if *points == 1 { "" } else { "s" }
            )
        }
        TraceProblem::Note { text } => format!("is odd: {text}"),
    }
}
