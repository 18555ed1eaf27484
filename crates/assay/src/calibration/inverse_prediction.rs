//! What a curve alone says about a reading (published calibration tables, `curve FILE.csv`): inverse prediction with its
//! standard error, critical value, detection limit and quantification limit. Judging a run uses `crate::uncertainty`,
//! which knows where the scatter comes from.

use super::{Curve, InverseOutcome};
use spotwright_numerics::distribution::{DistributionError, student_t_quantile};

/// A concentration read from a curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct InversePrediction {
    /// The concentration.
    pub value: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Half-width of the confidence interval.
    pub half_width: f64,
}

/// Why a prediction cannot be given.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PredictionError {
    /// The reading has no concentration on the rising branch.
    #[error("the reading {reading} has no concentration on the curve")]
    NoConcentration {
        /// The reading.
        reading: f64,
    },
    /// At least one reading and a weight above zero are needed.
    #[error("{readings} readings of weight {weight} cannot be predicted from")]
    Readings {
        /// Number of readings.
        readings: usize,
        /// Weight of a reading.
        weight: f64,
    },
    /// The probability is not between 0 and 1.
    #[error(transparent)]
    Distribution(#[from] DistributionError),
    /// The limit does not settle: the curve is too uncertain for a limit to exist.
    #[error("the limit does not exist: its uncertainty grows as fast as the concentration")]
    NoLimit,
}

/// Concentration of the mean of `readings` readings `y`, each of weight `weight` on the scale of the fit's weights, with
/// the confidence `1 − alpha` (D. L. Massart et al., Handbook of Chemometrics and Qualimetrics A, 1997, §8.2.6 and
/// 8.2.3.2; DIN 32645:2008): s²(x) = (σ²/(m·w) + σ²·leverage(x)) / slope(x)², Student's t with n − p degrees of freedom.
///
/// # Errors
/// [`PredictionError`].
pub fn inverse_prediction(
    curve: &Curve,
    y: f64,
    readings: usize,
    weight: f64,
    alpha: f64,
) -> Result<InversePrediction, PredictionError> {
    if readings == 0 || weight.is_nan() || weight <= 0.0 {
        return Err(PredictionError::Readings { readings, weight });
    }
    let InverseOutcome::Value(value) = curve.inverse(y) else {
        return Err(PredictionError::NoConcentration { reading: y });
    };
    let standard_error = standard_error_at(curve, value, readings, weight);
    let t = student_t_quantile(1.0 - 0.5 * alpha, curve.fit.degrees_of_freedom as f64)?;
    if standard_error.is_finite() {
        Ok(InversePrediction {
            value,
            standard_error,
            half_width: t * standard_error,
        })
    } else {
        Err(PredictionError::NoConcentration { reading: y })
    }
}

/// Critical value (decision limit): the concentration whose reading a blank exceeds with probability `alpha`
/// (DIN 32645:2008 §7.1, calibration-line method), for the mean of `readings` readings.
///
/// # Errors
/// [`PredictionError`].
pub fn critical_value(curve: &Curve, readings: usize, alpha: f64) -> Result<f64, PredictionError> {
    let t = student_t_quantile(1.0 - alpha, curve.fit.degrees_of_freedom as f64)?;
    finite(t * standard_error_at(curve, 0.0, readings.max(1), 1.0))
}

/// Detection limit for equal risks of both kinds: twice the critical value (DIN 32645:2008 §7.2).
///
/// # Errors
/// [`PredictionError`].
pub fn detection_limit(curve: &Curve, readings: usize, alpha: f64) -> Result<f64, PredictionError> {
    critical_value(curve, readings, alpha).map(|critical| 2.0 * critical)
}

/// Quantification limit: the concentration whose relative confidence half-width is 1/`k` at confidence `1 − alpha`,
/// solved exactly (DIN 32645:2008 §7.3 gives a first approximation of the same equation).
///
/// # Errors
/// [`PredictionError`]; [`PredictionError::NoLimit`] when no concentration is that well known.
pub fn quantification_limit(
    curve: &Curve,
    readings: usize,
    alpha: f64,
    k: f64,
) -> Result<f64, PredictionError> {
    const MAX_ITERATIONS: usize = 1000;
    let t = student_t_quantile(1.0 - 0.5 * alpha, curve.fit.degrees_of_freedom as f64)?;
    let mut limit = 0.0;
    for _ in 0..MAX_ITERATIONS {
        let next = finite(k * t * standard_error_at(curve, limit, readings.max(1), 1.0))?;
        if (next - limit).abs() <= 1e-13 * next {
            return Ok(next);
        }
        limit = next;
    }
    Err(PredictionError::NoLimit)
}

fn standard_error_at(curve: &Curve, x: f64, readings: usize, weight: f64) -> f64 {
    let sigma = curve.fit.residual_standard_error;
    let variance = 1.0 / (readings as f64 * weight) + curve.fit.leverage(x);
    sigma * variance.sqrt() / curve.slope_at(x).abs()
}

fn finite(value: f64) -> Result<f64, PredictionError> {
    if value.is_finite() {
        Ok(value)
    } else {
        Err(PredictionError::NoLimit)
    }
}
