//! What a run teaches about its own peaks, and that a bad injection does not spoil it.

use crate::synthetic::{Random, TruePeak, USUAL, record, transition};
use spotwright_chromatogram::{ReferenceNote, ReferenceOrigin, RunReference, learn_reference};
use spotwright_domain::method::{IntegrationSettings, TransitionOf, TransitionPart};
use spotwright_domain::trace::Trace;

const SIGMA: f64 = 2.2;
const TAU: f64 = 1.5;
/// Later than the method says.
const SHIFT: f64 = 1.02;

fn transitions() -> Vec<TransitionOf> {
    vec![
        transition(TransitionPart::InternalStandard { standard: 0 }, 310.2, 95.1, 2.5),
        transition(TransitionPart::Quantifier { analyte: 0 }, 307.2, 92.1, 2.6),
        transition(
            TransitionPart::Qualifier {
                analyte: 0,
                qualifier: 0,
            },
            307.2,
            64.1,
            2.6,
        ),
    ]
}

fn peak(apex_min: f64, height: f64, wide: f64) -> TruePeak {
    let unit = TruePeak {
        area: 1.0,
        centre_s: 0.0,
        sigma_s: SIGMA * wide,
        tau_s: TAU * wide,
    };
    let (lag, unit_height) = unit.apex();
    TruePeak {
        area: height / unit_height,
        centre_s: 60.0 * apex_min - lag,
        ..unit
    }
}

fn injection(height: f64, seed: u64) -> Vec<Trace> {
    let (of, random) = (transitions(), &mut Random(seed));
    let at = SHIFT * (1.0 + 0.004 * random.normal());
    vec![
        record(&of[0], USUAL, &[peak(2.5 * at, 4000.0, 1.0)], random),
        record(&of[1], USUAL, &[peak(2.6 * at, height, 1.0)], random),
        record(&of[2], USUAL, &[peak(2.6 * at, 0.01 * height, 1.0)], random),
    ]
}

fn run() -> Vec<Vec<Trace>> {
    [100.0, 200.0, 400.0, 800.0, 1500.0, 3000.0, 6000.0, 8000.0]
        .iter()
        .enumerate()
        .map(|(k, height)| injection(*height, 300 + k as u64))
        .collect()
}

fn learn(injections: &[Vec<Trace>]) -> RunReference {
    let slices: Vec<&[Trace]> = injections.iter().map(Vec::as_slice).collect();
    learn_reference(&slices, &transitions(), &IntegrationSettings::default())
}

/// Width, limits and retention of the second transition against the true peak.
fn check(reference: &RunReference, tolerance: f64) {
    let truth = spotwright_chromatogram::PeakShape::new(SIGMA, TAU);
    let of = &reference.transitions[1];
    assert!(
        (of.width_half_height_s() / truth.width_half_height_s() - 1.0).abs() < tolerance,
        "{of:?}"
    );
    let (left, right) = truth.distances_s(IntegrationSettings::default().limit_height_fraction);
    assert!(
        (of.left_limit_s / left - 1.0).abs() < 3.0 * tolerance,
        "{} against {left}",
        of.left_limit_s
    );
    assert!(
        (of.right_limit_s / right - 1.0).abs() < 5.0 * tolerance,
        "{} against {right}",
        of.right_limit_s
    );
    let ratio = of.retention_min / reference.transitions[0].retention_min;
    assert!((ratio - 2.6 / 2.5).abs() < 5e-4, "relative retention {ratio}");
}

#[test]
fn shape_limits_and_relative_retention_are_those_of_the_peaks() {
    let reference = learn(&run());
    check(&reference, 0.01);
    assert_eq!(reference.transitions[1].origin, ReferenceOrigin::Run);
    // Noise as recorded: variance equal to the counts, 1.5 % flicker.
    let noise = reference.transitions[1].noise;
    let (found, truth) = (noise.added_variance(3000.0, 0.0), 3000.0 + 0.015 * 0.015 * 9e6);
    assert!(
        (0.7..1.4).contains(&(found / truth)),
        "variance {found} against {truth}"
    );
    assert!((1.0..1.5).contains(&reference.transitions[1].empty_area_factor));
}

#[test]
fn too_weak_a_transition_borrows_the_shape_of_its_neighbour() {
    let reference = learn(&run());
    assert_eq!(
        reference.transitions[2].origin,
        ReferenceOrigin::Borrowed { from: 1 }
    );
    assert!(reference.notes.contains(&ReferenceNote::ShapeBorrowed {
        transition: 2,
        from: 1
    }));
}

#[test]
fn one_bad_injection_changes_little() {
    let good = learn(&run());
    let of = transitions();
    let random = &mut Random(77);
    let foreign = vec![
        record(&of[0], USUAL, &[peak(2.2, 3000.0, 3.0)], random),
        record(&of[1], USUAL, &[peak(2.4, 20_000.0, 2.5)], random),
        record(&of[2], USUAL, &[], random),
    ];
    let empty: Vec<Trace> = of.iter().map(|of| record(of, USUAL, &[], random)).collect();
    for bad in [foreign, empty, Vec::new()] {
        let mut injections = run();
        injections[5] = bad;
        let reference = learn(&injections);
        check(&reference, 0.015);
        let (a, b) = (
            reference.transitions[1].retention_min,
            good.transitions[1].retention_min,
        );
        assert!((a - b).abs() < 0.01, "{a} against {b}");
    }
}

#[test]
fn a_constant_stranger_nearby_is_not_learnt() {
    // In every injection something stands 0.14 min before the analyte, higher than most of its peaks.
    let of = transitions();
    let injections: Vec<Vec<Trace>> = run()
        .into_iter()
        .enumerate()
        .map(|(k, mut traces)| {
            let mut random = Random(500 + k as u64);
            let own = peak(2.6 * SHIFT, 300.0 * (k + 1) as f64, 1.0);
            traces[0] = record(&of[0], USUAL, &[peak(2.5 * SHIFT, 4000.0, 1.0)], &mut random);
            traces[1] = record(
                &of[1],
                USUAL,
                &[own, peak(2.46 * SHIFT, 5000.0, 1.0)],
                &mut random,
            );
            traces
        })
        .collect();
    let reference = learn(&injections);
    let ratio = reference.transitions[1].retention_min / reference.transitions[0].retention_min;
    assert!((ratio - 2.6 / 2.5).abs() < 3e-3, "relative retention {ratio}");
}

#[test]
fn nothing_at_all_leaves_the_methods_values_and_says_so() {
    let method = transitions();
    let nothing = learn_reference(&[], &method, &IntegrationSettings::default());
    for (index, (of, method)) in nothing.transitions.iter().zip(&method).enumerate() {
        assert_eq!(of.origin, ReferenceOrigin::Method);
        assert!((of.retention_min - method.retention_time_min).abs() < 1e-12);
        assert!(
            (of.width_half_height_s() / IntegrationSettings::default().expected_width_s - 1.0).abs() < 1e-6
        );
        assert!(
            nothing
                .notes
                .contains(&ReferenceNote::NothingFound { transition: index })
        );
    }
}

#[test]
fn a_reference_survives_storage_bit_for_bit_and_learning_repeats() {
    let (one, two) = (learn(&run()), learn(&run()));
    assert_eq!(one, two);
    let text = serde_json::to_string(&one).unwrap();
    let back: RunReference = serde_json::from_str(&text).unwrap();
    assert_eq!(back, one);
    assert_eq!(serde_json::to_string(&back).unwrap(), text);
}
