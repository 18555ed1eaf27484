//! A step in a series: where, and how surely.

use super::median::select_median;
use crate::sample::{SampleError, check};

/// The most likely place of one step.
#[derive(Debug, Clone, PartialEq)]
pub struct ChangePoint {
    /// Position from 0 of the first value after the step.
    pub first_after: usize,
    /// max |U|.
    pub k: i64,
    /// Approximate two-sided p value, 2·exp(−6K²/(n³ + n²)), at most 1. Conservative for short series.
    pub p_value: f64,
    /// Median before the step.
    pub median_before: f64,
    /// Median from the step on.
    pub median_after: f64,
}

/// Pettitt's test of one step in a series in time order (A. N. Pettitt, "A non-parametric approach to the change-point
/// problem", Appl. Statist. 28 (1979) 126-135).
///
/// # Errors
/// [`SampleError`] for fewer than four values, values not finite, [`SampleError::NoSpread`] when all are equal.
pub fn pettitt(values: &[f64]) -> Result<ChangePoint, SampleError> {
    check(values, 4)?;
    let n = values.len();
    let mut u = 0_i64;
    let mut k = 0_i64;
    let mut first_after = 0;
    for t in 0..n - 1 {
        // U_t = U_{t−1} + Σ_j sign(x_t − x_j).
        for other in values {
            u += i64::from(values[t] > *other) - i64::from(values[t] < *other);
        }
        if u.abs() > k {
            k = u.abs();
            first_after = t + 1;
        }
    }
    if k == 0 {
        return Err(SampleError::NoSpread);
    }
    let size = n as f64;
    let statistic = k as f64;
    let p_value = (2.0 * libm::exp(-6.0 * statistic * statistic / (size * size * (size + 1.0)))).min(1.0);
    Ok(ChangePoint {
        first_after,
        k,
        p_value,
        median_before: select_median(&mut values[..first_after].to_vec()),
        median_after: select_median(&mut values[first_after..].to_vec()),
    })
}
