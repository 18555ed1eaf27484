//! What can be wrong with a list of numbers.

/// Why a statistic of a list of numbers cannot be given.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SampleError {
    /// Fewer values than the statistic needs.
    #[error("{needed} values are needed, {found} were given")]
    TooFew {
        /// Smallest number of values.
        needed: usize,
        /// Number of values given.
        found: usize,
    },
    /// A value is NaN or infinite.
    #[error("value {index} is not finite ({found})")]
    NotFinite {
        /// Position from 0.
        index: usize,
        /// The value.
        found: f64,
    },
    /// Two lists that belong together differ in length.
    #[error("{expected} values were expected in the second list, {found} were given")]
    LengthMismatch {
        /// Length of the first list.
        expected: usize,
        /// Length of the second list.
        found: usize,
    },
    /// The values do not vary (or more than half are tied), so a scale or slope does not exist.
    #[error("the values do not vary enough for this statistic")]
    NoSpread,
    /// A weight is zero or negative.
    #[error("weight {index} is not positive ({found})")]
    WeightNotPositive {
        /// Position from 0.
        index: usize,
        /// The weight.
        found: f64,
    },
    /// A probability or coverage is not strictly between 0 and 1 (a quantile's may be 0 or 1).
    #[error("a probability between 0 and 1 is needed, found {found}")]
    Probability {
        /// What was given.
        found: f64,
    },
    /// The result is beyond the range of f64.
    #[error("the result is beyond the range of a 64-bit number")]
    Overflow,
}

/// Requires at least `needed` values, all finite.
pub(crate) fn check(values: &[f64], needed: usize) -> Result<(), SampleError> {
    if values.len() < needed {
        return Err(SampleError::TooFew {
            needed,
            found: values.len(),
        });
    }
    match values.iter().position(|v| !v.is_finite()) {
        Some(index) => Err(SampleError::NotFinite {
            index,
            found: values[index],
        }),
        None => Ok(()),
    }
}

/// Requires two lists of equal length, each as in [`check`].
pub(crate) fn check_pair(x: &[f64], y: &[f64], needed: usize) -> Result<(), SampleError> {
    if x.len() != y.len() {
        return Err(SampleError::LengthMismatch {
            expected: x.len(),
            found: y.len(),
        });
    }
    check(x, needed)?;
    check(y, needed)
}

pub(crate) fn finite(value: f64) -> Result<f64, SampleError> {
    if value.is_finite() {
        Ok(value)
    } else {
        Err(SampleError::Overflow)
    }
}
