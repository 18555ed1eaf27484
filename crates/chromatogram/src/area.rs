//! Area between two limits, and its standard uncertainty.

use crate::baseline::Baseline;
use crate::noise::NoiseModel;
use crate::scratch::range;

/// An area above a baseline. Counts·s, not yet divided by the captured share.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Area {
    pub net: f64,
    /// Variance from the scatter of the points between the limits.
    pub point_variance: f64,
    /// Variance from the fitted baseline.
    pub baseline_variance: f64,
    /// Points between the limits.
    pub points: usize,
}

/// What is known of the scatter of a point.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Scatter {
    /// Variance of the baseline's points.
    pub electronic: f64,
    pub model: NoiseModel,
    /// Variance of the trace's own points around the peak over the expected; 1 unless it is clearly more.
    pub inflation: f64,
}

impl Scatter {
    #[inline]
    pub(crate) fn variance(&self, signal: f64, background: f64) -> f64 {
        self.inflation * (self.electronic + self.model.added_variance(signal, background))
    }
}

/// Trapezoid sum of the recorded points from `from_s` to `to_s`, values at the limits interpolated, less the baseline.
///
/// The sum is linear in the points: Σ wᵢ·yᵢ with the trapezoid's weights wᵢ, so its variance is Σ wᵢ²·vᵢ, vᵢ from the
/// scatter at the smoothed signal; the baseline's share is the limits' distance squared times the variance of the fitted line at their
/// middle (GUM 5.1.2; the two use different points and are independent). Correlated neighbours widen both.
/// `None` when fewer than two points lie between the limits.
pub(crate) fn integrate(
    x: &[f64],
    y: &[f64],
    smooth: &[f64],
    baseline: &Baseline,
    scatter: &Scatter,
    from_s: f64,
    to_s: f64,
) -> Option<Area> {
    let inside = range(x, from_s, to_s);
    if inside.len() < 2 {
        return None;
    }
    let (first, last) = (inside.start, inside.end - 1);
    let (mut sum, mut variance) = (0.0, 0.0);
    let mut add = |i: usize, weight: f64| {
        let background = baseline.at(x[i]);
        sum += weight * (y[i] - background);
        variance += weight * weight * scatter.variance(smooth[i] - background, background);
    };
    let (left, right) = (
        end_piece(x, first, first.checked_sub(1), from_s),
        end_piece(x, last, Some(last + 1), to_s),
    );
    if let Some((outside, weight)) = left.outer {
        add(outside, weight);
    }
    add(first, 0.5 * (x[first + 1] - x[first]) + left.inner);
    for i in first + 1..last {
        add(i, 0.5 * (x[i + 1] - x[i - 1]));
    }
    add(last, 0.5 * (x[last] - x[last - 1]) + right.inner);
    if let Some((outside, weight)) = right.outer {
        add(outside, weight);
    }
    // Summing differences from the baseline point by point takes off exactly the line's own trapezoid.
    let (start, end) = (from_s.max(x[0]), to_s.min(x[x.len() - 1]));
    let length = end - start;
    let line = length * length * baseline.unit_variance_at(0.5 * (start + end)) * scatter.electronic;
    Some(Area {
        net: sum,
        point_variance: variance * baseline.correlation_factor,
        baseline_variance: line * baseline.correlation_factor,
        points: inside.len(),
    })
}

/// Weights that the piece between a limit and the nearest point inside adds to that point and to the next outside.
struct EndPiece {
    inner: f64,
    outer: Option<(usize, f64)>,
}

fn end_piece(x: &[f64], inside: usize, outside: Option<usize>, limit_s: f64) -> EndPiece {
    let length = (x[inside] - limit_s).abs();
    let Some(outside) = outside.filter(|i| *i < x.len()) else {
        // The trace ends here: there is nothing beyond the last point.
        return EndPiece {
            inner: 0.0,
            outer: None,
        };
    };
    let gap = (x[outside] - x[inside]).abs();
    let share = if gap > 0.0 {
        (length / gap).clamp(0.0, 1.0)
    } else {
        0.0
    };
    EndPiece {
        inner: 0.5 * length * (2.0 - share),
        outer: Some((outside, 0.5 * length * share)),
    }
}
