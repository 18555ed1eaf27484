//! The gamma function and the incomplete gamma functions.

use std::f64::consts::PI;

use super::{
    away_from_zero,
    saddle_point::{deviance, stirling_error},
};

/// Natural logarithm of |Γ(x)|.
#[must_use]
pub fn ln_gamma(x: f64) -> f64 {
    libm::lgamma(x)
}

/// Regularised lower incomplete gamma function P(a, x) for a > 0, x ≥ 0; `None` outside.
///
/// Series 8.11.4 and continued fraction 8.9.2 of the NIST Digital Library of Mathematical Functions.
#[must_use]
pub fn incomplete_gamma_lower(a: f64, x: f64) -> Option<f64> {
    (a > 0.0 && a.is_finite() && x >= 0.0).then(|| incomplete_gamma_pair(a, x).0)
}

/// Regularised upper incomplete gamma function Q(a, x) = 1 − P(a, x), without cancellation; `None` as for P.
#[must_use]
pub fn incomplete_gamma_upper(a: f64, x: f64) -> Option<f64> {
    (a > 0.0 && a.is_finite() && x >= 0.0).then(|| incomplete_gamma_pair(a, x).1)
}

/// P(a, x) and Q(a, x).
pub(crate) fn incomplete_gamma_pair(a: f64, x: f64) -> (f64, f64) {
    if x <= 0.0 {
        return (0.0, 1.0);
    }
    if x.is_infinite() {
        return (1.0, 0.0);
    }
    if x < a + 1.0 {
        let lower = (gamma_kernel(a, x) / a * gamma_series(a, x)).min(1.0);
        (lower, 1.0 - lower)
    } else {
        let upper = (gamma_kernel(a, x) * gamma_fraction(a, x)).min(1.0);
        (1.0 - upper, upper)
    }
}

/// xᵃ·e⁻ˣ / Γ(a), in the same form.
pub(crate) fn gamma_kernel(a: f64, x: f64) -> f64 {
    (a / (2.0 * PI)).sqrt() * libm::exp(-stirling_error(a) - deviance(a, x))
}

/// Σ xᵏ / ((a+1)…(a+k)).
fn gamma_series(a: f64, x: f64) -> f64 {
    let mut term = 1.0;
    let mut total = 1.0;
    let mut denominator = a;
    while term > total * 0.25 * f64::EPSILON {
        denominator += 1.0;
        term *= x / denominator;
        total += term;
    }
    total
}

/// The fraction of DLMF 8.9.2 in its even form, 1/(x+1−a − 1(1−a)/(x+3−a − …)).
fn gamma_fraction(a: f64, x: f64) -> f64 {
    let mut b = x + 1.0 - a;
    let mut c = 1.0 / f64::MIN_POSITIVE;
    let mut d = 1.0 / away_from_zero(b);
    let mut value = d;
    let mut k = 1.0;
    while k < 1_000_000.0 {
        let numerator = -k * (k - a);
        b += 2.0;
        d = 1.0 / away_from_zero(numerator * d + b);
        c = away_from_zero(b + numerator / c);
        let change = d * c;
        value *= change;
        if (change - 1.0).abs() < f64::EPSILON {
            break;
        }
        k += 1.0;
    }
    value
}
