//! What holds for every trace.

use crate::synthetic::{Random, Recording, TruePeak, USUAL, record, transition};
use proptest::prelude::*;
use spotwright_chromatogram::{
    InjectionMeasurement, ManualLimits, NoiseModel, PeakShape, RunReference, Scratch, TransitionReference,
    learn_reference, match_traces, measure_injection,
};
use spotwright_domain::method::{IntegrationSettings, TransitionOf, TransitionPart};
use spotwright_domain::peak::PeakOutcome;
use spotwright_domain::trace::Trace;

fn transitions() -> Vec<TransitionOf> {
    vec![
        transition(TransitionPart::InternalStandard { standard: 0 }, 310.2, 95.1, 2.5),
        transition(TransitionPart::Quantifier { analyte: 0 }, 307.2, 92.1, 2.52),
    ]
}

fn reference(scale: f64, shift_min: f64) -> RunReference {
    let of = |retention_min: f64| {
        let mut of = TransitionReference::new(
            retention_min,
            PeakShape::new(1.9, 1.0),
            &IntegrationSettings::default(),
        );
        of.noise = NoiseModel {
            counting_counts: 1.2 * scale,
            flicker: 0.01,
        };
        of.retention_tolerance_min = 0.1;
        of
    };
    RunReference {
        transitions: vec![of(2.5 + shift_min), of(2.52 + shift_min)],
        notes: Vec::new(),
    }
}

fn measure(traces: &[Trace], reference: &RunReference, scratch: &mut Scratch) -> InjectionMeasurement {
    let of = transitions();
    let matches = match_traces(traces, &of, 0.3);
    measure_injection(
        traces,
        &matches,
        &of,
        reference,
        &IntegrationSettings::default(),
        &[],
        scratch,
    )
}

/// Every number of the measurement; panics on one that is not finite.
fn numbers(measured: &InjectionMeasurement) -> Vec<f64> {
    let mut all: Vec<f64> = measured.alignment_shift_min.into_iter().collect();
    for of in &measured.transitions {
        all.push(of.expected_retention_min);
        all.extend(of.signal_to_noise_pharmacopoeia);
        match &of.peak {
            PeakOutcome::Found(p) => all.extend(
                [
                    p.area_counts_s,
                    p.area_standard_uncertainty_counts_s,
                    p.height_counts,
                    p.height_standard_uncertainty_counts,
                    p.retention_time_min,
                    p.signal_to_noise,
                    p.noise_counts,
                    p.width_half_height_s,
                    p.start_min,
                    p.end_min,
                    p.baseline_start_counts,
                    p.baseline_end_counts,
                ]
                .into_iter()
                .chain([p.tailing_factor, p.asymmetry, p.plates].into_iter().flatten()),
            ),
            PeakOutcome::NotFound(n) => all.extend(
                [
                    n.residual_area_counts_s,
                    n.residual_standard_uncertainty_counts_s,
                    n.noise_counts,
                    n.nearest_peak_min,
                ]
                .into_iter()
                .flatten(),
            ),
        }
    }
    assert!(all.iter().all(|v| v.is_finite()), "{measured:?}");
    all
}

fn any_value() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => -10.0..1e6f64,
        2 => Just(0.0),
        1 => prop_oneof![Just(f64::NAN), Just(f64::INFINITY), Just(1e308), Just(-1e308), Just(5e-324), Just(1e29)],
    ]
}

fn any_time() -> impl Strategy<Value = f64> {
    prop_oneof![
        8 => 1.5..3.5f64,
        1 => prop_oneof![Just(2.5), Just(2.52), Just(f64::NAN), Just(-1e300), Just(0.0), Just(1e9)],
    ]
}

fn blank_trace(index: usize, points: Vec<(f64, f64)>) -> Trace {
    let (time_min, intensity) = points.into_iter().unzip();
    let empty = Recording { points: 0, ..USUAL };
    Trace {
        time_min,
        intensity,
        ..record(&transitions()[index], empty, &[], &mut Random(0))
    }
}

/// A simulated injection: shift of retention (s), heights, neighbour's distance (s).
fn simulated(shift_s: f64, heights: [f64; 2], neighbour_s: f64, seed: u64) -> Vec<Trace> {
    let (of, random) = (transitions(), &mut Random(seed));
    let peak = |apex_s: f64, height: f64| TruePeak {
        area: height * 5.5,
        centre_s: apex_s + shift_s - 0.6,
        sigma_s: 1.9,
        tau_s: 1.0,
    };
    vec![
        record(&of[0], USUAL, &[peak(150.0, heights[0])], random),
        record(
            &of[1],
            USUAL,
            &[
                peak(151.2, heights[1]),
                peak(151.2 + neighbour_s, 0.5 * heights[1]),
            ],
            random,
        ),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_trace_makes_a_panic_or_a_number_that_is_none(
        standard in prop::collection::vec((any_time(), any_value()), 0..120),
        analyte in prop::collection::vec((any_time(), any_value()), 0..120),
        sorted in any::<bool>(),
        hand in (any_time(), any_time()),
    ) {
        let mut pairs = [standard, analyte];
        if sorted {
            for points in &mut pairs {
                points.sort_by(|a, b| a.0.total_cmp(&b.0));
            }
        }
        let [standard, analyte] = pairs;
        let traces = [blank_trace(0, standard), blank_trace(1, analyte)];
        numbers(&measure(&traces, &reference(1.0, 0.0), &mut Scratch::new()));
        let (of, settings) = (transitions(), IntegrationSettings::default());
        let learnt = learn_reference(&[&traces, &traces[..1], &[]], &of, &settings);
        let matches = match_traces(&traces, &of, 0.3);
        let manual = [ManualLimits {
            transition: 1,
            start_min: hand.0,
            end_min: hand.1,
            reason: "test".to_owned(),
            person: "test".to_owned(),
        }];
        numbers(&measure_injection(&traces, &matches, &of, &learnt, &settings, &manual, &mut Scratch::new()));
    }

    #[test]
    fn buffers_carry_nothing_over(
        first in 0u64..1000,
        second in 0u64..1000,
        neighbour_s in -15.0..15.0f64,
    ) {
        let reference = reference(1.0, 0.0);
        let traces = simulated(0.0, [4000.0, 700.0], neighbour_s, second);
        let fresh = measure(&traces, &reference, &mut Scratch::new());
        let mut used = Scratch::new();
        measure(&simulated(3.0, [1e5, 30.0], 4.0, first), &reference, &mut used);
        prop_assert_eq!(measure(&traces, &reference, &mut used), fresh);
    }

    #[test]
    fn areas_scale_with_the_intensities(
        seed in 0u64..1000,
        height in 30.0..50_000.0f64,
        power in -8i32..20,
        neighbour_s in -20.0..20.0f64,
    ) {
        // A power of two scales every intermediate exactly, fits aside.
        let scale = libm::exp2(f64::from(power));
        let traces = simulated(1.0, [4000.0, height], neighbour_s, seed);
        let scaled: Vec<Trace> = traces
            .iter()
            .map(|t| Trace { intensity: t.intensity.iter().map(|y| y * scale).collect(), ..t.clone() })
            .collect();
        let (one, other) = (
            measure(&traces, &reference(1.0, 0.0), &mut Scratch::new()),
            measure(&scaled, &reference(scale, 0.0), &mut Scratch::new()),
        );
        for (a, b) in one.transitions.iter().zip(&other.transitions) {
            match (&a.peak, &b.peak) {
                (PeakOutcome::Found(a), PeakOutcome::Found(b)) => {
                    prop_assert!((b.area_counts_s / scale / a.area_counts_s - 1.0).abs() < 1e-6);
                    let u = b.area_standard_uncertainty_counts_s / scale;
                    prop_assert!((u / a.area_standard_uncertainty_counts_s - 1.0).abs() < 1e-6);
                    prop_assert!((a.retention_time_min - b.retention_time_min).abs() < 1e-9);
                    prop_assert_eq!(&a.flags, &b.flags);
                }
                (PeakOutcome::NotFound(a), PeakOutcome::NotFound(b)) => prop_assert_eq!(a.reason, b.reason),
                (a, b) => prop_assert!(false, "{:?} against {:?}", a, b),
            }
        }
    }

    #[test]
    fn a_later_clock_changes_nothing_but_the_clock(
        seed in 0u64..1000,
        height in 30.0..50_000.0f64,
        later_min in prop_oneof![Just(1.0), Just(0.25), Just(8.0), Just(-0.5)],
    ) {
        // Without internal standard: relative retention belongs to the clock of the method.
        let traces = [
            blank_trace(0, Vec::new()),
            simulated(0.5, [0.0, height], 60.0, seed).remove(1),
        ];
        let moved: Vec<Trace> = traces
            .iter()
            .map(|t| Trace { time_min: t.time_min.iter().map(|t| t + later_min).collect(), ..t.clone() })
            .collect();
        let (one, other) = (
            measure(&traces, &reference(1.0, 0.0), &mut Scratch::new()),
            measure(&moved, &reference(1.0, later_min), &mut Scratch::new()),
        );
        match (&one.transitions[1].peak, &other.transitions[1].peak) {
            (PeakOutcome::Found(a), PeakOutcome::Found(b)) => {
                prop_assert!((a.area_counts_s / b.area_counts_s - 1.0).abs() < 1e-6);
                prop_assert!((b.retention_time_min - a.retention_time_min - later_min).abs() < 1e-7);
                prop_assert_eq!(&a.flags, &b.flags);
            }
            (a, b) => prop_assert_eq!(a.found().is_some(), b.found().is_some()),
        }
    }
}
