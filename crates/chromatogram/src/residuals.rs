//! What the placed mean shape leaves of a peak, and what that says of its noise.

use crate::baseline::Baseline;
use crate::noise::{MEAN_SQUARE_VARIANCE, NoiseModel, NoiseSample};
use crate::placement::Placement;
use crate::scratch::{Scratch, range};
use crate::shape::PeakShape;

/// The noise model, or where none could be learnt, one from this peak's own residuals when it is high enough.
pub(crate) fn own_noise(
    model: NoiseModel,
    scratch: &Scratch,
    baseline: &Baseline,
    shape: &PeakShape,
    placement: &Placement,
) -> NoiseModel {
    if model != NoiseModel::ASSUMED || placement.amplitude <= 20.0 * baseline.noise {
        return model;
    }
    let (mut product, mut square) = (0.0, 0.0);
    for_each_residual(scratch, baseline, shape, placement, |s| {
        let expected = s.electronic + model.flicker * model.flicker * s.signal_square;
        if expected > 0.0 {
            product += s.signal * (s.square - s.electronic) / (expected * expected);
            square += s.signal * s.signal / (expected * expected);
        }
    });
    let counting_counts = if square > 0.0 {
        (product / square).max(0.0)
    } else {
        0.0
    };
    NoiseModel {
        counting_counts,
        flicker: 0.0,
    }
}

/// How many times more the residuals of this peak scatter than expected; 1 unless the excess is beyond chance.
pub(crate) fn inflation(
    scratch: &Scratch,
    baseline: &Baseline,
    shape: &PeakShape,
    placement: &Placement,
    model: NoiseModel,
) -> f64 {
    let (mut sum, mut count) = (0.0, 0.0);
    let flicker_square = model.flicker * model.flicker;
    for_each_residual(scratch, baseline, shape, placement, |s| {
        let expected = s.electronic + model.counting_counts * s.signal + flicker_square * s.signal_square;
        if expected > 0.0 {
            sum += s.square / expected;
            count += 1.0;
        }
    });
    if count < 6.0 {
        return 1.0;
    }
    let ratio = sum / count;
    let by_chance = 4.0 * (MEAN_SQUARE_VARIANCE / count).sqrt();
    if ratio > 1.0 + by_chance { ratio } else { 1.0 }
}

/// Hands out the squared second differences of what the placed shape leaves of a peak.
pub(crate) fn for_each_residual(
    scratch: &Scratch,
    baseline: &Baseline,
    shape: &PeakShape,
    placement: &Placement,
    mut take: impl FnMut(NoiseSample),
) {
    let Scratch { x, y, .. } = scratch;
    let width = shape.width_half_height_s();
    let core = range(x, placement.apex_s - width, placement.apex_s + 1.4 * width);
    let mut last: [(f64, f64, f64); 2] = [(0.0, 0.0, 0.0); 2];
    for (seen, i) in core.enumerate() {
        let signal = placement.amplitude * shape.look_up(x[i] - placement.apex_s).0;
        let background = baseline.at(x[i]);
        let residual = y[i] - background - signal;
        let square = signal * (signal + 2.0 * background.max(0.0));
        let now = (residual, signal, square);
        if seen >= 2 {
            let [a, b] = last;
            let second = a.0 - 2.0 * b.0 + now.0;
            take(NoiseSample {
                square: second * second / 6.0,
                electronic: baseline.noise * baseline.noise,
                signal: (a.1 + 4.0 * b.1 + now.1) / 6.0,
                signal_square: (a.2 + 4.0 * b.2 + now.2) / 6.0,
                injection: 0,
            });
        }
        last = [last[1], now];
    }
}
