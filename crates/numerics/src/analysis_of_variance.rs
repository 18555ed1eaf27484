//! One-way analysis of variance.

use crate::distribution::f_upper_tail;
use crate::double_double::DoubleDouble;
use crate::real::Real;
use crate::sample::{SampleError, check};
use crate::summary::{precise_mean, precise_sum, sum_of_squared_deviations};

/// The table of a one-way analysis of variance.
#[derive(Debug, Clone, PartialEq)]
pub struct OneWayAnova {
    /// Mean of all values.
    pub grand_mean: f64,
    /// Σ nᵢ (x̄ᵢ − x̄)².
    pub sum_of_squares_between: f64,
    /// Σ (xᵢⱼ − x̄ᵢ)².
    pub sum_of_squares_within: f64,
    /// Groups − 1.
    pub degrees_of_freedom_between: usize,
    /// Values − groups.
    pub degrees_of_freedom_within: usize,
    /// Between sum of squares over its degrees of freedom.
    pub mean_square_between: f64,
    /// Within sum of squares over its degrees of freedom.
    pub mean_square_within: f64,
    /// F and its upper-tail p value; `None` when nothing varies within the groups.
    pub test: Option<VarianceRatio>,
}

/// A variance ratio with its p value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VarianceRatio {
    /// The ratio.
    pub f: f64,
    /// Upper-tail probability.
    pub p_value: f64,
}

/// Analyses groups of values, of equal or unequal size.
///
/// # Errors
/// [`SampleError`] for fewer than two groups, an empty group, no group with two values, values not finite, overflow.
pub fn one_way_anova<G: AsRef<[f64]>>(groups: &[G]) -> Result<OneWayAnova, SampleError> {
    if groups.len() < 2 {
        return Err(SampleError::TooFew {
            needed: 2,
            found: groups.len(),
        });
    }
    let mut count = 0;
    let mut total = DoubleDouble::ZERO;
    let mut within = DoubleDouble::ZERO;
    for group in groups {
        let values = group.as_ref();
        check(values, 1)?;
        count += values.len();
        total = total + precise_sum(values);
        within = within + sum_of_squared_deviations(values);
    }
    if count == groups.len() {
        return Err(SampleError::TooFew {
            needed: groups.len() + 1,
            found: count,
        });
    }
    let grand_mean = total / DoubleDouble::from_f64(count as f64);
    let mut between = DoubleDouble::ZERO;
    for group in groups {
        let deviation = precise_mean(group.as_ref()) - grand_mean;
        between = between + deviation * deviation * DoubleDouble::from_f64(group.as_ref().len() as f64);
    }
    let df_between = groups.len() - 1;
    let df_within = count - groups.len();
    let mean_square_between = between.to_f64() / df_between as f64;
    let mean_square_within = within.to_f64() / df_within as f64;
    if !(grand_mean.to_f64().is_finite() && mean_square_between.is_finite() && mean_square_within.is_finite())
    {
        return Err(SampleError::Overflow);
    }
    let f = mean_square_between / mean_square_within;
    let test = if f.is_finite() {
        let p_value =
            f_upper_tail(f, df_between as f64, df_within as f64).map_err(|_| SampleError::Overflow)?;
        Some(VarianceRatio { f, p_value })
    } else {
        None
    };
    Ok(OneWayAnova {
        grand_mean: grand_mean.to_f64(),
        sum_of_squares_between: between.to_f64(),
        sum_of_squares_within: within.to_f64(),
        degrees_of_freedom_between: df_between,
        degrees_of_freedom_within: df_within,
        mean_square_between,
        mean_square_within,
        test,
    })
}
