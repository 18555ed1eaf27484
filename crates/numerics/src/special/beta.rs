//! The incomplete beta function.

use std::f64::consts::PI;

use super::{
    away_from_zero,
    saddle_point::{deviance, stirling_error},
};

/// Regularised incomplete beta function `I_x(a, b)` for a, b > 0 and 0 ≤ x ≤ 1; `None` outside.
///
/// Continued fraction 8.17.22 of the NIST Digital Library of Mathematical Functions.
#[must_use]
pub fn incomplete_beta(a: f64, b: f64, x: f64) -> Option<f64> {
    let valid = a > 0.0 && b > 0.0 && a.is_finite() && b.is_finite() && (0.0..=1.0).contains(&x);
    valid.then(|| incomplete_beta_pair(a, b, x, 1.0 - x).0)
}

/// `I_x(a, b)` and its complement; the caller gives y = 1 − x so that neither tail loses digits.
pub(crate) fn incomplete_beta_pair(a: f64, b: f64, x: f64, y: f64) -> (f64, f64) {
    if x <= 0.0 {
        return (0.0, 1.0);
    }
    if y <= 0.0 {
        return (1.0, 0.0);
    }
    // The fraction converges fast below the mean of the distribution; above it, use the mirror image.
    if x * (a + b + 2.0) < a + 1.0 {
        let lower = (beta_kernel(a, b, x, y) / a * beta_fraction(a, b, x)).min(1.0);
        (lower, 1.0 - lower)
    } else {
        let upper = (beta_kernel(a, b, x, y) / b * beta_fraction(b, a, y)).min(1.0);
        (1.0 - upper, upper)
    }
}

/// xᵃ·yᵇ / B(a, b) with x + y = 1, by the saddle-point form of C. Loader, "Fast and accurate computation of binomial
/// probabilities" (2000): what is large cancels on paper and not in floating point.
pub(crate) fn beta_kernel(a: f64, b: f64, x: f64, y: f64) -> f64 {
    let n = a + b;
    let exponent =
        stirling_error(n) - stirling_error(a) - stirling_error(b) - deviance(a, n * x) - deviance(b, n * y);
    (a / n * b / (2.0 * PI)).sqrt() * libm::exp(exponent)
}

/// Modified Lentz evaluation (I. J. Thompson, A. R. Barnett, J. Comput. Phys. 64 (1986) 490-509) of DLMF 8.17.22.
fn beta_fraction(a: f64, b: f64, x: f64) -> f64 {
    let step = |m: f64| {
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        (even, odd)
    };
    let mut c = 1.0;
    let mut d = 1.0 / away_from_zero(1.0 + step(0.0).1);
    let mut value = d;
    let mut m = 1.0;
    while m < 100_000.0 {
        let (even, odd) = step(m);
        d = 1.0 / away_from_zero(1.0 + even * d);
        c = away_from_zero(1.0 + even / c);
        value *= d * c;
        d = 1.0 / away_from_zero(1.0 + odd * d);
        c = away_from_zero(1.0 + odd / c);
        let change = d * c;
        value *= change;
        if (change - 1.0).abs() < f64::EPSILON {
            break;
        }
        m += 1.0;
    }
    value
}
