//! Trend of a series without assuming a distribution: Theil–Sen slope, Mann–Kendall test.

use super::median::select_median;
use crate::sample::{SampleError, check, check_pair};
use crate::special::{erfc, normal_quantile};

/// A line through the medians.
#[derive(Debug, Clone, PartialEq)]
pub struct TheilSen {
    /// Median of the slopes between all pairs of points with different x.
    pub slope: f64,
    /// Median of y − slope·x.
    pub intercept: f64,
    /// Pairs of points the slope is the median of.
    pub pairs: usize,
}

/// Theil–Sen line (H. Theil, Proc. K. Ned. Akad. Wet. A 53 (1950); P. K. Sen, J. Amer. Statist. Assoc. 63 (1968) 1379-1389).
///
/// Time and memory grow with the square of the number of points.
///
/// # Errors
/// [`SampleError`] for fewer than two points, unequal lists, values not finite; [`SampleError::NoSpread`] when all x
/// are equal.
pub fn theil_sen(x: &[f64], y: &[f64]) -> Result<TheilSen, SampleError> {
    check_pair(x, y, 2)?;
    let mut slopes = pair_slopes(x, y)?;
    let pairs = slopes.len();
    let slope = select_median(&mut slopes);
    let mut offsets: Vec<f64> = x.iter().zip(y).map(|(a, b)| b - slope * a).collect();
    let intercept = select_median(&mut offsets);
    if slope.is_finite() && intercept.is_finite() {
        Ok(TheilSen {
            slope,
            intercept,
            pairs,
        })
    } else {
        Err(SampleError::Overflow)
    }
}

/// Result of the Mann–Kendall test of a trend in time.
#[derive(Debug, Clone, PartialEq)]
pub struct MannKendall {
    /// S: rises minus falls over all pairs.
    pub s: i64,
    /// Kendall's tau-b (time has no ties).
    pub tau: f64,
    /// Variance of S under no trend, corrected for ties.
    pub variance: f64,
    /// (S ∓ 1)/√variance, zero when S is zero.
    pub z: f64,
    /// Two-sided p value.
    pub p_value: f64,
    /// Whether the p value is exact (no ties and at most 50 values) or from the normal approximation of z.
    pub exact: bool,
}

/// Tests a series in time order for a monotone trend (H. B. Mann, Econometrica 13 (1945) 245-259; M. G. Kendall, Rank
/// Correlation Methods, 1975).
///
/// # Errors
/// [`SampleError`] for fewer than three values, values not finite, [`SampleError::NoSpread`] when all are equal.
pub fn mann_kendall(values: &[f64]) -> Result<MannKendall, SampleError> {
    const EXACT_LIMIT: usize = 50;
    check(values, 3)?;
    let n = values.len();
    let mut s = 0_i64;
    for i in 0..n {
        for j in i + 1..n {
            s += i64::from(values[j] > values[i]) - i64::from(values[j] < values[i]);
        }
    }
    let ties = tie_sizes(values);
    if ties.first() == Some(&n) {
        return Err(SampleError::NoSpread);
    }
    let pairs = |m: usize| (m * (m - 1)) as f64 / 2.0;
    let variance = variance_of_s(n, &ties);
    let tied_pairs = ties.iter().fold(0.0, |sum, t| sum + pairs(*t));
    let tau = s as f64 / (pairs(n) * (pairs(n) - tied_pairs)).sqrt();
    let z = (s - s.signum()) as f64 / variance.sqrt();
    let exact = ties.is_empty() && n <= EXACT_LIMIT;
    let p_value = if exact {
        exact_p_value(n, s)
    } else {
        erfc(z.abs() / std::f64::consts::SQRT_2)
    };
    Ok(MannKendall {
        s,
        tau,
        variance,
        z,
        p_value,
        exact,
    })
}

/// Confidence limits of the Theil–Sen slope with the given coverage, as order statistics of the pair slopes (Sen 1968; M. Hollander,
/// D. A. Wolfe, Nonparametric Statistical Methods, 1973, 9.3). `None` when there are too few points for that coverage.
///
/// # Errors
/// As [`theil_sen`], with three points; [`SampleError::Probability`] for a coverage outside 0 to 1.
pub fn theil_sen_slope_interval(
    x: &[f64],
    y: &[f64],
    coverage: f64,
) -> Result<Option<(f64, f64)>, SampleError> {
    check_pair(x, y, 3)?;
    let quantile = if coverage > 0.0 {
        normal_quantile(0.5 + 0.5 * coverage)
    } else {
        None
    };
    let Some(quantile) = quantile else {
        return Err(SampleError::Probability { found: coverage });
    };
    let mut slopes = pair_slopes(x, y)?;
    slopes.sort_unstable_by(f64::total_cmp);
    let variance = variance_of_s(x.len(), &tie_sizes(x));
    let count = slopes.len() as f64;
    let half = quantile * variance.sqrt();
    let lower = (0.5 * (count - half)).round();
    let upper = (0.5 * (count + half)).round() + 1.0;
    if lower < 1.0 || upper > count {
        return Ok(None);
    }
    Ok(Some((slopes[lower as usize - 1], slopes[upper as usize - 1])))
}

/// Slopes of all pairs of points with different x, at least one and all finite.
fn pair_slopes(x: &[f64], y: &[f64]) -> Result<Vec<f64>, SampleError> {
    let mut slopes = Vec::with_capacity(x.len() * (x.len() - 1) / 2);
    for i in 0..x.len() {
        for j in i + 1..x.len() {
            let run = x[j] - x[i];
            if run.abs() > 0.0 {
                slopes.push((y[j] - y[i]) / run);
            }
        }
    }
    if slopes.is_empty() {
        return Err(SampleError::NoSpread);
    }
    if slopes.iter().all(|s| s.is_finite()) {
        Ok(slopes)
    } else {
        Err(SampleError::Overflow)
    }
}

/// Variance of Kendall's S over all orders, given the sizes of the tied groups.
fn variance_of_s(n: usize, ties: &[usize]) -> f64 {
    let triple = |m: usize| (m * (m - 1)) as f64 * (2 * m + 5) as f64;
    (triple(n) - ties.iter().fold(0.0, |sum, t| sum + triple(*t))) / 18.0
}

/// Sizes of the groups of equal values, singles left out.
fn tie_sizes(values: &[f64]) -> Vec<usize> {
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let mut sizes = Vec::new();
    for group in sorted.chunk_by(|a, b| a >= b) {
        if group.len() > 1 {
            sizes.push(group.len());
        }
    }
    sizes
}

/// P(|S| ≥ |s|) over all orders of n different values: the number of orders by number of falls is built up one value at a
/// time (Kendall 1975, chapter 5).
fn exact_p_value(n: usize, s: i64) -> f64 {
    // probability[k]: that an order of m values has k falls.
    let mut probability = vec![1.0];
    for m in 2..=n {
        let mut next = vec![0.0; m * (m - 1) / 2 + 1];
        for (k, p) in probability.iter().enumerate() {
            for extra in 0..m {
                next[k + extra] += p / m as f64;
            }
        }
        probability = next;
    }
    let pairs = (n * (n - 1) / 2) as i64;
    // S = pairs − 2·falls.
    let at_most = ((pairs - s.abs()) / 2) as usize;
    let tail = probability[..=at_most].iter().fold(0.0, |sum, p| sum + p);
    (2.0 * tail).min(1.0)
}
