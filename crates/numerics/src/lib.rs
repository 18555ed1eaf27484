//! Plain f64 numerics: weighted fits, robust statistics, smoothing, distributions, optimisers.
//!
//! Every function is a pure function of its arguments: the same input gives the same bits on every machine.
//! Transcendental functions come from `libm`, loops run in a fixed order, nothing is fused or parallel.
//! NaN and infinity are refused at the door as named errors and never leave a public function unless its
//! documentation says so.
//!
//! | Question | Module |
//! |---|---|
//! | A calibration curve with its covariance? | [`polynomial_fit`] |
//! | A fit that is linear in its parameters (baseline, template)? | [`linear_least_squares`] |
//! | A peak shape? | [`nonlinear_fit`] |
//! | Does a series drift? | [`regression_line`], [`robust`] (trend, change point) |
//! | Mean, deviation, analysis of variance? | [`summary`], [`analysis_of_variance`] |
//! | A critical value or p value? | [`distribution`] |
//! | A smooth trace or its derivative? | [`savitzky_golay`], [`robust::moving_median`] |
//! | An integral? | [`quadrature`] |
//! | Seeded random numbers? | [`random`] |
//! | Derivatives without differences? | [`dual`] |
//! | A positive definite matrix? | [`cholesky`] |

pub mod analysis_of_variance;
pub mod cholesky;
pub mod distribution;
pub mod dual;
pub mod linear_least_squares;
pub mod matrix;
pub mod nonlinear_fit;
pub mod polynomial_fit;
pub mod quadrature;
pub mod random;
pub mod regression_line;
pub mod robust;
pub mod sample;
pub mod savitzky_golay;
pub mod special;
pub mod summary;

mod double_double;
mod householder;
mod real;
