//! What one trace costs: an injection of 12 transitions of 450 points, two internal standards, no overlap.
//!
//! `cargo bench -p spotwright-chromatogram`; the items a second are traces.

use divan::Bencher;
use divan::counter::ItemsCount;
use spotwright_chromatogram::{Scratch, learn_reference, match_traces, measure_injection};
use spotwright_domain::method::{IntegrationSettings, Transition, TransitionOf, TransitionPart};
use spotwright_domain::trace::{IsolationWindow, Polarity, Trace, TraceKind};

fn main() {
    divan::main();
}

const TRANSITIONS: usize = 12;
const POINTS: usize = 450;

#[divan::bench(args = [5.0, 100.0, 3000.0])]
fn injection_of_12(bencher: Bencher, signal_to_noise: f64) {
    let transitions = transitions();
    let settings = IntegrationSettings::default();
    let run: Vec<Vec<Trace>> = (0..10).map(|k| injection(&transitions, 300.0, k)).collect();
    let slices: Vec<&[Trace]> = run.iter().map(Vec::as_slice).collect();
    let reference = learn_reference(&slices, &transitions, &settings);
    let traces = injection(&transitions, signal_to_noise, 99);
    let matches = match_traces(&traces, &transitions, settings.mz_tolerance);
    let mut scratch = Scratch::new();
    bencher.counter(ItemsCount::new(TRANSITIONS)).bench_local(|| {
        measure_injection(
            divan::black_box(&traces),
            &matches,
            &transitions,
            &reference,
            &settings,
            &[],
            &mut scratch,
        )
    });
}

#[divan::bench]
fn match_12(bencher: Bencher) {
    let transitions = transitions();
    let traces = injection(&transitions, 100.0, 99);
    bencher
        .counter(ItemsCount::new(TRANSITIONS))
        .bench_local(|| match_traces(divan::black_box(&traces), &transitions, 0.3));
}

#[divan::bench]
fn learn_from_10_injections(bencher: Bencher) {
    let transitions = transitions();
    let settings = IntegrationSettings::default();
    let run: Vec<Vec<Trace>> = (0..10).map(|k| injection(&transitions, 300.0, k)).collect();
    let slices: Vec<&[Trace]> = run.iter().map(Vec::as_slice).collect();
    bencher.bench_local(|| learn_reference(divan::black_box(&slices), &transitions, &settings));
}

fn transitions() -> Vec<TransitionOf> {
    (0..TRANSITIONS)
        .map(|k| TransitionOf {
            part: match k {
                0 | 1 => TransitionPart::InternalStandard { standard: k },
                _ if k % 2 == 0 => TransitionPart::Quantifier { analyte: k / 2 - 1 },
                _ => TransitionPart::Qualifier {
                    analyte: k / 2 - 1,
                    qualifier: 0,
                },
            },
            name: format!("transition {k}"),
            transition: Transition {
                precursor_mz: 300.0 + 10.0 * k as f64,
                product_mz: 90.0 + k as f64,
                polarity: Polarity::Positive,
            },
            retention_time_min: 1.5 + 0.1 * k as f64,
        })
        .collect()
}

/// Tailing peaks (two joined half Gaussians: any smooth peak will do here) over noise; 0.5 s a point.
fn injection(transitions: &[TransitionOf], signal_to_noise: f64, seed: u64) -> Vec<Trace> {
    let mut state = 0x9e37_79b9_u64 + 977 * seed;
    let mut noise = || {
        (0..4)
            .map(|_| {
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                (state >> 11) as f64 / (1u64 << 53) as f64 - 0.5
            })
            .sum::<f64>()
            * 3.0_f64.sqrt()
    };
    transitions
        .iter()
        .map(|of| {
            let apex = 60.0 * of.retention_time_min;
            let time_min: Vec<f64> = (0..POINTS).map(|i| 0.5 * i as f64 / 60.0).collect();
            let intensity = time_min
                .iter()
                .map(|t| {
                    let d = t * 60.0 - apex;
                    let sigma = if d < 0.0 { 1.9 } else { 2.4 };
                    let signal = 10.0 * signal_to_noise * libm::exp(-0.5 * d * d / (sigma * sigma));
                    50.0 + signal + (100.0 + signal + 1e-4 * signal * signal).sqrt() * noise()
                })
                .collect();
            let window = |target_mz| {
                Some(IsolationWindow {
                    target_mz,
                    lower_offset_mz: None,
                    upper_offset_mz: None,
                })
            };
            Trace {
                id: of.name.clone(),
                index: 0,
                kind: TraceKind::SelectedReactionMonitoring,
                polarity: Some(Polarity::Positive),
                precursor: window(of.transition.precursor_mz),
                product: window(of.transition.product_mz),
                dwell_s: None,
                time_min,
                intensity,
                problems: Vec::new(),
            }
        })
        .collect()
}
