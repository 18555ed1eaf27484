//! What reading and measuring noticed, as reasons a bench chemist can act on.

use crate::words::trace_problem;
use spotwright_chromatogram::{MatchCase, MeasurementNote, ReferenceNote, TraceMatch};
use spotwright_domain::method::TransitionOf;
use spotwright_domain::reason::{Reason, ReasonCode, Severity};
use spotwright_domain::trace::{Trace, TraceProblem};

fn reason(code: ReasonCode, rule: &str, severity: Severity, text: String) -> Reason {
    Reason {
        code,
        rule: rule.to_owned(),
        severity,
        measured: None,
        limit: None,
        unit: String::new(),
        text,
    }
}

/// A trace file that cannot be used.
pub(crate) fn unreadable(file: &str, why: &str) -> Reason {
    let why = why.trim_end_matches('.');
    let text = format!("traces/{file} cannot be used: {why}. Transfer the file again from the instrument");
    reason(ReasonCode::TraceFileUnreadable, "DI-18", Severity::Reject, text)
}

/// Oddities of the traces, said once for each kind and trace.
///
/// Each with the place of the trace in `traces`.
pub(crate) fn of_traces(traces: &[Trace]) -> Vec<(usize, Reason)> {
    let places = traces.iter().enumerate();
    let problems =
        places.flat_map(|(place, trace)| trace.problems.iter().map(move |problem| (place, trace, problem)));
    problems
        .map(|(place, trace, problem)| (place, of_problem(trace, problem)))
        .collect()
}

fn of_problem(trace: &Trace, problem: &TraceProblem) -> Reason {
    let what = trace_problem(problem);
    // A reader that had to assume the unit of time, or found time running backwards, may have misread the peak.
    let severity = match problem {
        TraceProblem::UnsortedTimes { .. } | TraceProblem::TimeUnitMissing | TraceProblem::Empty => {
            Severity::Comment
        }
        _ => Severity::Note,
    };
    let text = format!("Trace {} ({}) {what}", trace.index, trace.id);
    reason(ReasonCode::TraceProblem, "DI-05", severity, text)
}

/// How transitions found their traces.
pub(crate) fn of_matches(matches: &[TraceMatch], transitions: &[TransitionOf]) -> Vec<Reason> {
    let pairs = matches.iter().zip(transitions);
    let uncovered: Vec<&TransitionOf> = pairs
        .clone()
        .filter(|(found, _)| matches!(found.case, MatchCase::NoneCoversExpectedTime { .. }))
        .map(|(_, of)| of)
        .collect();
    pairs
        .filter_map(|(found, of)| match &found.case {
            MatchCase::Single | MatchCase::NoneCoversExpectedTime { .. } => None,
            MatchCase::ChosenFromSeveral { others } => {
                let several = others.len() != 1;
                let text = format!(
                    "{} further trace{} of this file record{} {}; the one that covers the expected time with most points was used",
                    others.len(),
                    if several { "s" } else { "" },
                    if several { "" } else { "s" },
                    of.name
                );
                Some(reason(ReasonCode::TraceProblem, "DI-05", Severity::Comment, text))
            }
            MatchCase::Absent => {
                let text = format!(
                    "The file holds no trace of {} ({:.1} → {:.1}); check that the instrument method and the method file agree",
                    of.name, of.transition.precursor_mz, of.transition.product_mz
                );
                Some(reason(ReasonCode::TraceMissing, "DI-18", Severity::Comment, text))
            }
        })
        .chain(not_covered(&uncovered))
        .collect()
}

/// One reason for all transitions whose traces end before, or begin after, the expected time.
fn not_covered(transitions: &[&TransitionOf]) -> Option<Reason> {
    let named: Vec<String> = transitions
        .iter()
        .take(3)
        .map(|of| format!("{} ({:.2} min)", of.name, of.retention_time_min))
        .collect();
    if named.is_empty() {
        return None;
    }
    let more = match transitions.len() - named.len() {
        0 => String::new(),
        n => format!(" and of {n} more"),
    };
    let text = format!(
        "No trace covers the expected time of {}{more}; check the acquisition window",
        named.join(", ")
    );
    Some(reason(ReasonCode::TraceProblem, "PR-31", Severity::Comment, text))
}

/// What measuring noticed.
pub(crate) fn of_measurement(notes: &[MeasurementNote], transitions: &[TransitionOf]) -> Vec<Reason> {
    let name = |transition: usize| transitions.get(transition).map_or("?", |of| of.name.as_str());
    notes
        .iter()
        .filter_map(|note| match note {
            // The result itself says that its internal standard is absent, where one belongs.
            MeasurementNote::InternalStandardNotFound { .. } | MeasurementNote::NotAligned => None,
            MeasurementNote::ManualLimitsUnusable { transition } => {
                let text = format!(
                    "The limits set by hand for {} hold fewer than three points or nothing above their line; the automatic limits stand",
                    name(*transition)
                );
                Some(reason(ReasonCode::ManualIntegration, "M10-33", Severity::Comment, text))
            }
        })
        .collect()
}

/// What learning the run's retention, width and noise noticed.
pub(crate) fn of_reference(notes: &[ReferenceNote], transitions: &[TransitionOf]) -> Vec<Reason> {
    let name = |transition: usize| transitions.get(transition).map_or("?", |of| of.name.as_str());
    let say = |severity, text| reason(ReasonCode::RunReferenceUncertain, "EV-51", severity, text);
    notes
        .iter()
        .map(|note| match note {
            ReferenceNote::NothingFound { transition } => say(
                Severity::Comment,
                format!(
                    "No calibrator or control shows a peak of {}; retention and width were taken from the method or from a neighbour",
                    name(*transition)
                ),
            ),
            ReferenceNote::ShapeBorrowed { transition, from } => say(
                Severity::Note,
                format!("The width of {} was taken from {}, whose peaks are clearer", name(*transition), name(*from)),
            ),
            ReferenceNote::FewInjections { transition, found, of } => say(
                Severity::Note,
                format!("Only {found} of {of} calibrators and controls show a peak of {}", name(*transition)),
            ),
            ReferenceNote::RetentionUnlikeMethod { transition, found_min, method_min } => say(
                Severity::Comment,
                format!(
                    "{} elutes at {found_min:.3} min in this run, at {method_min:.3} min in the method; check column and gradient, then the method",
                    name(*transition)
                ),
            ),
            ReferenceNote::ShapeFitsPoorly { transition, residual_pct } => say(
                Severity::Note,
                format!(
                    "The peaks of {} are unlike an exponentially modified Gaussian by {residual_pct:.1} % of their height; their limits are approximate, and the same in every injection",
                    name(*transition)
                ),
            ),
            ReferenceNote::NoiseAssumed { transition } => say(
                Severity::Note,
                format!("How noise grows with signal could not be seen for {}; 2 % a point was assumed", name(*transition)),
            ),
        })
        .collect()
}
