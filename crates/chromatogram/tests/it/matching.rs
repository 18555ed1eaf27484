//! Which trace is which transition's.

use crate::synthetic::{Random, USUAL, record, transition};
use spotwright_chromatogram::{MatchCase, match_traces};
use spotwright_domain::method::{TransitionOf, TransitionPart};
use spotwright_domain::trace::{Polarity, Trace, TraceKind};

fn of(precursor: f64, product: f64, retention_min: f64) -> TransitionOf {
    transition(
        TransitionPart::Quantifier { analyte: 0 },
        precursor,
        product,
        retention_min,
    )
}

fn trace(precursor: f64, product: f64) -> Trace {
    record(&of(precursor, product, 2.0), USUAL, &[], &mut Random(1))
}

#[test]
fn nearest_of_both_targets_wins_and_order_in_the_file_does_not_matter() {
    let method = [
        of(822.5, 768.5, 2.0),
        of(822.5, 576.4, 2.0),
        of(822.8, 768.5, 2.0),
    ];
    let traces = [trace(822.79, 768.5), trace(822.5, 576.4), trace(822.52, 768.48)];
    let found: Vec<_> = match_traces(&traces, &method, 0.3)
        .into_iter()
        .map(|m| m.trace)
        .collect();
    assert_eq!(found, [Some(2), Some(1), Some(0)]);
}

#[test]
fn a_trace_of_another_transition_is_not_borrowed() {
    // The file lacks the first transition; the second lies within tolerance of it and is not taken for it.
    let method = [of(822.5, 768.5, 2.0), of(822.7, 768.5, 2.0)];
    let found = match_traces(&[trace(822.7, 768.5)], &method, 0.3);
    assert_eq!((found[0].trace, &found[0].case), (None, &MatchCase::Absent));
    assert_eq!((found[1].trace, &found[1].case), (Some(0), &MatchCase::Single));
}

#[test]
fn isomers_share_one_trace() {
    let method = [of(822.5, 768.5, 1.5), of(822.5, 768.5, 2.0)];
    let found = match_traces(&[trace(822.5, 768.5)], &method, 0.3);
    assert_eq!([found[0].trace, found[1].trace], [Some(0), Some(0)]);
}

#[test]
fn polarity_and_kind_decide_and_an_unstated_polarity_is_believed() {
    let method = [of(300.1, 100.1, 2.0)];
    let negative = Trace {
        polarity: Some(Polarity::Negative),
        ..trace(300.1, 100.1)
    };
    let unstated = Trace {
        polarity: None,
        ..trace(300.1, 100.1)
    };
    let current = Trace {
        kind: TraceKind::SelectedIonMonitoring,
        ..trace(300.1, 100.1)
    };
    let without = Trace {
        product: None,
        ..trace(300.1, 100.1)
    };
    let traces = [negative, current, without];
    assert_eq!(match_traces(&traces, &method, 0.3)[0].trace, None);
    assert_eq!(
        match_traces(&[traces[0].clone(), unstated], &method, 0.3)[0].trace,
        Some(1)
    );
}

#[test]
fn of_scheduled_segments_the_one_at_the_expected_time_is_taken() {
    let method = [of(300.1, 100.1, 2.0)];
    let segment = |first: usize, last: usize| {
        let whole = trace(300.1, 100.1);
        Trace {
            time_min: whole.time_min[first..last].to_vec(),
            intensity: whole.intensity[first..last].to_vec(),
            ..whole
        }
    };
    // The recording starts at 1 min, 0.5 s a point: 2 min is point 120.
    let traces = [segment(200, 450), segment(80, 180), segment(100, 140)];
    let found = match_traces(&traces, &method, 0.3);
    assert_eq!(found[0].trace, Some(1));
    assert_eq!(found[0].case, MatchCase::ChosenFromSeveral { others: vec![0, 2] });
    let late = match_traces(&traces[..1], &method, 0.3);
    assert_eq!(late[0].case, MatchCase::NoneCoversExpectedTime { others: vec![] });
    assert_eq!(match_traces(&[], &method, 0.3)[0].case, MatchCase::Absent);
}
