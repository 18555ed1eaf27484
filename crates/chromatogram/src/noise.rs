//! How much a recorded point scatters.

use crate::scratch::{Kept, order_statistic};
use serde::{Deserialize, Serialize};
use spotwright_numerics::robust::NORMAL_MAD_FACTOR;

/// How the variance of a point grows with its signal s above a background b: counting·s + flicker²·(s² + 2·s·b). The variance
/// of the background itself is measured in each trace.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NoiseModel {
    /// Variance per signal (counts): 1 for a counting detector that reports counts, the inverse of the dwell time for one
    /// that reports counts per second, times what the detector adds.
    pub counting_counts: f64,
    /// Relative standard deviation of a point from unsteadiness of the spray (fraction).
    pub flicker: f64,
}

impl NoiseModel {
    /// Where nothing could be learnt: 2 % a point, the upper end of the usual 1–2 % (common practice, no source).
    pub const ASSUMED: Self = Self {
        counting_counts: 0.0,
        flicker: 0.02,
    };

    /// No more noise than the baseline's.
    pub(crate) const NONE: Self = Self {
        counting_counts: 0.0,
        flicker: 0.0,
    };

    /// Variance that a signal adds to that of its background (both counts).
    #[must_use]
    #[inline]
    pub fn added_variance(&self, signal: f64, background: f64) -> f64 {
        let (s, b) = (signal.max(0.0), background.max(0.0));
        s * (self.counting_counts + self.flicker * self.flicker * (s + 2.0 * b))
    }
}

/// Noise from second differences: their median size over that of unit normal noise (√6·Φ⁻¹(3/4)). Blind to slopes, and
/// peaks move it little as long as they hold less than half of the points. Zero when more than half are zero.
pub(crate) fn difference_noise(y: &[f64], work: &mut Vec<f64>, kept: &mut Kept) -> f64 {
    work.clear();
    work.extend(y.windows(3).map(|v| (v[0] - 2.0 * v[1] + v[2]).abs()));
    order_statistic(work, 0.5, kept).map_or(0.0, |median| median * NORMAL_MAD_FACTOR / 6.0_f64.sqrt())
}

/// Smallest distance from `level` that occurs among the values and is not zero: where a baseline was cut to a constant,
/// noise is below this. Zero for a constant.
pub(crate) fn smallest_step(y: &[f64], level: f64) -> f64 {
    let least = y
        .iter()
        .map(|v| (v - level).abs())
        .filter(|d| *d > 0.0)
        .fold(f64::INFINITY, f64::min);
    if least.is_finite() { least } else { 0.0 }
}

/// A squared second difference of the residuals of a peak, and what the model says of its expectation.
#[derive(Debug, Clone, Copy)]
pub(crate) struct NoiseSample {
    /// d²/6 with d the second difference.
    pub square: f64,
    /// Variance of the baseline.
    pub electronic: f64,
    /// Coefficient of the counting term.
    pub signal: f64,
    /// Coefficient of flicker².
    pub signal_square: f64,
    /// Which injection it comes from.
    pub injection: usize,
}

impl NoiseSample {
    fn expected(&self, model: NoiseModel) -> f64 {
        self.electronic
            + model.counting_counts * self.signal
            + model.flicker * model.flicker * self.signal_square
    }
}

/// Least number of samples with signal that a model is learnt from.
const FEWEST_SAMPLES: usize = 40;
/// A squared normal deviate above this (1 in 2000) is cut.
const LARGEST_SQUARE: f64 = 12.0;
/// An injection that scatters more than this many times the usual is left out.
const LARGEST_INJECTION_RATIO: f64 = 2.5;
/// A transition whose scatter under the common flicker is further than this many standard errors from the expected has its own.
const OWN_FLICKER: f64 = 3.0;

/// Noise of a run's transitions from squared second differences, one list a transition. `None`: too little signal to learn
/// from.
///
/// Flicker comes from the spray and the pump and is one number for the run; the counting coefficient depends on dwell time and gain and is
/// each transition's own. A transition that does not agree with the common flicker gets both of its own, one with too little signal the
/// run's.
pub(crate) fn learn(samples: &[Vec<NoiseSample>]) -> Vec<Option<NoiseModel>> {
    let all: Vec<NoiseSample> = samples.iter().flatten().copied().collect();
    let Some(together) = learn_one(&all) else {
        return vec![None; samples.len()];
    };
    let known: Vec<Option<(Vec<NoiseSample>, NoiseModel)>> = samples
        .iter()
        .map(|own| learn_one(own).map(|model| (steady(own, model), model)))
        .collect();
    // Counting given flicker and flicker given counting, in turn.
    let mut flicker = together.flicker;
    let mut counting = vec![together.counting_counts; samples.len()];
    for _ in 0..12 {
        let (mut product, mut square) = (0.0, 0.0);
        for (known, counting) in known.iter().zip(&mut counting) {
            let Some((own, _)) = known else { continue };
            let model = NoiseModel {
                counting_counts: *counting,
                flicker,
            };
            let (a, b) = ratio_sums(own, model, |s| s.signal, |s| flicker * flicker * s.signal_square);
            *counting = if b > 0.0 { (a / b).max(0.0) } else { *counting };
            let model = NoiseModel {
                counting_counts: *counting,
                flicker,
            };
            let (a, b) = ratio_sums(own, model, |s| s.signal_square, |s| *counting * s.signal);
            product += a;
            square += b;
        }
        if square > 0.0 {
            flicker = (product / square).max(0.0).sqrt();
        }
    }
    known
        .iter()
        .zip(&counting)
        .map(|(known, counting)| {
            let Some((own, free)) = known else {
                return Some(together);
            };
            let model = NoiseModel {
                counting_counts: *counting,
                flicker,
            };
            let n = own.len() as f64;
            let ratio = own
                .iter()
                .map(|s| s.square / s.expected(model).max(f64::MIN_POSITIVE))
                .sum::<f64>()
                / n;
            let agrees = (ratio - 1.0).abs() <= OWN_FLICKER * (MEAN_SQUARE_VARIANCE / n).sqrt();
            Some(if agrees && model.is_finite() { model } else { *free })
        })
        .collect()
}

/// Variance of the mean of n squared second differences of independent normal points, expectation 1, times n: neighbours are correlated by
/// −2/3 and 1/6.
pub(crate) const MEAN_SQUARE_VARIANCE: f64 = 2.0 * (1.0 + 2.0 * (4.0 / 9.0 + 1.0 / 36.0));

impl NoiseModel {
    fn is_finite(&self) -> bool {
        self.counting_counts.is_finite() && self.flicker.is_finite()
    }
}

/// Sums for the weighted fit of one coefficient, the other term and the baseline's variance taken off.
fn ratio_sums(
    samples: &[NoiseSample],
    model: NoiseModel,
    coefficient: impl Fn(&NoiseSample) -> f64,
    other: impl Fn(&NoiseSample) -> f64,
) -> (f64, f64) {
    let (mut product, mut square) = (0.0, 0.0);
    for s in samples {
        let expected = s.expected(model);
        if expected > 0.0 {
            let a = coefficient(s) / expected;
            let y = (s.square / expected).min(LARGEST_SQUARE) - (s.electronic + other(s)) / expected;
            product += a * y;
            square += a * a;
        }
    }
    (product, square)
}

/// Fits the two coefficients, neither negative: each squared difference has expectation v and variance about 2v², so least
/// squares with weights 1/v², repeated (gamma regression with identity link). Squares far beyond expectation are cut and injections that
/// scatter much more than the others left out. `None` when there is too little signal to learn from.
fn learn_one(samples: &[NoiseSample]) -> Option<NoiseModel> {
    let informative = samples
        .iter()
        .filter(|s| s.signal_square > 25.0 * s.electronic)
        .count();
    if informative < FEWEST_SAMPLES {
        return None;
    }
    let model = fit(samples)?;
    fit(&steady(samples, model))
}

/// The samples of the injections that scatter as usual.
fn steady(samples: &[NoiseSample], model: NoiseModel) -> Vec<NoiseSample> {
    let injections = samples.iter().map(|s| s.injection).max().unwrap_or(0) + 1;
    let mut sums = vec![(0.0, 0.0); injections];
    for s in samples {
        let (sum, count) = &mut sums[s.injection];
        *sum += (s.square / s.expected(model).max(f64::MIN_POSITIVE)).min(LARGEST_SQUARE);
        *count += 1.0;
    }
    let mut ratios: Vec<f64> = sums
        .iter()
        .filter(|(_, n)| *n > 0.0)
        .map(|(sum, n)| sum / n)
        .collect();
    let usual = order_statistic(&mut ratios, 0.5, &mut Kept::default()).unwrap_or(1.0);
    let is_steady = |s: &&NoiseSample| {
        let (sum, count) = sums[s.injection];
        sum <= LARGEST_INJECTION_RATIO * usual * count
    };
    samples.iter().filter(is_steady).copied().collect()
}

fn fit(samples: &[NoiseSample]) -> Option<NoiseModel> {
    let mut model = NoiseModel::ASSUMED;
    for _ in 0..12 {
        let [mut aa, mut ab, mut bb, mut ay, mut by] = [0.0; 5];
        for s in samples {
            let expected = s.expected(model);
            if expected <= 0.0 {
                continue;
            }
            // Everything in units of the expectation keeps the sums of order one.
            let (a, b) = (s.signal / expected, s.signal_square / expected);
            let y = (s.square / expected).min(LARGEST_SQUARE) - s.electronic / expected;
            aa += a * a;
            ab += a * b;
            bb += b * b;
            ay += a * y;
            by += b * y;
        }
        if !(aa > 0.0 && bb > 0.0) {
            return None;
        }
        let determinant = aa * bb - ab * ab;
        let (mut counting, mut square) = (-1.0, -1.0);
        if determinant > 1e-9 * aa * bb {
            counting = (ay * bb - by * ab) / determinant;
            square = (by * aa - ay * ab) / determinant;
        }
        if counting < 0.0 || square < 0.0 {
            // One of the two at zero: the one that leaves the smaller sum of squares.
            let (only_counting, only_square) = ((ay / aa).max(0.0), (by / bb).max(0.0));
            let gain_counting = only_counting * (2.0 * ay - only_counting * aa);
            let gain_square = only_square * (2.0 * by - only_square * bb);
            (counting, square) = if gain_counting > gain_square {
                (only_counting, 0.0)
            } else {
                (0.0, only_square)
            };
        }
        model = NoiseModel {
            counting_counts: counting,
            flicker: square.sqrt(),
        };
    }
    model.is_finite().then_some(model)
}
