//! Weighted least squares for a small dense design matrix (baselines, templates), by Householder reflections in f64.
//!
//! For polynomials use [`crate::polynomial_fit`], whose columns are nearly dependent by nature.

use crate::householder::triangularise;
use crate::matrix::SymmetricMatrix;
use crate::polynomial_fit::{FitError, check_finite, check_weights, weighted_sum_of_squares};

/// Sine of the angle below which a column counts as dependent on the ones before it.
const RANK_TOLERANCE: f64 = 1e-12;

/// A fit that is linear in its coefficients.
#[derive(Debug, Clone, PartialEq)]
pub struct LinearFit {
    /// One coefficient a column of the design matrix.
    pub coefficients: Vec<f64>,
    /// σ²·(XᵀWX)⁻¹.
    pub covariance: SymmetricMatrix,
    /// (XᵀWX)⁻¹, for a caller who knows σ² from elsewhere.
    pub unscaled_covariance: SymmetricMatrix,
    /// Observed minus fitted, unweighted.
    pub residuals: Vec<f64>,
    /// sqrt(Σ w·r² / degrees of freedom).
    pub residual_standard_error: f64,
    /// Points minus coefficients, at least 1.
    pub degrees_of_freedom: usize,
}

/// Fits `y ≈ design · c` by minimising Σ wᵢ (yᵢ − rowᵢ·c)².
///
/// `design` holds the matrix row by row, `columns` values for each of the `y.len()` points.
///
/// # Errors
/// [`FitError`], as for [`fit_polynomial`](crate::polynomial_fit::fit_polynomial); a matrix of zero columns is a length
/// mismatch.
pub fn fit_linear(design: &[f64], columns: usize, y: &[f64], weights: &[f64]) -> Result<LinearFit, FitError> {
    let rows = y.len();
    if columns == 0 || Some(design.len()) != rows.checked_mul(columns) {
        let expected = rows.saturating_mul(columns.max(1));
        return Err(FitError::LengthMismatch {
            what: "design values",
            expected,
            found: design.len(),
        });
    }
    if weights.len() != rows {
        return Err(FitError::LengthMismatch {
            what: "weights",
            expected: rows,
            found: weights.len(),
        });
    }
    check_finite("design value", design)?;
    check_finite("y", y)?;
    check_weights(weights)?;
    if rows < columns + 1 {
        return Err(FitError::TooFewPoints {
            needed: columns + 1,
            found: rows,
        });
    }

    let root_weights: Vec<f64> = weights.iter().map(|w| w.sqrt()).collect();
    let mut weighted = Vec::with_capacity(rows * columns);
    for j in 0..columns {
        for (i, root) in root_weights.iter().enumerate() {
            weighted.push(design[i * columns + j] * root);
        }
    }
    let factors = triangularise(weighted, rows, columns);
    if let Some(column) = factors.dependent_column(RANK_TOLERANCE) {
        return Err(FitError::RankDeficient { column });
    }
    let mut rotated: Vec<f64> = y.iter().zip(&root_weights).map(|(yi, root)| yi * root).collect();
    factors.rotate(&mut rotated);
    let coefficients = factors.solve(&rotated);

    let mut residuals = Vec::with_capacity(rows);
    for (yi, row) in y.iter().zip(design.chunks_exact(columns)) {
        let fitted: f64 = row.iter().zip(&coefficients).fold(0.0, |sum, (a, c)| sum + a * c);
        residuals.push(yi - fitted);
    }
    let degrees_of_freedom = rows - columns;
    let variance = weighted_sum_of_squares(&residuals, weights) / degrees_of_freedom as f64;
    let unscaled = SymmetricMatrix::from_upper_factor(&factors.inverse_upper(), columns, 1.0);
    let fit = LinearFit {
        covariance: unscaled.scaled(variance),
        unscaled_covariance: unscaled,
        coefficients,
        residuals,
        residual_standard_error: variance.sqrt(),
        degrees_of_freedom,
    };
    if fit.is_finite() {
        Ok(fit)
    } else {
        Err(FitError::Overflow)
    }
}

impl LinearFit {
    /// Standard error of coefficient `k`.
    ///
    /// # Panics
    /// When there is no coefficient `k`.
    #[must_use]
    pub fn standard_error(&self, k: usize) -> f64 {
        self.covariance.get(k, k).sqrt()
    }

    fn is_finite(&self) -> bool {
        self.coefficients
            .iter()
            .chain(&self.residuals)
            .all(|v| v.is_finite())
            && self.residual_standard_error.is_finite()
            && self.covariance.is_finite()
            && self.unscaled_covariance.is_finite()
    }
}
