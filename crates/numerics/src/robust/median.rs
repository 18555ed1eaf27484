//! Median, quantiles, moving median.

use crate::sample::{SampleError, check};

/// Median of `values`; the mean of the middle two when their number is even.
///
/// # Errors
/// [`SampleError`] for an empty list or values not finite.
pub fn median(values: &[f64]) -> Result<f64, SampleError> {
    median_in_place(&mut values.to_vec())
}

/// As [`median`], without a copy: the order of `values` is lost.
///
/// # Errors
/// As [`median`].
pub fn median_in_place(values: &mut [f64]) -> Result<f64, SampleError> {
    check(values, 1)?;
    Ok(select_median(values))
}

/// Median of values already in rising order.
///
/// # Errors
/// As [`median`].
pub fn median_of_sorted(values: &[f64]) -> Result<f64, SampleError> {
    check(values, 1)?;
    let middle = values.len() / 2;
    Ok(if values.len() % 2 == 1 {
        values[middle]
    } else {
        midpoint(values[middle - 1], values[middle])
    })
}

/// Quantile of values already in rising order, 0 ≤ `p` ≤ 1, by linear interpolation between order statistics (definition 7 of
/// R. J. Hyndman, Y. Fan, "Sample quantiles in statistical packages", Amer. Statist. 50 (1996) 361-365).
///
/// # Errors
/// [`SampleError`] for an empty list, values not finite, or p outside 0 to 1.
pub fn quantile_of_sorted(values: &[f64], p: f64) -> Result<f64, SampleError> {
    check(values, 1)?;
    if !(0.0..=1.0).contains(&p) {
        return Err(SampleError::Probability { found: p });
    }
    let place = p * (values.len() - 1) as f64;
    let below = place.floor();
    let index = below as usize;
    let above = (index + 1).min(values.len() - 1);
    Ok(values[index] + (place - below) * (values[above] - values[index]))
}

/// Median of the window of `2·half_width + 1` points around each point; the window is cut at the ends of the series.
///
/// # Errors
/// As [`median`].
pub fn moving_median(values: &[f64], half_width: usize) -> Result<Vec<f64>, SampleError> {
    check(values, 1)?;
    // One sorted window: each step takes one value out and puts one in.
    let mut window: Vec<f64> = Vec::with_capacity(2 * half_width.min(values.len()) + 1);
    let mut medians = Vec::with_capacity(values.len());
    let (mut first, mut next) = (0, 0);
    for i in 0..values.len() {
        let end = i.saturating_add(half_width).min(values.len() - 1);
        while next <= end {
            let place = window.partition_point(|v| v.total_cmp(&values[next]).is_lt());
            window.insert(place, values[next]);
            next += 1;
        }
        while first < i.saturating_sub(half_width) {
            let place = window.partition_point(|v| v.total_cmp(&values[first]).is_lt());
            window.remove(place);
            first += 1;
        }
        let middle = window.len() / 2;
        medians.push(if window.len() % 2 == 1 {
            window[middle]
        } else {
            midpoint(window[middle - 1], window[middle])
        });
    }
    Ok(medians)
}

/// Median of at least one finite value.
pub(super) fn select_median(values: &mut [f64]) -> f64 {
    let middle = values.len() / 2;
    let odd = values.len() % 2 == 1;
    let (below, at, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    if odd {
        return *at;
    }
    let lower = below.iter().fold(f64::NEG_INFINITY, |m, v| m.max(*v));
    midpoint(lower, *at)
}

/// Halves first, so that two large values do not overflow.
fn midpoint(a: f64, b: f64) -> f64 {
    0.5 * a + 0.5 * b
}
