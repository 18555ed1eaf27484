//! The fitted curve: area ratio = c0 + c1·x (+ c2·x²).

use spotwright_domain::method::{CurveModel, Weighting};
use spotwright_numerics::polynomial_fit::{FitError, PolynomialFit, fit_polynomial};

/// A fitted calibration curve.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    /// Shape.
    pub model: CurveModel,
    /// Coefficients, standard errors and covariance, in the conventions of a weighted linear model.
    pub fit: PolynomialFit,
    /// Lowest and highest concentration of the fit.
    pub range: [f64; 2],
    /// Concentrations of the fit, in the order given.
    pub(super) x: Vec<f64>,
    /// Weights of the fit, in the order given.
    pub(super) weights: Vec<f64>,
}

/// Why there is no curve.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CurveError {
    /// 1/x and 1/x² have no meaning at or below zero.
    #[error("calibrator {index} has the concentration {found}: a weight of 1/x or 1/x² needs more than 0")]
    WeightUndefined {
        /// Position of the calibrator, from 0.
        index: usize,
        /// Its concentration.
        found: f64,
    },
    /// The fit was refused.
    #[error("the calibration curve cannot be fitted: {0}")]
    Fit(#[from] FitError),
}

/// Fits a curve through (concentration, area ratio), each weighted by its nominal concentration (CAL-01).
///
/// # Errors
/// [`CurveError`]: too few points, not finite, a weight undefined, points that do not determine the curve.
pub fn fit_curve(
    points: &[(f64, f64)],
    model: CurveModel,
    weighting: Weighting,
) -> Result<Curve, CurveError> {
    let mut weights = Vec::with_capacity(points.len());
    for (index, (x, _)) in points.iter().enumerate() {
        if weighting != Weighting::None && (x.is_nan() || *x <= 0.0) {
            return Err(CurveError::WeightUndefined { index, found: *x });
        }
        weights.push(match weighting {
            Weighting::None => 1.0,
            Weighting::InverseX => 1.0 / x,
            Weighting::InverseXSquared => 1.0 / (x * x),
        });
    }
    fit_curve_with_weights(points, model, &weights)
}

/// Fits a curve with a weight for each point.
///
/// # Errors
/// [`CurveError`], as for [`fit_curve`].
pub fn fit_curve_with_weights(
    points: &[(f64, f64)],
    model: CurveModel,
    weights: &[f64],
) -> Result<Curve, CurveError> {
    let x: Vec<f64> = points.iter().map(|(x, _)| *x).collect();
    let y: Vec<f64> = points.iter().map(|(_, y)| *y).collect();
    let fit = fit_polynomial(&x, &y, weights, degree(model), true)?;
    Ok(Curve {
        model,
        fit,
        range: [
            x.iter().fold(f64::INFINITY, |least, v| least.min(*v)),
            x.iter().fold(f64::NEG_INFINITY, |most, v| most.max(*v)),
        ],
        weights: weights.to_vec(),
        x,
    })
}

fn degree(model: CurveModel) -> usize {
    match model {
        CurveModel::Linear => 1,
        CurveModel::Quadratic => 2,
    }
}

impl Curve {
    /// Area ratio at a concentration.
    #[must_use]
    pub fn value_at(&self, x: f64) -> f64 {
        self.fit.evaluate(x)
    }

    /// Change of the ratio by concentration.
    #[must_use]
    pub fn slope_at(&self, x: f64) -> f64 {
        self.fit.derivative(x)
    }

    /// Concentration at which a parabola turns; `None` for a straight line.
    #[must_use]
    pub fn turning_point(&self) -> Option<f64> {
        let bend = self.fit.coefficients.get(2).copied().unwrap_or(0.0);
        let turn = -self.fit.coefficients[1] / (2.0 * bend);
        turn.is_finite().then_some(turn)
    }

    /// The turning point, when it lies inside `range` (CAL-03).
    #[must_use]
    pub fn turns_inside(&self, range: [f64; 2]) -> Option<f64> {
        self.turning_point()
            .filter(|turn| (range[0]..=range[1]).contains(turn))
    }

    /// Concentrations of the fit and their weights.
    pub(crate) fn design(&self) -> (&[f64], &[f64]) {
        (&self.x, &self.weights)
    }

    /// Powers of `x`, constant first: the row of the design matrix and the gradient of the curve by its coefficients.
    pub(crate) fn powers(&self, x: f64) -> Vec<f64> {
        let mut power = 1.0;
        self.fit
            .coefficients
            .iter()
            .map(|_| {
                let this = power;
                power *= x;
                this
            })
            .collect()
    }
}
