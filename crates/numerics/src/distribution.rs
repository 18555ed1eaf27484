//! Student's t, Fisher's F and chi-squared: tails and quantiles.
//!
//! Tails come from the incomplete beta and gamma functions (NIST Digital Library of Mathematical Functions, chapter 8); relations
//! as in M. Abramowitz, I. A. Stegun, Handbook of Mathematical Functions, 26.4.19, 26.6.2, 26.7.1. Quantiles solve
//! the logarithm of the smaller tail by a bracketed Newton iteration, so both tails keep full precision.

use crate::special::{beta_kernel, gamma_kernel, incomplete_beta_pair, incomplete_gamma_pair, ln_gamma};

/// Why a tail or quantile was refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum DistributionError {
    /// Degrees of freedom must be positive and finite.
    #[error("degrees of freedom must be positive and finite, found {found}")]
    DegreesOfFreedom {
        /// What was given.
        found: f64,
    },
    /// A quantile needs a probability strictly between 0 and 1.
    #[error("a probability strictly between 0 and 1 is needed, found {found}")]
    Probability {
        /// What was given.
        found: f64,
    },
    /// The statistic is NaN.
    #[error("the statistic is not a number")]
    NotANumber,
    /// The quantile lies beyond the range of f64.
    #[error("the quantile is beyond the range of a 64-bit number")]
    OutOfRange,
}

/// Lower tail of Student's t with `df` degrees of freedom (not necessarily whole).
///
/// # Errors
/// [`DistributionError`] for df not positive and finite, or t NaN.
pub fn student_t_cdf(t: f64, df: f64) -> Result<f64, DistributionError> {
    let outside = student_t_two_sided_p(t, df)?;
    Ok(if t > 0.0 {
        1.0 - 0.5 * outside
    } else {
        0.5 * outside
    })
}

/// Probability of a |t| at least as large as the one observed.
///
/// # Errors
/// As [`student_t_cdf`].
pub fn student_t_two_sided_p(t: f64, df: f64) -> Result<f64, DistributionError> {
    check_df(df)?;
    check_statistic(t)?;
    Ok(t_inside_outside(t.abs(), df).1)
}

/// Quantile of Student's t: the value with probability `p` below it.
///
/// # Errors
/// [`DistributionError`] for p outside (0, 1), df not positive and finite, or a quantile beyond f64.
pub fn student_t_quantile(p: f64, df: f64) -> Result<f64, DistributionError> {
    check_probability(p)?;
    check_df(df)?;
    let tail = p.min(1.0 - p);
    let outside = 2.0 * tail;
    let inside = 1.0 - outside;
    if inside <= 0.0 {
        return Ok(0.0);
    }
    let size = positive_quantile(inside, outside, |t| {
        let (inside, outside) = t_inside_outside(t, df);
        let square = t * t;
        // The density of |t|, times t.
        let slope = 2.0 * beta_kernel(0.5, 0.5 * df, square / (df + square), df / (df + square));
        (inside, outside, slope)
    })?;
    Ok(if p < 0.5 { -size } else { size })
}

/// Lower tail of F with `numerator_df` and `denominator_df` degrees of freedom; zero for negative F.
///
/// # Errors
/// [`DistributionError`] for degrees of freedom not positive and finite, or F NaN.
pub fn f_cdf(f: f64, numerator_df: f64, denominator_df: f64) -> Result<f64, DistributionError> {
    check_df(numerator_df)?;
    check_df(denominator_df)?;
    check_statistic(f)?;
    Ok(f_tails(f, numerator_df, denominator_df).0)
}

/// Upper tail of F: the p value of a variance ratio.
///
/// # Errors
/// As [`f_cdf`].
pub fn f_upper_tail(f: f64, numerator_df: f64, denominator_df: f64) -> Result<f64, DistributionError> {
    check_df(numerator_df)?;
    check_df(denominator_df)?;
    check_statistic(f)?;
    Ok(f_tails(f, numerator_df, denominator_df).1)
}

/// Quantile of F: the value with probability `p` below it.
///
/// # Errors
/// As [`student_t_quantile`].
pub fn f_quantile(p: f64, numerator_df: f64, denominator_df: f64) -> Result<f64, DistributionError> {
    check_probability(p)?;
    check_df(numerator_df)?;
    check_df(denominator_df)?;
    positive_quantile(p, 1.0 - p, |f| {
        let (lower, upper) = f_tails(f, numerator_df, denominator_df);
        let scaled = numerator_df * f;
        let total = scaled + denominator_df;
        let slope = beta_kernel(
            0.5 * numerator_df,
            0.5 * denominator_df,
            scaled / total,
            denominator_df / total,
        );
        (lower, upper, slope)
    })
}

/// Lower tail of chi-squared with `df` degrees of freedom; zero for negative values.
///
/// # Errors
/// [`DistributionError`] for df not positive and finite, or a statistic that is NaN.
pub fn chi_squared_cdf(chi_squared: f64, df: f64) -> Result<f64, DistributionError> {
    check_df(df)?;
    check_statistic(chi_squared)?;
    Ok(incomplete_gamma_pair(0.5 * df, 0.5 * chi_squared).0)
}

/// Upper tail of chi-squared.
///
/// # Errors
/// As [`chi_squared_cdf`].
pub fn chi_squared_upper_tail(chi_squared: f64, df: f64) -> Result<f64, DistributionError> {
    check_df(df)?;
    check_statistic(chi_squared)?;
    Ok(incomplete_gamma_pair(0.5 * df, 0.5 * chi_squared).1)
}

/// Quantile of chi-squared: the value with probability `p` below it.
///
/// # Errors
/// As [`student_t_quantile`].
pub fn chi_squared_quantile(p: f64, df: f64) -> Result<f64, DistributionError> {
    check_probability(p)?;
    check_df(df)?;
    positive_quantile(p, 1.0 - p, |value| {
        let (lower, upper) = incomplete_gamma_pair(0.5 * df, 0.5 * value);
        (lower, upper, gamma_kernel(0.5 * df, 0.5 * value))
    })
}

/// P(|T| < t) and P(|T| ≥ t) for t ≥ 0.
fn t_inside_outside(t: f64, df: f64) -> (f64, f64) {
    let square = t * t;
    if square.is_infinite() {
        let outside = far_tail(0.5, 0.5 * df, libm::log(df) - 2.0 * libm::log(t));
        return (1.0 - outside, outside);
    }
    let total = df + square;
    incomplete_beta_pair(0.5, 0.5 * df, square / total, df / total)
}

/// The incomplete beta function `I_y(b, a)` for y too small for f64: yᵇ/(b·B(a, b)), DLMF 8.17.7 with its series at 1.
fn far_tail(a: f64, b: f64, ln_y: f64) -> f64 {
    let ln_beta = ln_gamma(a) + ln_gamma(b) - ln_gamma(a + b);
    libm::exp(b * ln_y - libm::log(b) - ln_beta).min(1.0)
}

fn f_tails(f: f64, numerator_df: f64, denominator_df: f64) -> (f64, f64) {
    if f <= 0.0 {
        return (0.0, 1.0);
    }
    let scaled = numerator_df * f;
    if scaled.is_infinite() {
        let ln_y = libm::log(denominator_df) - libm::log(numerator_df) - libm::log(f);
        let upper = far_tail(0.5 * numerator_df, 0.5 * denominator_df, ln_y);
        return (1.0 - upper, upper);
    }
    let total = scaled + denominator_df;
    incomplete_beta_pair(
        0.5 * numerator_df,
        0.5 * denominator_df,
        scaled / total,
        denominator_df / total,
    )
}

/// The positive x with lower tail `lower` and upper tail `upper`. `tails(x)` gives both tails and x·density(x).
///
/// Works on u = ln x and the logarithm of the smaller tail, where the tails are close to straight lines.
fn positive_quantile(
    lower: f64,
    upper: f64,
    tails: impl Fn(f64) -> (f64, f64, f64),
) -> Result<f64, DistributionError> {
    /// ln of the largest and smallest normal f64, with room.
    const U_LIMIT: f64 = 708.0;
    let use_lower = lower <= upper;
    let target = libm::log(if use_lower { lower } else { upper });
    // Increasing in u, zero at the quantile; and its slope.
    let distance = |u: f64| {
        let (below, above, slope) = tails(libm::exp(u));
        if use_lower {
            (libm::log(below) - target, slope / below)
        } else {
            (target - libm::log(above), slope / above)
        }
    };
    let (mut left, mut right) = (-1.0, 1.0);
    while distance(left).0 > 0.0 {
        if left < -U_LIMIT {
            return Err(DistributionError::OutOfRange);
        }
        right = left;
        left *= 2.0;
    }
    while distance(right).0 < 0.0 {
        if right > U_LIMIT {
            return Err(DistributionError::OutOfRange);
        }
        left = right;
        right = if right < 0.0 {
            0.5 * right + 1.0
        } else {
            right * 2.0
        };
    }
    let mut u = 0.5 * (left + right);
    for _ in 0..200 {
        let (value, slope) = distance(u);
        if value < 0.0 {
            left = u;
        } else {
            right = u;
        }
        let newton = u - value / slope;
        let next = if newton > left && newton < right {
            newton
        } else {
            0.5 * (left + right)
        };
        let step = (next - u).abs();
        u = next;
        if step <= 2.0 * f64::EPSILON || right - left <= f64::EPSILON * u.abs() {
            break;
        }
    }
    let value = libm::exp(u);
    if value.is_normal() {
        Ok(value)
    } else {
        Err(DistributionError::OutOfRange)
    }
}

fn check_df(df: f64) -> Result<(), DistributionError> {
    if df > 0.0 && df.is_finite() {
        Ok(())
    } else {
        Err(DistributionError::DegreesOfFreedom { found: df })
    }
}

fn check_probability(p: f64) -> Result<(), DistributionError> {
    if p > 0.0 && p < 1.0 {
        Ok(())
    } else {
        Err(DistributionError::Probability { found: p })
    }
}

fn check_statistic(value: f64) -> Result<(), DistributionError> {
    if value.is_nan() {
        Err(DistributionError::NotANumber)
    } else {
        Ok(())
    }
}
