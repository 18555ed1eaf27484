//! Which trace of a file belongs to which transition of the method.

use spotwright_domain::method::TransitionOf;
use spotwright_domain::trace::{Trace, TraceKind};

/// The trace of a transition.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TraceMatch {
    /// Position of the trace in the list of traces; `None`: the file holds none.
    pub trace: Option<usize>,
    /// How it was chosen.
    pub case: MatchCase,
}

/// How a trace was chosen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum MatchCase {
    /// One trace, and no other, records this transition.
    Single,
    /// Several traces record it (scheduled segments, or a transition entered twice): the one that covers the expected time with
    /// most points was taken.
    ChosenFromSeveral {
        /// Positions of the others.
        others: Vec<usize>,
    },
    /// Traces record it, none of them at the expected time; the one with most points was taken.
    NoneCoversExpectedTime {
        /// Positions of the others.
        others: Vec<usize>,
    },
    /// No trace records it.
    Absent,
}

/// Targets closer than this (m/z) count as the same transition when several traces compete.
const SAME_TARGET_MZ: f64 = 0.011;

/// Finds the trace of each transition: SRM, both targets within `mz_tolerance`, same polarity (a file that does not state the
/// polarity is believed), nearest in m/z. A trace that is nearer to another transition of the method is not taken.
///
/// The result stands in the order of `transitions`.
#[must_use]
pub fn match_traces(traces: &[Trace], transitions: &[TransitionOf], mz_tolerance: f64) -> Vec<TraceMatch> {
    // How near each trace is to the transition it is nearest to.
    let nearest: Vec<f64> = traces
        .iter()
        .map(|trace| {
            let distances = transitions
                .iter()
                .filter_map(|of| distance(trace, of, mz_tolerance));
            distances.fold(f64::INFINITY, f64::min)
        })
        .collect();
    let mut found: Vec<(f64, usize)> = Vec::new();
    transitions
        .iter()
        .map(|of| {
            found.clear();
            found.extend(
                traces
                    .iter()
                    .zip(&nearest)
                    .enumerate()
                    .filter_map(|(index, (trace, nearest))| {
                        let own = distance(trace, of, mz_tolerance)?;
                        (own <= nearest + SAME_TARGET_MZ).then_some((own, index))
                    }),
            );
            let least = found.iter().fold(f64::INFINITY, |least, (d, _)| least.min(*d));
            found.retain(|(d, _)| *d <= least + SAME_TARGET_MZ);
            choose(traces, &found, of.retention_time_min)
        })
        .collect()
}

fn choose(traces: &[Trace], found: &[(f64, usize)], expected_min: f64) -> TraceMatch {
    let covers = |index: usize| covers(&traces[index], expected_min);
    let best = found
        .iter()
        .map(|(_, index)| *index)
        // The first of equals: `max_by_key` keeps the last, so the position counts against.
        .max_by_key(|index| (covers(*index), traces[*index].len(), std::cmp::Reverse(*index)));
    let Some(best) = best else {
        return TraceMatch {
            trace: None,
            case: MatchCase::Absent,
        };
    };
    let others: Vec<usize> = found
        .iter()
        .map(|(_, index)| *index)
        .filter(|index| *index != best)
        .collect();
    let case = if !covers(best) {
        MatchCase::NoneCoversExpectedTime { others }
    } else if others.is_empty() {
        MatchCase::Single
    } else {
        MatchCase::ChosenFromSeveral { others }
    };
    TraceMatch {
        trace: Some(best),
        case,
    }
}

/// Whether the recorded time of the trace holds `time_min`; order of the points does not matter.
fn covers(trace: &Trace, time_min: f64) -> bool {
    trace.time_min.iter().any(|t| *t <= time_min) && trace.time_min.iter().rev().any(|t| *t >= time_min)
}

/// Sum of the two m/z distances of an SRM trace when both are within tolerance and the polarity agrees.
fn distance(trace: &Trace, of: &TransitionOf, tolerance: f64) -> Option<f64> {
    if trace.kind != TraceKind::SelectedReactionMonitoring
        || trace
            .polarity
            .is_some_and(|polarity| polarity != of.transition.polarity)
    {
        return None;
    }
    let (precursor, product) = (trace.precursor?.target_mz, trace.product?.target_mz);
    let first = (precursor - of.transition.precursor_mz).abs();
    let second = (product - of.transition.product_mz).abs();
    (first <= tolerance && second <= tolerance).then_some(first + second)
}
