//! What a laboratory meets: decoys, late eluters, split and overlapping peaks, ceilings, thresholds, edges, hands.

use crate::synthetic::{Random, Recording, TruePeak, USUAL, record, transition};
use spotwright_chromatogram::{
    InjectionMeasurement, ManualLimits, MeasurementNote, PeakShape, RunReference, Scratch,
    TransitionReference, learn_reference, match_traces, measure_injection,
};
use spotwright_domain::method::{IntegrationSettings, TransitionOf, TransitionPart};
use spotwright_domain::peak::{Integration, NoPeak, NoPeakReason, Peak, PeakFlag, PeakOutcome};
use spotwright_domain::trace::Trace;

const SIGMA: f64 = 1.9;
const TAU: f64 = 1.0;

/// Internal standard at 2.50 min, analyte at 2.52 min; white noise 10 counts.
fn transitions() -> Vec<TransitionOf> {
    vec![
        transition(TransitionPart::InternalStandard { standard: 0 }, 310.2, 95.1, 2.5),
        transition(TransitionPart::Quantifier { analyte: 0 }, 307.2, 92.1, 2.52),
    ]
}

fn settings() -> IntegrationSettings {
    IntegrationSettings::default()
}

/// A peak of this height with its apex at this time (min), `wide` times as wide as the run's.
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

fn reference() -> RunReference {
    let of = transitions();
    let injections: Vec<Vec<Trace>> = (0..10)
        .map(|k| {
            let random = &mut Random(40 + k);
            vec![
                record(&of[0], USUAL, &[peak(2.5, 4000.0, 1.0)], random),
                record(
                    &of[1],
                    USUAL,
                    &[peak(2.52, 200.0 + 600.0 * k as f64, 1.0)],
                    random,
                ),
            ]
        })
        .collect();
    let slices: Vec<&[Trace]> = injections.iter().map(Vec::as_slice).collect();
    learn_reference(&slices, &of, &settings())
}

fn traces(standard: &[TruePeak], analyte: &[TruePeak], recording: Recording) -> Vec<Trace> {
    let (of, random) = (transitions(), &mut Random(7));
    vec![
        record(&of[0], recording, standard, random),
        record(&of[1], recording, analyte, random),
    ]
}

fn measure_with(traces: &[Trace], reference: &RunReference, manual: &[ManualLimits]) -> InjectionMeasurement {
    let of = transitions();
    let matches = match_traces(traces, &of, 0.3);
    measure_injection(
        traces,
        &matches,
        &of,
        reference,
        &settings(),
        manual,
        &mut Scratch::new(),
    )
}

fn measure(standard: &[TruePeak], analyte: &[TruePeak]) -> InjectionMeasurement {
    measure_with(&traces(standard, analyte, USUAL), &reference(), &[])
}

fn found(measured: &InjectionMeasurement, index: usize) -> &Peak {
    measured.transitions[index]
        .peak
        .found()
        .unwrap_or_else(|| panic!("no peak: {measured:?}"))
}

fn not_found(measured: &InjectionMeasurement, index: usize) -> &NoPeak {
    match &measured.transitions[index].peak {
        PeakOutcome::NotFound(none) => none,
        PeakOutcome::Found(peak) => panic!("a peak: {peak:?}"),
    }
}

fn is_near(peak: &Peak, truth: f64) -> bool {
    (peak.area_counts_s - truth).abs() < 4.0 * peak.area_standard_uncertainty_counts_s
}

const STANDARD: f64 = 4000.0;

#[test]
fn a_noise_free_gaussian_has_the_textbook_figures() {
    // Ph. Eur. 2.2.46: symmetry 1, plates 5.54·(tR/w)²; w½ = 2.3548 σ; area = height·σ·sqrt(2π).
    let of = transitions();
    let quiet = Recording {
        white: 0.0,
        counting: 0.0,
        flicker: 0.0,
        step_s: 0.1,
        points: 2000,
        ..USUAL
    };
    let truth = TruePeak {
        area: 10_000.0,
        centre_s: 150.0,
        sigma_s: 2.0,
        tau_s: 0.0,
    };
    let trace = [record(&of[0], quiet, &[truth], &mut Random(3))];
    let reference = RunReference {
        transitions: vec![TransitionReference::new(
            2.5,
            PeakShape::new(2.0, 0.0),
            &settings(),
        )],
        notes: Vec::new(),
    };
    let matches = match_traces(&trace, &of[..1], 0.3);
    let measured = measure_injection(
        &trace,
        &matches,
        &of[..1],
        &reference,
        &settings(),
        &[],
        &mut Scratch::new(),
    );
    let peak = found(&measured, 0);
    assert!(
        (peak.area_counts_s / 10_000.0 - 1.0).abs() < 2e-4,
        "area {}",
        peak.area_counts_s
    );
    assert!((peak.retention_time_min - 2.5).abs() < 1e-5);
    let height = 10_000.0 / (2.0 * (2.0 * std::f64::consts::PI).sqrt());
    assert!(
        (peak.height_counts / height - 1.0).abs() < 0.01,
        "height {}",
        peak.height_counts
    );
    let width = 2.0 * 2.354_820_045;
    assert!(
        (peak.width_half_height_s / width - 1.0).abs() < 0.02,
        "width {}",
        peak.width_half_height_s
    );
    assert!((peak.tailing_factor.unwrap() - 1.0).abs() < 0.01);
    assert!((peak.asymmetry.unwrap() - 1.0).abs() < 0.02);
    let plates = 5.54 * (150.0 / peak.width_half_height_s) * (150.0 / peak.width_half_height_s);
    assert!((peak.plates.unwrap() / plates - 1.0).abs() < 1e-6);
    assert_eq!(peak.integration, Integration::Sum);
}

#[test]
fn both_signal_to_noise_definitions_are_given() {
    let measured = measure(&[peak(2.5, STANDARD, 1.0)], &[peak(2.52, 1000.0, 1.0)]);
    let (rms, pharmacopoeia) = (
        found(&measured, 1).signal_to_noise,
        measured.transitions[1].signal_to_noise_pharmacopoeia.unwrap(),
    );
    assert!((85.0..118.0).contains(&rms), "height 1000 over noise 10: {rms}");
    // The range of some 90 normal values is about 5 standard deviations (order statistics): 2H/h is about 0.4 of H/rms.
    assert!(
        (0.28..0.55).contains(&(pharmacopoeia / rms)),
        "{pharmacopoeia} against {rms}"
    );
}

#[test]
fn the_tallest_peak_is_not_taken_for_the_analyte() {
    // A stranger twenty times as high stands 0.08 min away, within tolerance: the one at the relative retention is taken,
    // and the choice is flagged.
    let measured = measure(
        &[peak(2.5, STANDARD, 1.0)],
        &[peak(2.52, 500.0, 1.0), peak(2.72, 10_000.0, 1.0)],
    );
    let own = found(&measured, 1);
    assert!((own.retention_time_min - 2.52).abs() < 0.01 && is_near(own, peak(2.52, 500.0, 1.0).area));
    let rivals = measure(
        &[peak(2.5, STANDARD, 1.0)],
        &[peak(2.52, 500.0, 1.0), peak(2.60, 3000.0, 0.5)],
    );
    let own = found(&rivals, 1);
    assert!((own.retention_time_min - 2.52).abs() < 0.01);
    assert!(own.flags.contains(&PeakFlag::SeveralInWindow));
}

#[test]
fn retention_follows_the_internal_standard_of_the_same_injection() {
    // Everything 3 % late: 0.075 min. At the analyte's usual time stands a stranger.
    let late = 1.03;
    let measured = measure(
        &[peak(2.5 * late, STANDARD, 1.0)],
        &[peak(2.52 * late, 800.0, 1.0), peak(2.52 - 0.03, 1500.0, 1.0)],
    );
    let own = found(&measured, 1);
    assert!(
        (own.retention_time_min - 2.52 * late).abs() < 0.01,
        "taken at {}",
        own.retention_time_min
    );
    assert!((measured.transitions[1].expected_retention_min - 2.52 * late).abs() < 0.005);
    assert!((measured.alignment_shift_min.unwrap() - 0.075).abs() < 0.005);
    assert!((measured.transitions[0].expected_retention_min - 2.5).abs() < 0.005);
}

#[test]
fn a_taller_stranger_is_not_taken_for_the_internal_standard() {
    let measured = measure(
        &[peak(2.505, STANDARD, 1.0), peak(2.75, 40_000.0, 1.0)],
        &[peak(2.525, 800.0, 1.0)],
    );
    assert!((found(&measured, 0).retention_time_min - 2.505).abs() < 0.005);
    assert!((measured.alignment_shift_min.unwrap() - 0.005).abs() < 0.004);
}

#[test]
fn without_internal_standard_the_runs_retention_is_used_and_it_is_said() {
    let measured = measure(&[], &[peak(2.53, 800.0, 1.0)]);
    assert_eq!(measured.alignment_shift_min, None);
    assert!(
        measured
            .notes
            .contains(&MeasurementNote::InternalStandardNotFound { transition: 0 })
    );
    assert!(measured.notes.contains(&MeasurementNote::NotAligned));
    assert_eq!(not_found(&measured, 0).reason, NoPeakReason::NothingAboveNoise);
    assert!((found(&measured, 1).retention_time_min - 2.53).abs() < 0.005);
}

#[test]
fn in_a_blank_the_area_between_the_runs_limits_is_told_with_its_uncertainty() {
    let reference = reference();
    let (mut inside, mut squares) = (0, 0.0);
    for seed in 0..200 {
        let of = transitions();
        let random = &mut Random(900 + seed);
        let traces = vec![
            record(&of[0], USUAL, &[peak(2.5, STANDARD, 1.0)], random),
            record(&of[1], USUAL, &[], random),
        ];
        let measured = measure_with(&traces, &reference, &[]);
        let none = not_found(&measured, 1);
        assert_eq!(none.reason, NoPeakReason::NothingAboveNoise);
        let (area, u) = (
            none.residual_area_counts_s.unwrap(),
            none.residual_standard_uncertainty_counts_s.unwrap(),
        );
        inside += usize::from(area.abs() < 1.96 * u);
        squares += area * area / (u * u);
    }
    // 95 %, binomial standard deviation 1.5 % of 200.
    assert!((180..=198).contains(&inside), "{inside} of 200");
    assert!(
        (0.7..1.4).contains(&(squares / 200.0)),
        "mean square {}",
        squares / 200.0
    );
}

#[test]
fn a_late_eluter_is_not_the_analyte() {
    let measured = measure(&[peak(2.5, STANDARD, 1.0)], &[peak(2.54, 900.0, 3.5)]);
    let none = not_found(&measured, 1);
    assert_eq!(none.reason, NoPeakReason::TooWide);
    assert!((none.nearest_peak_min.unwrap() - 2.54).abs() < 0.03);
    // Beside the analyte it does not hide it.
    let measured = measure(
        &[peak(2.5, STANDARD, 1.0)],
        &[peak(2.52, 900.0, 1.0), peak(2.9, 600.0, 3.5)],
    );
    assert!((found(&measured, 1).retention_time_min - 2.52).abs() < 0.005);
}

#[test]
fn a_peak_away_from_the_expected_time_is_not_the_analyte() {
    let measured = measure(&[peak(2.5, STANDARD, 1.0)], &[peak(2.52 + 0.28, 900.0, 1.0)]);
    let none = not_found(&measured, 1);
    assert_eq!(none.reason, NoPeakReason::NothingAtExpectedTime);
    assert!((none.nearest_peak_min.unwrap() - 2.80).abs() < 0.01);
    let (area, u) = (
        none.residual_area_counts_s.unwrap(),
        none.residual_standard_uncertainty_counts_s.unwrap(),
    );
    assert!(
        area.abs() < 4.0 * u,
        "the stranger's area is not the blank's: {area} ± {u}"
    );
}

#[test]
fn a_bad_injection_splits_every_peak_and_both_halves_are_summed() {
    let halves = |apex: f64, height: f64| {
        [
            peak(apex - 0.06, 0.6 * height, 0.8),
            peak(apex + 0.06, 0.45 * height, 0.8),
        ]
    };
    let (standard, analyte) = (halves(2.5, STANDARD), halves(2.52, 1500.0));
    let measured = measure(&standard, &analyte);
    for (index, parts) in [(0, standard), (1, analyte)] {
        let own = found(&measured, index);
        assert!(own.flags.contains(&PeakFlag::Split), "{own:?}");
        assert_eq!(own.integration, Integration::Sum);
        let truth = parts[0].area + parts[1].area;
        assert!(
            (own.area_counts_s / truth - 1.0).abs() < 0.03,
            "{} of {truth}",
            own.area_counts_s
        );
    }
}

#[test]
fn overlapping_peaks_are_fitted_apart() {
    let own = peak(2.52, 1500.0, 1.0);
    for (distance_s, share) in [(6.5, 0.6), (6.5, 1.5), (8.0, 0.3), (-7.0, 0.8)] {
        let neighbour = peak(2.52 + distance_s / 60.0, 1500.0 * share, 1.0);
        let measured = measure(&[peak(2.5, STANDARD, 1.0)], &[own, neighbour]);
        let fitted = found(&measured, 1);
        assert!(
            fitted.flags.contains(&PeakFlag::Overlapping),
            "{distance_s} s: {fitted:?}"
        );
        assert_eq!(fitted.integration, Integration::Deconvolution { peaks: 2 });
        assert!(
            is_near(fitted, own.area),
            "{distance_s} s: {fitted:?} against {}",
            own.area
        );
        assert!((fitted.area_counts_s / own.area - 1.0).abs() < 0.05);
    }
}

#[test]
fn a_shoulder_is_seen_and_fitted_apart() {
    let own = peak(2.52, 3000.0, 1.0);
    let shoulder = peak(2.52 + 5.0 / 60.0, 700.0, 1.0);
    let measured = measure(&[peak(2.5, STANDARD, 1.0)], &[own, shoulder]);
    let fitted = found(&measured, 1);
    assert!(
        fitted.flags.contains(&PeakFlag::Shoulder) || fitted.flags.contains(&PeakFlag::Overlapping),
        "{fitted:?}"
    );
    assert!(
        (fitted.area_counts_s / own.area - 1.0).abs() < 0.05,
        "{fitted:?} against {}",
        own.area
    );
    let alone = measure(&[peak(2.5, STANDARD, 1.0)], &[own]);
    assert!(found(&alone, 1).flags.is_empty(), "{:?}", found(&alone, 1));
}

#[test]
fn a_flat_top_is_a_saturated_detector() {
    let mut traces = traces(&[peak(2.5, STANDARD, 1.0)], &[peak(2.52, 9000.0, 1.0)], USUAL);
    for y in &mut traces[1].intensity {
        *y = y.min(5000.0);
    }
    let measured = measure_with(&traces, &reference(), &[]);
    assert!(found(&measured, 1).flags.contains(&PeakFlag::Saturated));
    assert!(!found(&measured, 0).flags.contains(&PeakFlag::Saturated));
}

#[test]
fn a_wide_peak_at_the_right_time_is_taken_and_flagged() {
    let measured = measure(&[peak(2.5, STANDARD, 1.0)], &[peak(2.52, 2000.0, 1.75)]);
    assert!(found(&measured, 1).flags.contains(&PeakFlag::UnusuallyWide));
}

#[test]
fn a_baseline_cut_to_zero_has_no_noise_to_measure() {
    let mut traces = traces(&[peak(2.5, STANDARD, 1.0)], &[peak(2.52, 2000.0, 1.0)], USUAL);
    for y in &mut traces[1].intensity {
        // As an acquisition program cuts off what lies below a threshold.
        *y = if *y < 110.0 { 0.0 } else { *y };
    }
    let measured = measure_with(&traces, &reference(), &[]);
    let own = found(&measured, 1);
    assert!(own.flags.contains(&PeakFlag::NoiseNotMeasurable), "{own:?}");
    assert_eq!(measured.transitions[1].signal_to_noise_pharmacopoeia, None);
    // Noise lies below the smallest intensity kept: signal to noise is at least this.
    assert!((100.0..130.0).contains(&own.noise_counts), "{}", own.noise_counts);
    let empty = {
        let mut traces = traces.clone();
        traces[1].intensity.iter_mut().for_each(|y| *y = 0.0);
        measure_with(&traces, &reference(), &[])
    };
    let none = not_found(&empty, 1);
    assert_eq!(
        (none.reason, none.noise_counts),
        (NoPeakReason::NothingAboveNoise, None)
    );
    assert_eq!(none.residual_area_counts_s, Some(0.0));
}

#[test]
fn edges_of_the_recording_are_named() {
    let cut = |points: usize| {
        let mut traces = traces(&[peak(2.5, STANDARD, 1.0)], &[peak(2.52, 2000.0, 1.0)], USUAL);
        traces[1].time_min.truncate(points);
        traces[1].intensity.truncate(points);
        measure_with(&traces, &reference(), &[])
    };
    // The recording starts at 1 min, 0.5 s a point: the apex is point 182.
    assert!(found(&cut(190), 1).flags.contains(&PeakFlag::AtTraceEnd));
    assert_eq!(not_found(&cut(150), 1).reason, NoPeakReason::WindowOutsideTrace);
    assert_eq!(not_found(&cut(0), 1).reason, NoPeakReason::TooFewPoints);
    let mut absent = traces(&[peak(2.5, STANDARD, 1.0)], &[], USUAL);
    absent.truncate(1);
    assert_eq!(
        not_found(&measure_with(&absent, &reference(), &[]), 1).reason,
        NoPeakReason::TraceAbsent
    );
    let sparse = Recording {
        step_s: 2.5,
        points: 90,
        ..USUAL
    };
    let measured = measure_with(
        &traces(&[peak(2.5, STANDARD, 1.0)], &[peak(2.52, 2000.0, 1.0)], sparse),
        &reference(),
        &[],
    );
    assert!(found(&measured, 1).flags.contains(&PeakFlag::FewPoints));
}

#[test]
fn manual_limits_are_kept_beside_the_automatic_area() {
    let (own, reference) = (peak(2.52, 2000.0, 1.0), reference());
    let traces = traces(&[peak(2.5, STANDARD, 1.0)], &[own], USUAL);
    let limits = |start_min: f64, end_min: f64| ManualLimits {
        transition: 1,
        start_min,
        end_min,
        reason: "baseline drawn wrong".to_owned(),
        person: "analyst 2".to_owned(),
    };
    let automatic = measure_with(&traces, &reference, &[]);
    let measured = measure_with(&traces, &reference, &[limits(2.40, 2.70)]);
    let by_hand = found(&measured, 1);
    let Integration::Manual {
        reason,
        person,
        automatic_area_counts_s,
    } = &by_hand.integration
    else {
        panic!("{by_hand:?}")
    };
    assert_eq!(reason, "baseline drawn wrong");
    assert_eq!(person, "analyst 2");
    assert_eq!(*automatic_area_counts_s, Some(found(&automatic, 1).area_counts_s));
    assert!((by_hand.area_counts_s / own.area - 1.0).abs() < 0.02);
    // The limits are the person's, up to the recorded points.
    assert!((by_hand.start_min - 2.40).abs() < 0.009 && (by_hand.end_min - 2.70).abs() < 0.009);
    // Limits that hold nothing leave the automatic result and say so.
    let useless = measure_with(&traces, &reference, &[limits(2.7, 2.4)]);
    assert!(
        useless
            .notes
            .contains(&MeasurementNote::ManualLimitsUnusable { transition: 1 })
    );
    assert_eq!(useless.transitions, automatic.transitions);
}
