//! Mean, standard deviation and coefficient of variation.
//!
//! Sums are carried in double-double, and deviations are taken from the mean in a second pass (T. F. Chan, G. H. Golub,
//! R. J. `LeVeque`, "Algorithms for computing the sample variance", Amer. Statist. 37 (1983) 242-247).

use crate::double_double::DoubleDouble;
use crate::real::Real;
use crate::sample::{SampleError, check, check_pair, finite};

/// Arithmetic mean.
///
/// # Errors
/// [`SampleError`] for an empty list, values that are not finite, or overflow.
pub fn mean(values: &[f64]) -> Result<f64, SampleError> {
    check(values, 1)?;
    finite(precise_mean(values).to_f64())
}

/// Sample variance, with n − 1 in the denominator.
///
/// # Errors
/// [`SampleError`] for fewer than two values, values that are not finite, or overflow.
pub fn variance(values: &[f64]) -> Result<f64, SampleError> {
    check(values, 2)?;
    finite(sum_of_squared_deviations(values).to_f64() / (values.len() - 1) as f64)
}

/// Sample standard deviation, with n − 1 in the denominator.
///
/// # Errors
/// As [`variance`].
pub fn standard_deviation(values: &[f64]) -> Result<f64, SampleError> {
    variance(values).map(f64::sqrt)
}

/// Coefficient of variation, standard deviation over |mean|, as a fraction (not percent).
///
/// # Errors
/// As [`variance`]; [`SampleError::NoSpread`] when the mean is zero.
pub fn coefficient_of_variation(values: &[f64]) -> Result<f64, SampleError> {
    let deviation = standard_deviation(values)?;
    let centre = mean(values)?.abs();
    if centre > 0.0 {
        finite(deviation / centre)
    } else {
        Err(SampleError::NoSpread)
    }
}

/// Mean weighted by `weights`, Σwx/Σw.
///
/// # Errors
/// [`SampleError`] for empty or unequal lists, values not finite, weights not positive, or overflow.
pub fn weighted_mean(values: &[f64], weights: &[f64]) -> Result<f64, SampleError> {
    check_pair(values, weights, 1)?;
    if let Some(index) = weights.iter().position(|w| *w <= 0.0) {
        return Err(SampleError::WeightNotPositive {
            index,
            found: weights[index],
        });
    }
    let mut total = DoubleDouble::ZERO;
    let mut weight = DoubleDouble::ZERO;
    for (v, w) in values.iter().zip(weights) {
        total = total + DoubleDouble::from_f64(*v) * DoubleDouble::from_f64(*w);
        weight = weight + DoubleDouble::from_f64(*w);
    }
    finite((total / weight).to_f64())
}

/// Sum of the values, each addition exact to about 31 digits; zero for none.
///
/// # Errors
/// [`SampleError`] for values that are not finite, or overflow.
pub fn compensated_sum(values: &[f64]) -> Result<f64, SampleError> {
    check(values, 0)?;
    finite(precise_sum(values).to_f64())
}

pub(crate) fn precise_sum(values: &[f64]) -> DoubleDouble {
    values
        .iter()
        .fold(DoubleDouble::ZERO, |sum, v| sum + DoubleDouble::from_f64(*v))
}

pub(crate) fn precise_mean(values: &[f64]) -> DoubleDouble {
    precise_sum(values) / DoubleDouble::from_f64(values.len() as f64)
}

pub(crate) fn sum_of_squared_deviations(values: &[f64]) -> DoubleDouble {
    let centre = precise_mean(values);
    let mut total = DoubleDouble::ZERO;
    for v in values {
        let deviation = DoubleDouble::from_f64(*v) - centre;
        total = total + deviation * deviation;
    }
    total
}
