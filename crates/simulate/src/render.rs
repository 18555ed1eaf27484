//! From areas to recorded points: peaks sampled at the detector's clock, baseline, noise, ceiling.

use crate::line::Line;
use crate::panel::Panel;
use crate::physics::TransitionState;
use crate::plan::RunPlan;
use crate::random::{Purpose, Stream};
use spotwright_domain::method::TransitionOf;
use spotwright_domain::trace::{IsolationWindow, Trace, TraceKind};

/// Length of a trace (min).
const LENGTH_MIN: f64 = 3.0;
/// Seconds from one point of a transition to its next.
const CYCLE_S: f64 = 0.42;
/// Pause between two transitions (s).
const PAUSE_S: f64 = 0.005;
/// Ticks of the detector's clock in a minute (2²²: 14 µs).
const TICKS_PER_MIN: f64 = 4_194_304.0;
/// Pointwise flicker of the signal (share).
const FLICKER: f64 = 0.01;
/// Slow wander of the baseline as a share of its noise.
const WANDER: f64 = 0.3;
/// Where unretained matrix passes (min), its width (s) and its height in baseline noises.
const FRONT_MIN: f64 = 0.34;
const FRONT_SIGMA_S: f64 = 2.4;
const FRONT_IN_NOISES: f64 = 12.0;

/// Every trace of an injection, in the method's order of transitions.
pub(crate) fn traces(panel: &Panel, plan: &RunPlan, line: &Line, states: &[TransitionState]) -> Vec<Trace> {
    let mut stream = Stream::new(
        plan.seed,
        plan.number,
        Purpose::Noise,
        u64::from(line.injection.order),
    );
    let transitions = panel.method.transitions();
    let mut traces = Vec::with_capacity(transitions.len());
    for (index, (of, state)) in transitions.iter().zip(states).enumerate() {
        // Drawn even when it is not kept, so that a missing trace changes nothing in its neighbours.
        let trace = trace(panel, of, state, index, transitions.len(), &mut stream);
        if line.effects.missing_transition != Some(index) {
            traces.push(Trace {
                index: traces.len(),
                ..trace
            });
        }
    }
    traces
}

/// The times (min) of a transition's points.
pub(crate) fn times_min(index: usize, transitions: usize) -> Vec<f64> {
    let points = (LENGTH_MIN * 60.0 / CYCLE_S) as usize;
    let offset_s = CYCLE_S * index as f64 / transitions as f64;
    (0..points)
        .map(|point| ((point as f64 * CYCLE_S + offset_s) / 60.0 * TICKS_PER_MIN).round() / TICKS_PER_MIN)
        .collect()
}

/// Adds the noise-free peaks of a transition to a signal; `foreign`: those that are not the compound, too.
pub(crate) fn add_peaks(state: &TransitionState, foreign: bool, times_min: &[f64], signal: &mut [f64]) {
    for peak in state.peaks.iter().filter(|peak| foreign || !peak.foreign) {
        let centre_s = peak.apex_min * 60.0 - peak.shape.apex_s();
        let (from, to) = peak.shape.support_s();
        let first = times_min.partition_point(|time| time * 60.0 < centre_s + from);
        for (time, value) in times_min.iter().zip(signal.iter_mut()).skip(first) {
            let t_s = time * 60.0 - centre_s;
            if t_s > to {
                break;
            }
            *value += peak.area_counts_s * peak.shape.density(t_s);
        }
    }
}

fn trace(
    panel: &Panel,
    of: &TransitionOf,
    state: &TransitionState,
    index: usize,
    transitions: usize,
    stream: &mut Stream,
) -> Trace {
    let time_min = times_min(index, transitions);
    let background = state.background;
    let noise_counts = background.noise_counts();
    let level_counts = background.level_counts * stream.factor(0.05);
    let slope_counts_per_min = noise_counts * stream.between(-0.5, 0.5);
    let period_s = stream.between(45.0, 80.0);
    let phase = stream.between(0.0, std::f64::consts::TAU);
    let wander_counts = WANDER * noise_counts * stream.between(0.3, 1.0);
    let front_counts = FRONT_IN_NOISES * noise_counts * stream.factor(0.3);
    let mut signal = vec![0.0; time_min.len()];
    add_peaks(state, true, &time_min, &mut signal);
    let intensity = time_min
        .iter()
        .zip(&signal)
        .map(|(time, peak)| {
            let from_front_s = (time - FRONT_MIN) * 60.0 / FRONT_SIGMA_S;
            let front = front_counts * libm::exp(-0.5 * from_front_s * from_front_s);
            let angle = std::f64::consts::TAU * time * 60.0 / period_s + phase;
            let wander = wander_counts * libm::sin(angle);
            let expected = level_counts + slope_counts_per_min * time + wander + front + peak;
            let flicker = FLICKER * peak;
            let variance = background.gain * expected.max(0.0)
                + background.electronic_counts * background.electronic_counts
                + flicker * flicker;
            let recorded = expected + variance.sqrt() * stream.normal();
            recorded.clamp(0.0, panel.ceiling_counts).round()
        })
        .collect();
    let window = |target_mz| IsolationWindow {
        target_mz,
        lower_offset_mz: Some(0.35),
        upper_offset_mz: Some(0.35),
    };
    let (precursor, product) = (of.transition.precursor_mz, of.transition.product_mz);
    Trace {
        id: format!("SRM {precursor:.1} to {product:.1} {}", of.name),
        index,
        kind: TraceKind::SelectedReactionMonitoring,
        polarity: Some(of.transition.polarity),
        precursor: Some(window(precursor)),
        product: Some(window(product)),
        dwell_s: Some(((CYCLE_S / transitions as f64 - PAUSE_S) * 1e4).round() / 1e4),
        time_min,
        intensity,
        problems: Vec::new(),
    }
}
