//! Robust estimates of a standard deviation.

use super::median::{quantile_of_sorted, select_median};
use crate::sample::{SampleError, check};

/// 1/Φ⁻¹(3/4): makes the median absolute deviation estimate the standard deviation of normal data.
pub const NORMAL_MAD_FACTOR: f64 = 1.482_602_218_505_602;
/// 1/(2·Φ⁻¹(3/4)): the same for the interquartile range.
pub const NORMAL_IQR_FACTOR: f64 = 0.741_301_109_252_801;

/// 1.4826 × median |x − median|: a standard deviation that up to half the values cannot move. Zero when more than half are tied.
///
/// # Errors
/// [`SampleError`] for an empty list or values not finite.
pub fn median_absolute_deviation(values: &[f64]) -> Result<f64, SampleError> {
    check(values, 1)?;
    let mut work = values.to_vec();
    let centre = select_median(&mut work);
    for v in &mut work {
        *v = (*v - centre).abs();
    }
    Ok(NORMAL_MAD_FACTOR * select_median(&mut work))
}

/// 0.7413 × interquartile range: a standard deviation that up to a quarter of the values on each side cannot move.
///
/// # Errors
/// [`SampleError`] for fewer than two values or values not finite.
pub fn interquartile_scale(values: &[f64]) -> Result<f64, SampleError> {
    check(values, 2)?;
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    Ok(NORMAL_IQR_FACTOR * (quantile_of_sorted(&sorted, 0.75)? - quantile_of_sorted(&sorted, 0.25)?))
}
