//! How probable one level is for a prediction.

use super::observation::{Level, Observation, ResidualError};
use spotwright_numerics::special::{erfc, erfcx, normal_cdf, normal_density};
use std::f64::consts::{FRAC_1_SQRT_2, FRAC_2_SQRT_PI};

/// One level's part of the objective (−2 ln likelihood without the constant), its slope by the prediction and its
/// expected curvature (never negative).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct LevelTerm {
    pub(crate) value: f64,
    pub(crate) slope: f64,
    pub(crate) curvature: f64,
}

/// The term of one observation at the prediction on its own matrix; `None` where it has no finite value (a quantified
/// level where nothing is predicted and no variance is left).
pub(crate) fn level_term(
    observation: &Observation,
    residual: &ResidualError,
    prediction: f64,
) -> Option<LevelTerm> {
    match *residual {
        ResidualError::Combined {
            additive_sd,
            proportional_sd,
        } => {
            let variance = additive_sd * additive_sd
                + proportional_sd * proportional_sd * prediction * prediction
                + observation.extra_variance;
            let variance_slope = 2.0 * proportional_sd * proportional_sd * prediction;
            match observation.level {
                Level::Quantified { value } => quantified(value - prediction, variance, variance_slope),
                Level::BelowLimit { lower_limit } => {
                    censored(lower_limit - prediction, -1.0, variance, variance_slope)
                }
                Level::AboveLimit { upper_limit } => {
                    censored(prediction - upper_limit, 1.0, variance, variance_slope)
                }
            }
        }
        ResidualError::Log { sigma } => {
            let reported = reported(&observation.level);
            let variance = sigma * sigma + observation.extra_variance / (reported * reported);
            if prediction <= 0.0 {
                return match observation.level {
                    Level::BelowLimit { .. } => Some(LevelTerm {
                        value: 0.0,
                        slope: 0.0,
                        curvature: 0.0,
                    }),
                    _ => None,
                };
            }
            let distance = libm::log(reported / prediction);
            let term = match observation.level {
                Level::Quantified { .. } => quantified(distance, variance, 0.0),
                Level::BelowLimit { .. } => censored(distance, -1.0, variance, 0.0),
                Level::AboveLimit { .. } => censored(-distance, 1.0, variance, 0.0),
            }?;
            // By the chain rule through ln f.
            Some(LevelTerm {
                value: term.value,
                slope: term.slope / prediction,
                curvature: term.curvature / (prediction * prediction),
            })
        }
    }
}

/// Probability that a level as low as the observed one or lower is reported when `prediction` is true.
pub(crate) fn probability_below(observation: &Observation, residual: &ResidualError, prediction: f64) -> f64 {
    let reported = reported(&observation.level);
    let z = match *residual {
        ResidualError::Combined {
            additive_sd,
            proportional_sd,
        } => {
            let variance = additive_sd * additive_sd
                + proportional_sd * proportional_sd * prediction * prediction
                + observation.extra_variance;
            if variance <= 0.0 {
                return f64::from(u8::from(prediction <= reported));
            }
            (reported - prediction) / variance.sqrt()
        }
        ResidualError::Log { sigma } => {
            if prediction <= 0.0 {
                return 1.0;
            }
            let variance = sigma * sigma + observation.extra_variance / (reported * reported);
            libm::log(reported / prediction) / variance.sqrt()
        }
    };
    normal_cdf(z)
}

/// The number on the report: the value, or the limit it lies beyond.
pub(crate) fn reported(level: &Level) -> f64 {
    match *level {
        Level::Quantified { value } => value,
        Level::BelowLimit { lower_limit } => lower_limit,
        Level::AboveLimit { upper_limit } => upper_limit,
    }
}

/// r²/v + ln v.
#[inline]
fn quantified(residual: f64, variance: f64, variance_slope: f64) -> Option<LevelTerm> {
    if variance <= 0.0 {
        return None;
    }
    let inverse = 1.0 / variance;
    let scaled = residual * inverse;
    let relative = variance_slope * inverse;
    Some(LevelTerm {
        value: residual * scaled + libm::log(variance),
        slope: -2.0 * scaled - scaled * scaled * variance_slope + relative,
        curvature: 2.0 * inverse + relative * relative,
    })
}

/// −2 ln Φ(distance/√v), the distance moving with `direction` times the prediction.
fn censored(distance: f64, direction: f64, variance: f64, variance_slope: f64) -> Option<LevelTerm> {
    if variance <= 0.0 {
        return (distance > 0.0).then_some(LevelTerm {
            value: 0.0,
            slope: 0.0,
            curvature: 0.0,
        });
    }
    let sd = variance.sqrt();
    let z = distance / sd;
    let (minus_two_ln, mills) = minus_two_ln_cdf(z);
    let z_slope = direction / sd - 0.5 * z * variance_slope / variance;
    Some(LevelTerm {
        value: minus_two_ln,
        slope: -2.0 * mills * z_slope,
        curvature: 2.0 * mills * (z + mills).max(0.0) * z_slope * z_slope,
    })
}

/// −2 ln Φ(z) and φ(z)/Φ(z), both to full accuracy in either tail.
fn minus_two_ln_cdf(z: f64) -> (f64, f64) {
    if z < 0.0 {
        // Φ(z) = ½·erfcx(−z/√2)·exp(−z²/2)
        let scaled = erfcx(-z * FRAC_1_SQRT_2);
        let mills = FRAC_2_SQRT_PI * FRAC_1_SQRT_2 / scaled;
        (z * z - 2.0 * libm::log(0.5 * scaled), mills)
    } else {
        let upper = 0.5 * erfc(z * FRAC_1_SQRT_2);
        (-2.0 * libm::log1p(-upper), normal_density(z) / (1.0 - upper))
    }
}

#[cfg(test)]
mod tests {
    use super::minus_two_ln_cdf;

    /// ln Φ at −1, −10, −40 and 3 (Φ(−1) = 0.158655253931457, Φ(3) = 0.998650101968370: tables; ln Φ(−10) =
    /// −53.23128515051247, ln Φ(−40) = −804.6084420137538: asymptotic series summed at 30 digits).
    #[test]
    fn log_of_the_normal_tail() {
        let ln = |z| -0.5 * minus_two_ln_cdf(z).0;
        assert!((ln(-1.0) - libm::log(0.158_655_253_931_457)).abs() < 1e-14);
        assert!((ln(3.0) - libm::log(0.998_650_101_968_370)).abs() < 1e-14);
        assert!((ln(-10.0) + 53.231_285_150_512_47).abs() < 1e-12);
        assert!((ln(-40.0) + 804.608_442_013_753_8).abs() < 1e-10);
    }
}
