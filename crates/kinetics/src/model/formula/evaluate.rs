//! A formula's value. Every way not to have one is named.

use super::{Comparison, Term, Test};

/// Why a formula has no value for these covariates.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("{fault}, at character {column} of the formula")]
pub struct EvaluationError {
    /// What happened.
    pub fault: EvaluationFault,
    /// Where in the formula (characters from 1).
    pub column: usize,
}

/// What can keep a formula from having a value.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum EvaluationFault {
    /// A divisor is 0.
    #[error("division of {dividend} by zero")]
    DivisionByZero {
        /// What was to be divided.
        dividend: f64,
    },
    /// Logarithm of zero or less.
    #[error("no logarithm of {of}")]
    Logarithm {
        /// Its argument.
        of: f64,
    },
    /// A power without a real value: 0 to a negative one, or a negative number to a fraction.
    #[error("no real value of {base} to the power {exponent}")]
    Power {
        /// The base.
        base: f64,
        /// The exponent.
        exponent: f64,
    },
    /// The value is too large to be a number.
    #[error("the value is too large to be a number")]
    Overflow,
    /// A covariate whose value was not given, or is NaN or infinite.
    #[error("covariate number {index} has no value")]
    CovariateUnknown {
        /// Its position among the names.
        index: usize,
    },
}

fn fault<T>(fault: EvaluationFault, at: usize) -> Result<T, EvaluationError> {
    Err(EvaluationError {
        fault,
        column: at + 1,
    })
}

pub(super) fn term_value(term: &Term, covariates: &[f64]) -> Result<f64, EvaluationError> {
    let value = |term: &Term| term_value(term, covariates);
    let (found, at) = match term {
        Term::Number(number) => (*number, 0),
        Term::Covariate(index) => match covariates.get(*index) {
            Some(value) if value.is_finite() => (*value, 0),
            _ => return fault(EvaluationFault::CovariateUnknown { index: *index }, 0),
        },
        Term::Negative(a) => (-value(a)?, 0),
        Term::Sum(a, b) => (value(a)? + value(b)?, 0),
        Term::Difference(a, b) => (value(a)? - value(b)?, 0),
        Term::Product(a, b) => (value(a)? * value(b)?, 0),
        Term::Quotient(a, b, at) => {
            let (dividend, divisor) = (value(a)?, value(b)?);
            if divisor == 0.0 {
                return fault(EvaluationFault::DivisionByZero { dividend }, *at);
            }
            (dividend / divisor, *at)
        }
        Term::Power(a, b, at) => {
            let (base, exponent) = (value(a)?, value(b)?);
            let power = libm::pow(base, exponent);
            if power.is_nan() || (base == 0.0 && exponent < 0.0) {
                return fault(EvaluationFault::Power { base, exponent }, *at);
            }
            (power, *at)
        }
        Term::Exp(a, at) => (libm::exp(value(a)?), *at),
        Term::Ln(a, at) => {
            let of = value(a)?;
            if of <= 0.0 {
                return fault(EvaluationFault::Logarithm { of }, *at);
            }
            (libm::log(of), *at)
        }
        Term::If(test, then, otherwise) => {
            if condition_value(test, covariates)? {
                (value(then)?, 0)
            } else {
                (value(otherwise)?, 0)
            }
        }
    };
    if found.is_finite() {
        Ok(found)
    } else {
        // Every operand was finite, so this is too large; an infinity never meets another to become NaN.
        fault(EvaluationFault::Overflow, at)
    }
}

// Covariates that are compared for equality are counts and flags, whole numbers in a file.
#[expect(clippy::float_cmp, reason = "== in a formula means equality of whole numbers")]
pub(super) fn condition_value(test: &Test, covariates: &[f64]) -> Result<bool, EvaluationError> {
    match test {
        Test::Flag(index) => Ok(term_value(&Term::Covariate(*index), covariates)? != 0.0),
        Test::Compare(comparison, a, b) => {
            let (a, b) = (term_value(a, covariates)?, term_value(b, covariates)?);
            Ok(match comparison {
                Comparison::Less => a < b,
                Comparison::LessOrEqual => a <= b,
                Comparison::Greater => a > b,
                Comparison::GreaterOrEqual => a >= b,
                Comparison::Equal => a == b,
                Comparison::NotEqual => a != b,
            })
        }
    }
}
