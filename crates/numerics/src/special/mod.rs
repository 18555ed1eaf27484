//! Special functions: error functions, gamma and beta functions, the normal distribution.
//!
//! The plain functions of one f64 (`erf`, `erfc`, `erfcx`, `ln_gamma`, `normal_cdf`, `normal_density`) give NaN for NaN and nothing
//! else; those with a restricted domain give `None` outside it.

mod beta;
mod error_function;
mod gamma;
mod normal;
mod saddle_point;

pub use beta::incomplete_beta;
pub use error_function::{erf, erfc, erfcx};
pub use gamma::{incomplete_gamma_lower, incomplete_gamma_upper, ln_gamma};
pub use normal::{normal_cdf, normal_density, normal_quantile};

pub(crate) use beta::{beta_kernel, incomplete_beta_pair};
pub(crate) use gamma::{gamma_kernel, incomplete_gamma_pair};

/// Lentz's guard: a denominator that is not zero.
fn away_from_zero(value: f64) -> f64 {
    const TINY: f64 = 1e-300;
    if value.abs() < TINY { TINY } else { value }
}
