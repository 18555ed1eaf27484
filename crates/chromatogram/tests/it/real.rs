//! Real SRM traces: areas against a plain trapezoid over the same limits, and main peaks against the reference values that
//! stand beside the files (general libraries; see the README of the corpus).

use spotwright_chromatogram::{RunReference, Scratch, learn_reference, match_traces, measure_injection};
use spotwright_domain::method::{IntegrationSettings, Transition, TransitionOf, TransitionPart};
use spotwright_domain::peak::{Integration, PeakFlag};
use spotwright_domain::trace::{Polarity, Trace, TraceKind};
use std::path::Path;

/// One trace of the file as a method of its own: expected where the reference says the highest point is.
fn method(trace: &Trace, apex_min: f64) -> Option<[TransitionOf; 1]> {
    Some([TransitionOf {
        part: TransitionPart::Quantifier { analyte: 0 },
        name: trace.id.clone(),
        transition: Transition {
            precursor_mz: trace.precursor?.target_mz,
            product_mz: trace.product?.target_mz,
            polarity: trace.polarity.unwrap_or(Polarity::Positive),
        },
        retention_time_min: apex_min,
    }])
}

struct Tally {
    peaks: usize,
    alone: usize,
    largest_difference: f64,
    near_reference: usize,
}

/// Measures the main peak of every SRM trace whose highest point stands well above its median. `per_min`: time units of
/// the reference file in a minute.
fn check(path: &Path, per_min: f64) -> Tally {
    let bytes = std::fs::read(path).unwrap();
    let text = std::fs::read_to_string(path.with_extension("ref.json")).unwrap();
    let reference: serde_json::Value = serde_json::from_str(&text).unwrap();
    let file = spotwright_mzml::parse_bytes(
        &bytes,
        &Default::default(),
        &mut spotwright_mzml::Scratch::default(),
    )
    .unwrap();
    let mut tally = Tally {
        peaks: 0,
        alone: 0,
        largest_difference: 0.0,
        near_reference: 0,
    };
    for (trace, of) in file
        .traces
        .iter()
        .zip(reference["chromatograms"].as_array().unwrap())
    {
        let number = |key: &str| of[key].as_f64().unwrap_or(f64::NAN);
        let main = |key: &str| of["main_peak"][key].as_f64().unwrap_or(f64::NAN);
        let width_s = main("fwhm") / per_min * 60.0;
        let high = number("max_intensity") > 20.0 * number("median").max(1.0);
        if trace.kind != TraceKind::SelectedReactionMonitoring || !high || !(1.0..60.0).contains(&width_s) {
            continue;
        }
        let Some(transitions) = method(trace, number("apex_time") / per_min) else {
            continue;
        };
        let settings = IntegrationSettings {
            expected_width_s: width_s,
            search_half_width_min: 5.0 * width_s / 60.0,
            ..IntegrationSettings::default()
        };
        let traces = std::slice::from_ref(trace);
        let run: RunReference = learn_reference(&[traces], &transitions, &settings);
        let matches = match_traces(traces, &transitions, settings.mz_tolerance);
        let measured = measure_injection(
            traces,
            &matches,
            &transitions,
            &run,
            &settings,
            &[],
            &mut Scratch::new(),
        );
        let Some(peak) = measured.transitions[0].peak.found() else {
            panic!(
                "{}: no peak at {} min: {measured:?}",
                trace.id, transitions[0].retention_time_min
            )
        };
        if peak.integration != Integration::Sum {
            continue;
        }
        // The trapezoid of the points as recorded between the stated limits over the stated baseline, written plainly.
        let at = |t: f64| {
            let after = trace
                .time_min
                .partition_point(|v| *v < t)
                .clamp(1, trace.len() - 1);
            let (t0, t1) = (trace.time_min[after - 1], trace.time_min[after]);
            let (y0, y1) = (trace.intensity[after - 1], trace.intensity[after]);
            y0 + (y1 - y0) * (t - t0) / (t1 - t0)
        };
        let start = peak.start_min.max(trace.time_min[0]);
        let end = peak.end_min.min(trace.time_min[trace.len() - 1]);
        let mut points = vec![(start, at(start))];
        points.extend(
            trace
                .time_min
                .iter()
                .zip(&trace.intensity)
                .map(|(t, y)| (*t, *y))
                .filter(|(t, _)| *t > start && *t < end),
        );
        points.push((end, at(end)));
        let gross: f64 = points
            .windows(2)
            .map(|p| 30.0 * (p[1].0 - p[0].0) * (p[0].1 + p[1].1))
            .sum();
        let slope = (peak.baseline_end_counts - peak.baseline_start_counts) / (peak.end_min - peak.start_min);
        let level = |t: f64| peak.baseline_start_counts + slope * (t - peak.start_min);
        let net = gross - 30.0 * (end - start) * (level(start) + level(end));
        let difference = (peak.area_counts_s / net - 1.0).abs();
        assert!(
            difference < 0.02,
            "{}: area {} against {net}",
            trace.id,
            peak.area_counts_s
        );
        tally.largest_difference = tally.largest_difference.max(difference);
        tally.peaks += 1;
        // Their bounds lie at 5 % of the height and their baseline joins those points, which leaves out a part of every peak: a
        // Gaussian's whole area is 1.127 times theirs (erf and the line's trapezoid), a tailing peak's somewhat more. One
        // whose tail the run's limits cut may have less: bounds differ, so the comparison is loose on purpose.
        let theirs = main("area_linear_baseline") / per_min * 60.0;
        let clear = |flag: &PeakFlag| !matches!(flag, PeakFlag::Overlapping | PeakFlag::SeveralInWindow);
        if peak.flags.iter().all(clear) {
            tally.alone += 1;
            tally.near_reference += usize::from((0.95..1.3).contains(&(peak.area_counts_s / theirs)));
        }
    }
    tally
}

#[test]
fn peptide_transitions() {
    let corpus = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../corpus/mzml");
    let tally = check(&corpus.join("peptide_srm_18chrom.mzML"), 60.0);
    assert!(tally.peaks >= 10, "{} peaks", tally.peaks);
    assert!(tally.alone >= 3, "{} alone", tally.alone);
    assert!(
        10 * tally.near_reference >= 9 * tally.alone,
        "{} of {}",
        tally.near_reference,
        tally.alone
    );
    let tally = check(&corpus.join("mrm_3chrom_long.mzML"), 60.0);
    assert!(tally.peaks >= 2, "{} peaks", tally.peaks);
}

#[test]
fn small_molecule_transitions() {
    // GPL data: beside the repository when the reference collection is there.
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../../shared/data/mrm/srm_small_molecule_82chrom.mzML");
    if !path.exists() {
        println!("skipped: {} is not there", path.display());
        return;
    }
    let tally = check(&path, 1.0);
    assert!(tally.peaks >= 20, "{} peaks", tally.peaks);
    assert!(tally.alone >= 3, "{} alone", tally.alone);
    assert!(
        10 * tally.near_reference >= 9 * tally.alone,
        "{} of {}",
        tally.near_reference,
        tally.alone
    );
}
