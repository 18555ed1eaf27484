//! Where a peak stands: the run's mean shape laid over the points.

use crate::baseline::Baseline;
use crate::scratch::range;
use crate::shape::PeakShape;

/// A shape laid over the points.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Placement {
    /// Its apex (s).
    pub apex_s: f64,
    /// Its height (counts).
    pub amplitude: f64,
    /// Σ s²: noise of one point over its square root is that of the amplitude.
    pub shape_square: f64,
}

/// Core of a peak seen from its apex, in widths at half height: where the shape says most about its place.
const CORE_LEFT: f64 = 1.0;
const CORE_RIGHT: f64 = 1.4;

/// Least squares for height and apex by Gauss–Newton, from `start_s`. The limits of integration follow the apex; a fit over
/// the whole peak places it several times better than its highest point does, so that limits do not wander with noise.
/// `None` when the points do not hold the shape or the fit walks away.
pub(crate) fn place(
    x: &[f64],
    y: &[f64],
    baseline: &Baseline,
    shape: &PeakShape,
    start_s: f64,
) -> Option<Placement> {
    let width = shape.width_half_height_s();
    let mut apex = start_s;
    let mut placed = None;
    for _ in 0..4 {
        let [mut aa, mut ab, mut bb, mut ay, mut by] = [0.0; 5];
        for i in range(x, apex - CORE_LEFT * width, apex + CORE_RIGHT * width) {
            let (s, slope) = shape.look_up(x[i] - apex);
            let value = y[i] - baseline.at(x[i]);
            aa += s * s;
            ab += s * slope;
            bb += slope * slope;
            ay += s * value;
            by += slope * value;
        }
        let determinant = aa * bb - ab * ab;
        if !(aa > 0.0 && determinant > 1e-9 * aa * bb) {
            return None;
        }
        // y ≈ a·s(x − apex) − a·δ·s′(x − apex).
        let amplitude = (ay * bb - by * ab) / determinant;
        let moved = (by * aa - ay * ab) / determinant;
        placed = Some(Placement {
            apex_s: apex,
            amplitude,
            shape_square: aa,
        });
        if amplitude <= 0.0 {
            return None;
        }
        let shift = (-moved / amplitude).clamp(-0.3 * width, 0.3 * width);
        apex += shift;
        if (apex - start_s).abs() > 0.75 * width {
            return None;
        }
        if shift.abs() < 2e-3 * width {
            break;
        }
    }
    placed.map(|p| Placement { apex_s: apex, ..p })
}

/// Height of the shape at a given apex, and Σ s².
pub(crate) fn amplitude_at(
    x: &[f64],
    y: &[f64],
    baseline: &Baseline,
    shape: &PeakShape,
    apex_s: f64,
) -> (f64, f64) {
    let width = shape.width_half_height_s();
    let (mut product, mut square) = (0.0, 0.0);
    for i in range(x, apex_s - CORE_LEFT * width, apex_s + CORE_RIGHT * width) {
        let (s, _) = shape.look_up(x[i] - apex_s);
        product += s * (y[i] - baseline.at(x[i]));
        square += s * s;
    }
    if square > 0.0 {
        (product / square, square)
    } else {
        (0.0, 0.0)
    }
}
