//! The baseline under a peak: a straight line fitted to the points on both sides of it, and the noise those points show.

use crate::scratch::{Kept, Scratch, order_statistic, range};
use spotwright_numerics::robust::NORMAL_MAD_FACTOR;

/// A fitted baseline.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Baseline {
    /// Value (counts) at `centre_s`.
    level: f64,
    /// Counts per second.
    slope: f64,
    centre_s: f64,
    /// 1/n and 1/Σ(x − centre)².
    inverse_points: f64,
    inverse_spread: f64,
    /// Root-mean-square noise (counts); 0 when it could not be measured.
    pub noise: f64,
    /// Whether the noise could be measured.
    pub measurable: bool,
    /// Largest less smallest residual (counts).
    pub peak_to_peak: f64,
    /// What correlation of neighbouring points does to the variance of a sum: (1 + ρ)/(1 − ρ), at least 1.
    pub correlation_factor: f64,
}

/// Fewest points a line is fitted to.
const FEWEST_POINTS: usize = 6;
/// Fewest points on a side for it to bear on the slope.
const FEWEST_ON_A_SIDE: usize = 3;
/// Residuals beyond this many standard deviations belong to something else.
const OUTLIER: f64 = 3.5;
/// Variance of a normal variable cut at ±3.5 standard deviations: 1 − 2·3.5·φ(3.5)/(2Φ(3.5) − 1).
const CUT_VARIANCE: f64 = 0.993_887;

impl Baseline {
    /// Value at `x_s` (counts).
    #[inline]
    pub(crate) fn at(&self, x_s: f64) -> f64 {
        self.level + self.slope * (x_s - self.centre_s)
    }

    /// Variance of the value at `x_s`, for noise of variance 1.
    pub(crate) fn unit_variance_at(&self, x_s: f64) -> f64 {
        let d = x_s - self.centre_s;
        self.inverse_points + d * d * self.inverse_spread
    }

    /// A level baseline whose value is as uncertain as one point's.
    pub(crate) fn flat(level: f64, noise: f64) -> Self {
        Self {
            level,
            slope: 0.0,
            centre_s: 0.0,
            inverse_points: 1.0,
            inverse_spread: 0.0,
            noise,
            measurable: noise > 0.0,
            peak_to_peak: 0.0,
            correlation_factor: 1.0,
        }
    }
}

/// Fits the line to the window's points in the two stretches, leaving out those in `excluded`. Robust: the first line joins the medians of the
/// two sides; points beyond 3.5 standard deviations (from the median absolute residual) are dropped, then
/// least squares. `None` when too few points remain.
///
/// The noise is that of all points; the line itself is fitted to those within `near_s` of the peak only, because a baseline that wanders is
/// straight over a short way. A side with too few points has no say in the slope: the line is then level.
pub(crate) fn fit(
    scratch: &mut Scratch,
    left: (f64, f64),
    right: (f64, f64),
    near_s: f64,
    excluded: impl Fn(f64) -> bool,
) -> Option<Baseline> {
    let Scratch {
        x,
        y,
        work,
        kept: keys,
        baseline_x: bx,
        baseline_y: by,
        ..
    } = scratch;
    bx.clear();
    by.clear();
    let mut on_the_left = 0;
    for (side, stretch) in [left, right].into_iter().enumerate() {
        for i in range(x, stretch.0, stretch.1) {
            if !excluded(x[i]) {
                bx.push(x[i]);
                by.push(y[i]);
            }
        }
        if side == 0 {
            on_the_left = bx.len();
        }
    }
    let n = bx.len();
    if n < FEWEST_POINTS {
        return None;
    }
    let two_sided = on_the_left >= FEWEST_ON_A_SIDE && n - on_the_left >= FEWEST_ON_A_SIDE;
    let (level, slope, centre) = median_line(bx, by, if two_sided { on_the_left } else { 0 }, work, keys);

    work.clear();
    work.extend(
        bx.iter()
            .zip(by.iter())
            .map(|(x, y)| (y - level - slope * (x - centre)).abs()),
    );
    let median = order_statistic(work, 0.5, keys).unwrap_or(0.0);
    let mut scatter = NORMAL_MAD_FACTOR * median;
    let mut measurable = true;
    if scatter <= 0.0 {
        // More than half of the points are exactly on the line. Some spikes are the noise of a counting detector at
        // low level; next to none are the mark of a threshold.
        let off = work.iter().filter(|r| **r > 0.0).count();
        measurable = off >= 4 && 20 * off >= n;
        scatter = if measurable {
            (work.iter().map(|r| r * r).sum::<f64>() / n as f64).sqrt()
        } else {
            0.0
        };
    }
    let cut = if measurable {
        OUTLIER * scatter
    } else {
        f64::INFINITY
    };
    // Variance of a normal variable cut there; a spiky baseline is not normal and is taken as it is.
    let cut_variance = if median > 0.0 { CUT_VARIANCE } else { 1.0 };

    // Both lines are fitted to what the first left over, which keeps the sums small.
    let (mut all, mut close) = (LineSums::default(), LineSums::default());
    for (i, (x, y)) in bx.iter().zip(by.iter()).enumerate() {
        let d = x - centre;
        let r = y - level - slope * d;
        if r.abs() <= cut {
            let side = usize::from(i >= on_the_left);
            all.add(side, d, r);
            if *x >= left.1 - near_s && *x <= right.0 + near_s {
                close.add(side, d, r);
            }
        }
    }
    if all.count < FEWEST_POINTS as f64 {
        return None;
    }
    let wide = all.line(two_sided);
    let line = if close.is_two_sided() && close.count >= FEWEST_POINTS as f64 {
        close.line(true)
    } else {
        wide
    };

    let [mut kept, mut squares, mut products, mut previous] = [0.0; 4];
    let (mut least, mut most) = (f64::INFINITY, f64::NEG_INFINITY);
    for (i, (x, y)) in bx.iter().zip(by.iter()).enumerate() {
        let d = x - centre;
        let r = y - level - slope * d - wide.level - wide.slope * (d - wide.centre);
        if r.abs() > cut || i == on_the_left {
            previous = 0.0;
        }
        if r.abs() <= cut {
            kept += 1.0;
            squares += r * r;
            products += previous * r;
            previous = r;
            least = least.min(r);
            most = most.max(r);
        }
    }
    let freedom = kept - if two_sided { 2.0 } else { 1.0 };
    let noise = if measurable && freedom > 0.0 {
        (squares / freedom / cut_variance).sqrt()
    } else {
        0.0
    };
    let correlation = if squares > 0.0 { products / squares } else { 0.0 };
    // Two standard errors (1/√n) of a correlation: smaller ones are chance.
    let correlation = if correlation * kept.sqrt() > 2.0 {
        correlation.min(0.9)
    } else {
        0.0
    };
    Some(Baseline {
        level: level + slope * line.centre + line.level,
        slope: slope + line.slope,
        centre_s: centre + line.centre,
        inverse_points: line.inverse_points,
        inverse_spread: line.inverse_spread,
        noise,
        measurable: noise > 0.0,
        peak_to_peak: (most - least).max(0.0),
        correlation_factor: (1.0 + correlation) / (1.0 - correlation),
    })
}

/// A least-squares line: value at its centre, slope, and what its covariance needs.
#[derive(Debug, Clone, Copy)]
struct Line {
    level: f64,
    slope: f64,
    centre: f64,
    inverse_points: f64,
    inverse_spread: f64,
}

#[derive(Debug, Default)]
struct LineSums {
    count: f64,
    on_side: [usize; 2],
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
}

impl LineSums {
    fn add(&mut self, side: usize, x: f64, y: f64) {
        self.count += 1.0;
        self.on_side[side] += 1;
        self.x += x;
        self.y += y;
        self.xx += x * x;
        self.xy += x * y;
    }

    fn is_two_sided(&self) -> bool {
        self.on_side.iter().all(|n| *n >= FEWEST_ON_A_SIDE)
    }

    fn line(&self, sloping: bool) -> Line {
        let (centre, level) = (self.x / self.count, self.y / self.count);
        let spread = self.xx - centre * self.x;
        if sloping && spread > 0.0 {
            let slope = (self.xy - centre * self.y) / spread;
            Line {
                level,
                slope,
                centre,
                inverse_points: 1.0 / self.count,
                inverse_spread: 1.0 / spread,
            }
        } else {
            Line {
                level,
                slope: 0.0,
                centre,
                inverse_points: 1.0 / self.count,
                inverse_spread: 0.0,
            }
        }
    }
}

/// Level, slope and centre of the line through the medians of the first `split` points and of the others; level
/// when `split` is 0.
fn median_line(x: &[f64], y: &[f64], split: usize, work: &mut Vec<f64>, kept: &mut Kept) -> (f64, f64, f64) {
    let mut side = |range: std::ops::Range<usize>| {
        work.clear();
        work.extend_from_slice(&y[range.clone()]);
        let level = order_statistic(work, 0.5, kept).unwrap_or(0.0);
        (
            x[range.clone()].iter().sum::<f64>() / range.len().max(1) as f64,
            level,
        )
    };
    if split == 0 {
        let (centre, level) = side(0..x.len());
        return (level, 0.0, centre);
    }
    let (left, right) = (side(0..split), side(split..x.len()));
    let slope = if right.0 > left.0 {
        (right.1 - left.1) / (right.0 - left.0)
    } else {
        0.0
    };
    (left.1, slope, left.0)
}

impl Baseline {
    /// The line through two values that are themselves averages: `variance_ratio` is their variance over that of a point.
    pub(crate) fn through(start: (f64, f64), end: (f64, f64), variance_ratio: f64, noise: f64) -> Self {
        let half = 0.5 * (end.0 - start.0);
        Self {
            level: 0.5 * (start.1 + end.1),
            slope: if half > 0.0 {
                0.5 * (end.1 - start.1) / half
            } else {
                0.0
            },
            centre_s: 0.5 * (start.0 + end.0),
            // Mean and half difference of two independent values.
            inverse_points: 0.5 * variance_ratio,
            inverse_spread: if half > 0.0 {
                0.5 * variance_ratio / (half * half)
            } else {
                0.0
            },
            noise,
            measurable: noise > 0.0,
            peak_to_peak: 0.0,
            correlation_factor: 1.0,
        }
    }
}
