//! One level's part of minus two log likelihood, as a function of its prediction.

use crate::likelihood::{Level, Observation, ResidualError};
use spotwright_numerics::special::{erfcx, normal_cdf, normal_density};

/// Minus two log density (or probability, below or above a limit), its derivative by the prediction, and the first-order
/// information: the expected curvature of half of it for a measured level, the part of the curvature that is left when the
/// prediction is linear for a censored one. The information is never negative.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct LevelTerm {
    pub(super) value: f64,
    pub(super) slope: f64,
    pub(super) information: f64,
}

/// ln 2π.
const LN_TWO_PI: f64 = 1.837_877_066_409_345_3;

/// The term of a level whose prediction, in the model's matrix, is `prediction`.
pub(super) fn level_term(observation: &Observation, model: &ResidualError, prediction: f64) -> LevelTerm {
    let ratio = observation.matrix_ratio;
    let residual = observation.residual.unwrap_or(*model);
    let term = scaled_term(observation, &residual, ratio * prediction);
    LevelTerm {
        value: term.value,
        slope: ratio * term.slope,
        information: ratio * ratio * term.information,
    }
}

fn scaled_term(observation: &Observation, residual: &ResidualError, f: f64) -> LevelTerm {
    let extra = observation.extra_variance;
    match *residual {
        ResidualError::Combined {
            additive_sd,
            proportional_sd,
        } => {
            let v = additive_sd * additive_sd + proportional_sd * proportional_sd * f * f + extra;
            let v_slope = 2.0 * proportional_sd * proportional_sd * f;
            match observation.level {
                Level::Quantified { value } => {
                    let e = value - f;
                    LevelTerm {
                        value: e * e / v + libm::log(v) + LN_TWO_PI,
                        slope: -2.0 * e / v + (1.0 - e * e / v) * v_slope / v,
                        information: 1.0 / v + 0.5 * v_slope * v_slope / (v * v),
                    }
                }
                Level::BelowLimit { lower_limit } => {
                    let sd = v.sqrt();
                    let z = (lower_limit - f) / sd;
                    censored(z, -1.0 / sd - 0.5 * z * v_slope / v)
                }
                Level::AboveLimit { upper_limit } => {
                    let sd = v.sqrt();
                    let z = (f - upper_limit) / sd;
                    censored(z, 1.0 / sd - 0.5 * z * v_slope / v)
                }
            }
        }
        ResidualError::Log { sigma } => {
            // The variance beside the model's is on the plain scale: divided by the level squared (first order).
            let variance = |level: f64| sigma * sigma + extra / (level * level);
            match observation.level {
                Level::Quantified { value } => {
                    let v = variance(value);
                    let e = libm::log(value) - libm::log(f);
                    LevelTerm {
                        value: e * e / v + libm::log(v) + LN_TWO_PI + 2.0 * libm::log(value),
                        slope: -2.0 * e / (v * f),
                        information: 1.0 / (v * f * f),
                    }
                }
                Level::BelowLimit { lower_limit } => {
                    let sd = variance(lower_limit).sqrt();
                    censored((libm::log(lower_limit) - libm::log(f)) / sd, -1.0 / (sd * f))
                }
                Level::AboveLimit { upper_limit } => {
                    let sd = variance(upper_limit).sqrt();
                    censored((libm::log(f) - libm::log(upper_limit)) / sd, 1.0 / (sd * f))
                }
            }
        }
    }
}

/// −2 ln Φ(z) where z has this slope by the prediction (S. L. Beal, J. Pharmacokinet. Pharmacodyn. 28 (2001) 481-504, method M3).
fn censored(z: f64, z_slope: f64) -> LevelTerm {
    let (ln_probability, hazard) = if z > 0.0 {
        let probability = normal_cdf(z);
        (libm::log(probability), normal_density(z) / probability)
    } else {
        // Φ(z) = ½ exp(−z²/2) erfcx(−z/√2): no underflow far below.
        let scaled = erfcx(-z * std::f64::consts::FRAC_1_SQRT_2);
        let root = (2.0 * std::f64::consts::FRAC_1_PI).sqrt();
        (libm::log(0.5 * scaled) - 0.5 * z * z, root / scaled)
    };
    LevelTerm {
        value: -2.0 * ln_probability,
        slope: -2.0 * hazard * z_slope,
        information: (hazard * (z + hazard)).max(0.0) * z_slope * z_slope,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Slopes against central differences, over every kind of level and error.
    #[test]
    fn slopes_are_the_differences_of_values() {
        let residuals = [
            ResidualError::Combined {
                additive_sd: 0.4,
                proportional_sd: 0.2,
            },
            ResidualError::Log { sigma: 0.3 },
        ];
        let levels = [
            Level::Quantified { value: 2.5 },
            Level::BelowLimit { lower_limit: 1.0 },
            Level::AboveLimit { upper_limit: 6.0 },
        ];
        for residual in residuals {
            for level in levels {
                let mut observation = Observation::new(1.0, level);
                observation.extra_variance = 0.01;
                observation.matrix_ratio = 1.3;
                for prediction in [0.3, 1.7, 4.0, 20.0] {
                    let at = |f| level_term(&observation, &residual, f);
                    let step = 1e-5 * prediction;
                    let difference =
                        (at(prediction + step).value - at(prediction - step).value) / (2.0 * step);
                    let slope = at(prediction).slope;
                    assert!(
                        (slope - difference).abs() <= 1e-6 * (1.0 + slope.abs()),
                        "{residual:?} {level:?} {prediction}: {slope} {difference}"
                    );
                }
            }
        }
    }
}
