//! Fits that cannot be made are refused by name; what can be made keeps its invariants.

use proptest::prelude::*;
use spotwright_numerics::linear_least_squares::fit_linear;
use spotwright_numerics::nonlinear_fit::{
    Convergence, NonlinearFitError, NonlinearOptions, ResidualModel, fit_nonlinear,
};
use spotwright_numerics::polynomial_fit::{FitError, fit_polynomial};
use spotwright_numerics::regression_line::fit_line;

const X: [f64; 4] = [1.0, 2.0, 3.0, 4.0];
const Y: [f64; 4] = [1.0, 3.0, 2.0, 5.0];
const ONES: [f64; 4] = [1.0; 4];

#[test]
fn polynomial_fits_refused() {
    let refused = |x: &[f64], y: &[f64], w: &[f64], degree, intercept| {
        fit_polynomial(x, y, w, degree, intercept).unwrap_err()
    };
    assert_eq!(
        refused(&X, &Y, &ONES, 3, true),
        FitError::TooFewPoints { needed: 5, found: 4 }
    );
    assert_eq!(
        refused(&X, &Y, &ONES, 11, true),
        FitError::Degree {
            degree: 11,
            intercept: true
        }
    );
    assert_eq!(
        refused(&X, &Y, &ONES, 0, false),
        FitError::Degree {
            degree: 0,
            intercept: false
        }
    );
    assert!(matches!(
        refused(&X, &Y[..3], &ONES, 1, true),
        FitError::LengthMismatch {
            expected: 4,
            found: 3,
            ..
        }
    ));
    assert!(matches!(
        refused(&X, &Y, &ONES[..3], 1, true),
        FitError::LengthMismatch {
            expected: 4,
            found: 3,
            ..
        }
    ));
    assert!(matches!(
        refused(&[1.0, f64::NAN, 3.0, 4.0], &Y, &ONES, 1, true),
        FitError::NotFinite {
            what: "x",
            index: 1,
            ..
        }
    ));
    assert!(matches!(
        refused(&X, &[1.0, 2.0, f64::INFINITY, 4.0], &ONES, 1, true),
        FitError::NotFinite {
            what: "y",
            index: 2,
            ..
        }
    ));
    assert_eq!(
        refused(&X, &Y, &[1.0, 0.0, 1.0, 1.0], 1, true),
        FitError::WeightNotPositive { index: 1, found: 0.0 }
    );
    assert_eq!(
        refused(&[2.0; 4], &Y, &ONES, 1, true),
        FitError::RankDeficient { column: 1 }
    );
    assert_eq!(
        refused(&[2.0, 2.0, 5.0, 5.0], &Y, &ONES, 2, true),
        FitError::RankDeficient { column: 2 }
    );
    assert_eq!(
        refused(&[0.0; 4], &Y, &ONES, 1, false),
        FitError::RankDeficient { column: 1 }
    );
    assert_eq!(
        refused(&X, &[1e308, -1e308, 1e308, -1e308], &ONES, 1, true),
        FitError::Overflow
    );
}

#[test]
fn linear_fits_refused() {
    assert!(matches!(
        fit_linear(&[1.0; 7], 2, &Y, &ONES),
        Err(FitError::LengthMismatch {
            expected: 8,
            found: 7,
            ..
        })
    ));
    assert!(matches!(
        fit_linear(&[], 0, &Y, &ONES),
        Err(FitError::LengthMismatch { .. })
    ));
    let twice: Vec<f64> = X.iter().flat_map(|x| [*x, 2.0 * x]).collect();
    assert_eq!(
        fit_linear(&twice, 2, &Y, &ONES),
        Err(FitError::RankDeficient { column: 1 })
    );
}

/// A constant series has no R², and an exact line has no doubt.
#[test]
fn level_and_exact_lines() {
    let level = fit_line(&X, &[7.0; 4]).unwrap();
    assert_eq!(level.fit.r_squared, None);
    assert!(level.slope.abs() < 1e-15);
    let exact = fit_line(&X, &[3.0, 5.0, 7.0, 9.0]).unwrap();
    assert!(
        (exact.slope - 2.0).abs() < 1e-15 && exact.slope_p_value < 1e-12,
        "{exact:?}"
    );
}

/// Huge and tiny units: a power of two in x changes the coefficient of xᵏ by that power exactly.
#[test]
fn units_do_not_matter() {
    let base = fit_polynomial(&X, &Y, &ONES, 2, true).unwrap();
    for exponent in [-200, 200] {
        let unit = libm::ldexp(1.0, exponent);
        let x: Vec<f64> = X.iter().map(|v| v * unit).collect();
        let fit = fit_polynomial(&x, &Y, &ONES, 2, true).unwrap();
        assert_eq!(
            (fit.coefficients[2] * unit * unit).to_bits(),
            base.coefficients[2].to_bits()
        );
        assert_eq!(fit.residuals, base.residuals);
    }
}

struct Decay {
    times: Vec<f64>,
    values: Vec<f64>,
}

impl ResidualModel for Decay {
    fn residual_count(&self) -> usize {
        self.times.len()
    }

    fn residuals(&self, parameters: &[f64], residuals: &mut [f64]) {
        for ((r, t), y) in residuals.iter_mut().zip(&self.times).zip(&self.values) {
            *r = parameters[0] * libm::exp(-parameters[1] * t) - y;
        }
    }
}

#[test]
fn nonlinear_fits_refused() {
    let options = NonlinearOptions::default();
    let model = Decay {
        times: vec![0.0, 1.0, 2.0, 3.0],
        values: vec![8.0, 4.0, 2.0, 1.0],
    };
    let exact = fit_nonlinear(&model, &[1.0, 0.1], &options).unwrap();
    assert!(
        (exact.parameters[1] - std::f64::consts::LN_2).abs() < 1e-14,
        "{exact:?}"
    );
    assert_ne!(exact.convergence, Convergence::RelativeOffset);
    assert!(matches!(
        fit_nonlinear(&model, &[f64::NAN, 0.1], &options),
        Err(NonlinearFitError::StartNotFinite { index: 0, .. })
    ));
    assert_eq!(
        fit_nonlinear(&model, &[1.0, -1e6], &options),
        Err(NonlinearFitError::ModelNotFiniteAtStart)
    );
    let short = Decay {
        times: vec![0.0, 1.0],
        values: vec![8.0, 4.0],
    };
    assert_eq!(
        fit_nonlinear(&short, &[1.0, 0.1], &options),
        Err(NonlinearFitError::TooFewResiduals {
            parameters: 2,
            needed: 3,
            found: 2
        })
    );
    let hurried = NonlinearOptions {
        max_iterations: 1,
        ..options
    };
    assert!(matches!(
        fit_nonlinear(&model, &[100.0, 3.0], &hurried),
        Err(NonlinearFitError::MaxIterations { iterations: 1, .. })
    ));
    // All readings at one time: amplitude and rate cannot be told apart, and no covariance is invented.
    let blind = Decay {
        times: vec![1.0; 4],
        values: vec![2.0, 2.1, 1.9, 2.05],
    };
    let fit = fit_nonlinear(&blind, &[1.0, 0.1], &options).unwrap();
    assert_eq!(fit.covariance, None);
}

proptest! {
    /// The general solver and the polynomial one agree; weighted residuals are orthogonal to every column.
    #[test]
    fn solvers_agree(
        points in prop::collection::vec((0.1_f64..100.0, -1e4_f64..1e4), 5..30), exponent in 0_usize..3
    ) {
        let (x, y): (Vec<f64>, Vec<f64>) = points.into_iter().unzip();
        let weights: Vec<f64> = x.iter().map(|v| (0..exponent).fold(1.0, |w, _| w / v)).collect();
        let design: Vec<f64> = x.iter().flat_map(|v| [1.0, *v]).collect();
        let line = fit_polynomial(&x, &y, &weights, 1, true);
        let general = fit_linear(&design, 2, &y, &weights);
        let (Ok(line), Ok(general)) = (line, general) else { return Ok(()) };
        let size = 1.0 + line.coefficients[0].abs() + line.coefficients[1].abs();
        for (a, b) in line.coefficients.iter().zip(&general.coefficients) {
            prop_assert!((a - b).abs() < 1e-6 * size, "{} {}", a, b);
        }
        for power in 0..2 {
            let term = |i: usize| weights[i] * if power == 0 { 1.0 } else { x[i] } * line.residuals[i];
            let sum: f64 = (0..x.len()).map(term).sum();
            let scale: f64 = (0..x.len()).map(|i| term(i).abs()).sum();
            prop_assert!(sum.abs() <= 1e-11 * scale + 1e-12);
        }
        // The spread of the fitted mean: by the factor and by the covariance.
        let at = 40.0;
        let through_covariance = line.covariance.quadratic_form(&[1.0, at]);
        prop_assert!((line.prediction_variance(at) - through_covariance).abs() <= 1e-6 * line.prediction_variance(at) + 1e-9);
    }
}
