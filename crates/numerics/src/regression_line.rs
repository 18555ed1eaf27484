//! A straight line with the test of its slope: does a series drift?

use crate::distribution::student_t_two_sided_p;
use crate::polynomial_fit::{FitError, PolynomialFit, fit_polynomial};

/// A straight line y = intercept + slope·x and the t test of slope = 0.
#[derive(Debug, Clone, PartialEq)]
pub struct RegressionLine {
    /// Value at x = 0.
    pub intercept: f64,
    /// Change of y per unit of x.
    pub slope: f64,
    /// Standard error of the intercept.
    pub intercept_standard_error: f64,
    /// Standard error of the slope.
    pub slope_standard_error: f64,
    /// Two-sided p value of slope = 0, Student's t with n − 2 degrees of freedom; 0 for an exact sloping line, 1 for an exact
    /// level one.
    pub slope_p_value: f64,
    /// The whole fit.
    pub fit: PolynomialFit,
}

/// Fits an unweighted straight line.
///
/// # Errors
/// [`FitError`], as for [`fit_polynomial`]: at least three points with at least two distinct x.
pub fn fit_line(x: &[f64], y: &[f64]) -> Result<RegressionLine, FitError> {
    let fit = fit_polynomial(x, y, &vec![1.0; x.len()], 1, true)?;
    let slope = fit.coefficients[1];
    let slope_standard_error = fit.standard_error(1);
    let slope_p_value = if slope_standard_error > 0.0 {
        let t = slope / slope_standard_error;
        student_t_two_sided_p(t, fit.degrees_of_freedom as f64).map_err(|_| FitError::Overflow)?
    } else if slope.abs() > 0.0 {
        0.0
    } else {
        1.0
    };
    Ok(RegressionLine {
        intercept: fit.coefficients[0],
        slope,
        intercept_standard_error: fit.standard_error(0),
        slope_standard_error,
        slope_p_value,
        fit,
    })
}
