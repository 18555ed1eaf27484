//! Weighted least squares of a polynomial, by Householder reflections in double-double arithmetic.
//!
//! Never the normal equations: forming `XᵀWX` squares the condition number. Columns are scaled to unit length and the
//! factorisation carries about 31 digits, so what limits the coefficients is the rounding of the data themselves.
//! Conventions of the residual standard error, covariance and R² are those of the weighted linear model in
//! J. M. Chambers, "Linear models", chapter 4 of Statistical Models in S (1992).

use crate::double_double::DoubleDouble;
use crate::householder::triangularise;
use crate::matrix::SymmetricMatrix;
use crate::real::Real;

/// The highest degree accepted.
pub const MAX_DEGREE: usize = 10;

/// A column whose sine of the angle to the columns before it is below this has no information of its own: the
/// rounding of the data alone (2⁻⁵³) could produce it.
const RANK_TOLERANCE: f64 = 4.0 * f64::EPSILON;

/// A fitted polynomial y = Σ cₖ xᵏ with what is known about its coefficients.
#[derive(Debug, Clone, PartialEq)]
pub struct PolynomialFit {
    /// `coefficients[k]` multiplies xᵏ; `degree + 1` of them. Without an intercept the first is exactly zero.
    pub coefficients: Vec<f64>,
    /// Covariance of the coefficients, σ²·(XᵀWX)⁻¹; zeros in the row and column of an absent intercept.
    pub covariance: SymmetricMatrix,
    /// (XᵀWX)⁻¹, for a caller with an independent estimate of σ²; zeros as in `covariance`.
    pub unscaled_covariance: SymmetricMatrix,
    /// Observed minus fitted, unweighted, in the order of the points.
    pub residuals: Vec<f64>,
    /// Weighted residual standard error: sqrt(Σ w·r² / degrees of freedom).
    pub residual_standard_error: f64,
    /// 1 − Σ w·r² / Σ w·(y − ȳ)² with ȳ the weighted mean, about zero instead without an intercept;
    /// `None` when the observations do not vary.
    pub r_squared: Option<f64>,
    /// Points minus estimated coefficients, at least 1.
    pub degrees_of_freedom: usize,
    /// Whether the intercept was estimated.
    pub has_intercept: bool,
    /// Upper triangular L with L·Lᵀ = (XᵀWX)⁻¹ over the estimated coefficients, row by row.
    inverse_factor: Vec<f64>,
}

/// Why a polynomial or linear fit was refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FitError {
    /// x, y and weights (or the design matrix) differ in length.
    #[error("{expected} {what} were expected, {found} were given")]
    LengthMismatch {
        /// What was counted.
        what: &'static str,
        /// Length that goes with the other lists.
        expected: usize,
        /// Length given.
        found: usize,
    },
    /// The degree is not 0 to [`MAX_DEGREE`], or is 0 without an intercept.
    #[error(
        "a polynomial of degree {degree} with intercept = {intercept} cannot be fitted (degree 0 to 10, 1 to 10 without intercept)"
    )]
    Degree {
        /// Degree asked for.
        degree: usize,
        /// Whether an intercept was asked for.
        intercept: bool,
    },
    /// No point would be left over to judge the fit by.
    #[error("{needed} points are needed (one more than coefficients), {found} were given")]
    TooFewPoints {
        /// Coefficients plus one.
        needed: usize,
        /// Points given.
        found: usize,
    },
    /// A number is NaN or infinite.
    #[error("{what} {index} is not finite ({found})")]
    NotFinite {
        /// Which list.
        what: &'static str,
        /// Position from 0.
        index: usize,
        /// The number.
        found: f64,
    },
    /// A weight is zero or negative.
    #[error("weight {index} is not positive ({found})")]
    WeightNotPositive {
        /// Position from 0.
        index: usize,
        /// The weight.
        found: f64,
    },
    /// The points do not determine the coefficients (too few distinct x, or dependent columns).
    #[error("the data do not determine coefficient {column}: its column depends on the ones before it")]
    RankDeficient {
        /// Position of the first column that adds nothing.
        column: usize,
    },
    /// The result is beyond the range of f64.
    #[error("the fit is beyond the range of a 64-bit number")]
    Overflow,
}

/// Fits y = Σ cₖ xᵏ by minimising Σ wᵢ (yᵢ − Σ cₖ xᵢᵏ)².
///
/// `degree` is 0 to 10; with `intercept = false` the curve passes through the origin (powers 1 to `degree`).
/// Weights are relative: multiplying all by one number changes no coefficient and no standard error.
///
/// # Errors
/// [`FitError`], for lengths, degree, too few points, non-finite numbers, weights not above zero, points that do not
/// determine the curve, overflow.
pub fn fit_polynomial(
    x: &[f64],
    y: &[f64],
    weights: &[f64],
    degree: usize,
    intercept: bool,
) -> Result<PolynomialFit, FitError> {
    check_input(x, y, weights, degree, intercept)?;
    let first_power = usize::from(!intercept);
    let columns = degree + 1 - first_power;
    let rows = x.len();
    if rows < columns + 1 {
        return Err(FitError::TooFewPoints {
            needed: columns + 1,
            found: rows,
        });
    }

    // A power of two near the largest |x|: dividing by it is exact and keeps high powers in range.
    let unit = power_of_two_near(x.iter().fold(0.0_f64, |m, v| m.max(v.abs())));
    let root_weights: Vec<DoubleDouble> = weights
        .iter()
        .map(|w| DoubleDouble::from_f64(*w).sqrt())
        .collect();
    let mut design = Vec::with_capacity(rows * columns);
    for power in first_power..=degree {
        for (xi, root) in x.iter().zip(&root_weights) {
            let scaled = DoubleDouble::from_f64(xi / unit);
            design.push((0..power).fold(*root, |product, _| product * scaled));
        }
    }
    let factors = triangularise(design, rows, columns);
    if let Some(column) = factors.dependent_column(RANK_TOLERANCE) {
        return Err(FitError::RankDeficient {
            column: column + first_power,
        });
    }

    let mut rotated: Vec<DoubleDouble> = y
        .iter()
        .zip(&root_weights)
        .map(|(yi, root)| DoubleDouble::from_f64(*yi) * *root)
        .collect();
    factors.rotate(&mut rotated);
    let solution = factors.solve(&rotated);
    let residuals = residuals(x, y, unit, &solution, first_power);
    let degrees_of_freedom = rows - columns;
    let weighted_rss = weighted_sum_of_squares(&residuals, weights);
    let variance = weighted_rss / degrees_of_freedom as f64;

    let mut inverse_factor: Vec<f64> = Vec::with_capacity(columns * columns);
    let inverse = factors.inverse_upper();
    for i in 0..columns {
        let power_unit = power(unit, i + first_power);
        for j in 0..columns {
            inverse_factor.push(inverse[i * columns + j].to_f64() / power_unit);
        }
    }
    let unscaled = SymmetricMatrix::from_upper_factor(&inverse_factor, columns, 1.0).padded(first_power);
    let mut coefficients = vec![0.0; first_power];
    for (k, c) in solution.iter().enumerate() {
        coefficients.push(c.to_f64() / power(unit, k + first_power));
    }
    let fit = PolynomialFit {
        r_squared: r_squared(y, &residuals, weights, weighted_rss, intercept),
        covariance: unscaled.scaled(variance),
        unscaled_covariance: unscaled,
        coefficients,
        residuals,
        residual_standard_error: variance.sqrt(),
        degrees_of_freedom,
        has_intercept: intercept,
        inverse_factor,
    };
    if fit.is_finite() {
        Ok(fit)
    } else {
        Err(FitError::Overflow)
    }
}

impl PolynomialFit {
    /// The degree of the polynomial.
    #[must_use]
    pub fn degree(&self) -> usize {
        self.coefficients.len() - 1
    }

    /// The curve's value at `x` (Horner's rule). Finite for finite `x` short of overflow.
    #[must_use]
    pub fn evaluate(&self, x: f64) -> f64 {
        self.coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c)
    }

    /// The curve's slope at `x`.
    #[must_use]
    pub fn derivative(&self, x: f64) -> f64 {
        let mut slope = 0.0;
        for (k, c) in self.coefficients.iter().enumerate().skip(1).rev() {
            slope = slope * x + c * k as f64;
        }
        slope
    }

    /// Leverage of a reading of weight 1 at `x`: vᵀ(XᵀWX)⁻¹v with v the powers of `x`.
    #[must_use]
    pub fn leverage(&self, x: f64) -> f64 {
        let first_power = usize::from(!self.has_intercept);
        let columns = self.coefficients.len() - first_power;
        let mut total = 0.0;
        for j in 0..columns {
            let mut projection = 0.0;
            let mut x_power = power(x, first_power);
            for i in 0..=j {
                projection += self.inverse_factor[i * columns + j] * x_power;
                x_power *= x;
            }
            total += projection * projection;
        }
        total
    }

    /// Variance of the fitted mean at `x`: σ²·leverage. A new reading of weight w adds σ²/w to it.
    #[must_use]
    pub fn prediction_variance(&self, x: f64) -> f64 {
        self.leverage(x) * self.residual_standard_error * self.residual_standard_error
    }

    /// Standard error of the coefficient of xᵏ; zero for an absent intercept.
    ///
    /// # Panics
    /// When `k` exceeds the degree.
    #[must_use]
    pub fn standard_error(&self, k: usize) -> f64 {
        self.covariance.get(k, k).sqrt()
    }

    fn is_finite(&self) -> bool {
        self.coefficients
            .iter()
            .chain(&self.residuals)
            .chain(&self.inverse_factor)
            .all(|v| v.is_finite())
            && self.residual_standard_error.is_finite()
            && self.covariance.is_finite()
            && self.unscaled_covariance.is_finite()
    }
}

pub(crate) fn check_finite(what: &'static str, values: &[f64]) -> Result<(), FitError> {
    match values.iter().position(|v| !v.is_finite()) {
        Some(index) => Err(FitError::NotFinite {
            what,
            index,
            found: values[index],
        }),
        None => Ok(()),
    }
}

pub(crate) fn check_weights(weights: &[f64]) -> Result<(), FitError> {
    check_finite("weight", weights)?;
    match weights.iter().position(|w| *w <= 0.0) {
        Some(index) => Err(FitError::WeightNotPositive {
            index,
            found: weights[index],
        }),
        None => Ok(()),
    }
}

/// R²: with an intercept about the weighted mean, otherwise about zero.
pub(crate) fn r_squared(
    y: &[f64],
    residuals: &[f64],
    weights: &[f64],
    weighted_rss: f64,
    intercept: bool,
) -> Option<f64> {
    let fitted: Vec<f64> = y.iter().zip(residuals).map(|(yi, r)| yi - r).collect();
    let centre = if intercept {
        let total: f64 = sum(weights.iter().copied());
        sum(fitted.iter().zip(weights).map(|(f, w)| f * w)) / total
    } else {
        0.0
    };
    let explained = sum(fitted
        .iter()
        .zip(weights)
        .map(|(f, w)| (f - centre) * (f - centre) * w));
    let total = explained + weighted_rss;
    let (least, most) = y.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| {
        (a.min(*v), b.max(*v))
    });
    let varies = !intercept || least < most;
    (varies && total > 0.0 && total.is_finite()).then(|| explained / total)
}

pub(crate) fn weighted_sum_of_squares(values: &[f64], weights: &[f64]) -> f64 {
    sum(values.iter().zip(weights).map(|(v, w)| v * v * w))
}

fn sum(values: impl Iterator<Item = f64>) -> f64 {
    values
        .fold(DoubleDouble::ZERO, |total, v| total + DoubleDouble::from_f64(v))
        .to_f64()
}

fn residuals(x: &[f64], y: &[f64], unit: f64, solution: &[DoubleDouble], first_power: usize) -> Vec<f64> {
    let mut residuals = Vec::with_capacity(x.len());
    for (xi, yi) in x.iter().zip(y) {
        let scaled = DoubleDouble::from_f64(xi / unit);
        let mut fitted = DoubleDouble::ZERO;
        for c in solution.iter().rev() {
            fitted = fitted * scaled + *c;
        }
        for _ in 0..first_power {
            fitted = fitted * scaled;
        }
        residuals.push((DoubleDouble::from_f64(*yi) - fitted).to_f64());
    }
    residuals
}

fn check_input(
    x: &[f64],
    y: &[f64],
    weights: &[f64],
    degree: usize,
    intercept: bool,
) -> Result<(), FitError> {
    if degree > MAX_DEGREE || (degree == 0 && !intercept) {
        return Err(FitError::Degree { degree, intercept });
    }
    if y.len() != x.len() {
        return Err(FitError::LengthMismatch {
            what: "values of y",
            expected: x.len(),
            found: y.len(),
        });
    }
    if weights.len() != x.len() {
        return Err(FitError::LengthMismatch {
            what: "weights",
            expected: x.len(),
            found: weights.len(),
        });
    }
    check_finite("x", x)?;
    check_finite("y", y)?;
    check_weights(weights)
}

fn power_of_two_near(value: f64) -> f64 {
    if value > 0.0 {
        libm::ldexp(1.0, libm::ilogb(value))
    } else {
        1.0
    }
}

fn power(base: f64, exponent: usize) -> f64 {
    (0..exponent).fold(1.0, |product, _| product * base)
}
