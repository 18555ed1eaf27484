//! Peaks that stand out of the smoothed trace.

use crate::noise::{NoiseModel, smallest_step};
use crate::scratch::{Scratch, order_statistic, range};
use crate::shape::PeakShape;
use crate::smoothing::Smoother;

/// A peak that stands out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Candidate {
    /// Position of the highest smoothed point.
    pub index: usize,
    /// Vertex of the parabola through that point and its neighbours (s).
    pub apex_s: f64,
    /// Smoothed height above the coarse baseline.
    pub height: f64,
    /// Height of the run's mean shape scaled to the points around the apex: spikes shrink, broad noise does not grow.
    pub amplitude: f64,
    /// Full width at half height (s).
    pub width_s: f64,
}

/// What was seen of the whole window.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Overview {
    /// Coarse baseline: counts at the window's centre, counts per second.
    pub level: f64,
    pub slope: f64,
    /// Noise from second differences, or the smallest step of a baseline cut to a constant (counts).
    pub noise: f64,
}

impl Overview {
    #[inline]
    fn at(&self, x_s: f64) -> f64 {
        self.level + self.slope * x_s
    }
}

/// What makes a candidate.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Criteria<'a> {
    pub shape: &'a PeakShape,
    pub noise: NoiseModel,
    /// Smallest height over noise.
    pub signal_to_noise: f64,
    /// Candidates narrower than this share of the shape's width are spikes.
    pub narrowest: f64,
}

/// A valley between two peaks is real when it is deeper than this many standard deviations of the smoothed points …
const VALLEY_DEVIATIONS: f64 = 4.0;
/// … and than this share of the lower peak.
const VALLEY_SHARE: f64 = 0.05;
/// Order statistic of the outer thirds that serves as coarse baseline, and its distance from the median of normal noise
/// (standard deviations). Below the median, so that peaks may hold half of a third.
const COARSE_QUANTILE: f64 = 0.35;
const COARSE_OFFSET: f64 = 0.385_3;
/// How far below the limit on signal to noise a candidate may be when first seen: the coarse baseline is coarse.
const FIRST_LOOK: f64 = 0.7;

/// Smooths the window, looks at its noise and its coarse baseline, and lists the candidates in order of time.
pub(crate) fn find(scratch: &mut Scratch, smoother: &Smoother, criteria: &Criteria<'_>) -> Overview {
    smoother.apply(&scratch.y, &mut scratch.smooth);
    scratch.candidates.clear();
    let noise = crate::noise::difference_noise(&scratch.y, &mut scratch.work, &mut scratch.kept);
    let smooth_deviation = smoother.variance_ratio.sqrt();
    let mut overview = coarse_baseline(scratch, noise * smooth_deviation);
    overview.noise = if noise > 0.0 {
        noise
    } else {
        smallest_step(&scratch.y, overview.level)
    };
    tops(scratch, &overview, criteria, smooth_deviation);
    drop_shallow(scratch, &overview, criteria, smooth_deviation);
    let Scratch {
        x,
        y,
        smooth,
        candidates,
        ..
    } = scratch;
    for candidate in candidates.iter_mut() {
        describe(candidate, x, y, smooth, &overview, criteria.shape);
    }
    let least = FIRST_LOOK * criteria.signal_to_noise * overview.noise;
    let narrowest = criteria.narrowest * criteria.shape.width_half_height_s();
    candidates.retain(|c| c.height > least && c.amplitude > least && c.width_s >= narrowest);
    overview
}

fn coarse_baseline(scratch: &mut Scratch, smooth_noise: f64) -> Overview {
    let Scratch {
        x,
        smooth,
        work,
        kept,
        ..
    } = scratch;
    let n = x.len();
    let third = n / 3;
    let mut level_of = |points: std::ops::Range<usize>| {
        work.clear();
        work.extend_from_slice(&smooth[points.clone()]);
        let level =
            order_statistic(work, COARSE_QUANTILE, kept).unwrap_or(0.0) + COARSE_OFFSET * smooth_noise;
        let middle = (points.start + points.end) / 2;
        (x.get(middle).copied().unwrap_or(0.0), level)
    };
    if third < 5 {
        return Overview {
            level: level_of(0..n).1,
            slope: 0.0,
            noise: 0.0,
        };
    }
    let (left, right) = (level_of(0..third), level_of(n - third..n));
    let slope = if right.0 > left.0 {
        (right.1 - left.1) / (right.0 - left.0)
    } else {
        0.0
    };
    Overview {
        level: left.1 - slope * left.0,
        slope,
        noise: 0.0,
    }
}

/// Depth a valley must have beside a top of this height.
fn valley_depth(
    height: f64,
    background: f64,
    noise: f64,
    criteria: &Criteria<'_>,
    smooth_deviation: f64,
) -> f64 {
    let variance = noise * noise + criteria.noise.added_variance(height, background);
    (VALLEY_DEVIATIONS * smooth_deviation * variance.sqrt()).max(VALLEY_SHARE * height)
}

/// Tops between valleys, by one pass with hysteresis: a top counts once the trace has fallen far enough below it, a valley
/// once it has risen far enough above it.
fn tops(scratch: &mut Scratch, overview: &Overview, criteria: &Criteria<'_>, smooth_deviation: f64) {
    let Scratch {
        x,
        smooth,
        candidates,
        ..
    } = scratch;
    let Some(last) = smooth.len().checked_sub(1) else {
        return;
    };
    let top = |index: usize, height: f64| Candidate {
        index,
        apex_s: x[index],
        height,
        amplitude: 0.0,
        width_s: 0.0,
    };
    let least = FIRST_LOOK * criteria.signal_to_noise * overview.noise;
    let (mut rising, mut extreme, mut extreme_height) = (true, 0, smooth[0] - overview.at(x[0]));
    let mut needed = valley_depth(
        extreme_height,
        overview.level,
        overview.noise,
        criteria,
        smooth_deviation,
    );
    for i in 1..=last {
        let height = smooth[i] - overview.at(x[i]);
        if (rising && height > extreme_height) || (!rising && height < extreme_height) {
            (extreme, extreme_height) = (i, height);
            // Costly; and only what stands out needs it exactly.
            needed = if height > least {
                valley_depth(height, overview.level, overview.noise, criteria, smooth_deviation)
            } else {
                VALLEY_DEVIATIONS * smooth_deviation * overview.noise
            };
            continue;
        }
        if (extreme_height - height).abs() > needed {
            // A top on the very first point is a peak cut by the window, not one in it.
            if rising && extreme_height > least && extreme > 0 {
                candidates.push(top(extreme, extreme_height));
            }
            rising = !rising;
            (extreme, extreme_height) = (i, height);
            needed = VALLEY_DEVIATIONS * smooth_deviation * overview.noise;
        }
    }
    if rising && extreme_height > least && extreme > 0 && extreme < last {
        candidates.push(top(extreme, extreme_height));
    }
}

/// Drops the lower of two neighbours whose valley is not deep enough for the lower.
fn drop_shallow(scratch: &mut Scratch, overview: &Overview, criteria: &Criteria<'_>, smooth_deviation: f64) {
    let Scratch {
        x,
        smooth,
        candidates,
        ..
    } = scratch;
    let mut i = 0;
    while i + 1 < candidates.len() {
        let (a, b) = (candidates[i], candidates[i + 1]);
        let valley = (a.index..=b.index)
            .map(|k| smooth[k] - overview.at(x[k]))
            .fold(f64::INFINITY, f64::min);
        let lower = a.height.min(b.height);
        let needed = valley_depth(lower, overview.level, overview.noise, criteria, smooth_deviation);
        if lower - valley < needed {
            candidates.remove(if a.height < b.height { i } else { i + 1 });
            i = i.saturating_sub(1);
        } else {
            i += 1;
        }
    }
}

fn describe(
    candidate: &mut Candidate,
    x: &[f64],
    y: &[f64],
    smooth: &[f64],
    overview: &Overview,
    shape: &PeakShape,
) {
    candidate.apex_s = vertex(x, smooth, candidate.index);
    let half = 0.5 * candidate.height;
    let above = |i: usize| smooth[i] - overview.at(x[i]) > half;
    // A side that rises again before it has fallen to half belongs to a neighbour: the other side counts twice.
    let mut sides = [None; 2];
    let mut lowest = candidate.height;
    for i in (0..candidate.index).rev() {
        let height = smooth[i] - overview.at(x[i]);
        if !above(i) {
            sides[0] = Some(candidate.apex_s - crossing(x, smooth, overview, i, i + 1, half));
            break;
        }
        lowest = lowest.min(height);
        if height > lowest + VALLEY_SHARE * candidate.height {
            break;
        }
    }
    lowest = candidate.height;
    for i in candidate.index + 1..x.len() {
        let height = smooth[i] - overview.at(x[i]);
        if !above(i) {
            sides[1] = Some(crossing(x, smooth, overview, i, i - 1, half) - candidate.apex_s);
            break;
        }
        lowest = lowest.min(height);
        if height > lowest + VALLEY_SHARE * candidate.height {
            break;
        }
    }
    candidate.width_s = match sides {
        [Some(left), Some(right)] => left + right,
        [Some(one), None] | [None, Some(one)] => 2.0 * one,
        [None, None] => shape.width_half_height_s(),
    };
    let width = shape.width_half_height_s();
    let (mut product, mut square) = (0.0, 0.0);
    for i in range(x, candidate.apex_s - width, candidate.apex_s + width) {
        let (s, _) = shape.look_up(x[i] - candidate.apex_s);
        product += s * (y[i] - overview.at(x[i]));
        square += s * s;
    }
    candidate.amplitude = if square > 0.0 { product / square } else { 0.0 };
}

fn crossing(x: &[f64], smooth: &[f64], overview: &Overview, below: usize, above: usize, level: f64) -> f64 {
    let (low, high) = (
        smooth[below] - overview.at(x[below]),
        smooth[above] - overview.at(x[above]),
    );
    let share = if high > low {
        (level - low) / (high - low)
    } else {
        0.5
    };
    x[below] + share * (x[above] - x[below])
}

/// Time of the vertex of the parabola through a highest point and its two neighbours, which need not be evenly spaced.
pub(crate) fn vertex(x: &[f64], smooth: &[f64], index: usize) -> f64 {
    if index == 0 || index + 1 >= x.len() {
        return x[index];
    }
    let (before, after) = (x[index] - x[index - 1], x[index + 1] - x[index]);
    let (rise, fall) = (
        (smooth[index] - smooth[index - 1]) / before,
        (smooth[index] - smooth[index + 1]) / after,
    );
    // Slopes at the two half-way points are `rise` and `-fall`; the vertex is where the line between them is zero.
    let bend = rise + fall;
    if bend <= 0.0 {
        return x[index];
    }
    let place = x[index] - 0.5 * before + rise / bend * 0.5 * (before + after);
    place.clamp(x[index - 1], x[index + 1])
}
