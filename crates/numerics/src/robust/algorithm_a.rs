//! Algorithm A: robust mean and standard deviation (ISO 13528:2022, annex C.3; after P. J. Huber).

use super::median::select_median;
use crate::real::Real;
use crate::sample::{SampleError, check};
use crate::summary::{mean, precise_mean};

/// Robust mean and standard deviation.
#[derive(Debug, Clone, PartialEq)]
pub struct AlgorithmA {
    /// x*.
    pub mean: f64,
    /// s*.
    pub standard_deviation: f64,
    /// 1.25·s*/√p: standard uncertainty of x* as an assigned value (ISO 13528:2022, 7.7.3).
    pub standard_uncertainty: f64,
    /// Iterations until neither changed by more than the tolerance.
    pub iterations: usize,
}

/// Iterates x* and s* until both change by at most `relative_tolerance`·s*.
///
/// Start: median and 1.483·median|x − x*|. Each step pulls values beyond x* ± 1.5·s* in to that limit, then x* is their mean and s*
/// 1.134 times their standard deviation.
///
/// # Errors
/// [`SampleError`] for fewer than two values, values not finite, [`SampleError::NoSpread`] when more than half are
/// tied (s* would be zero: use another scale or report that none can be given).
pub fn algorithm_a(values: &[f64], relative_tolerance: f64) -> Result<AlgorithmA, SampleError> {
    /// The map contracts by about a half each time; this is far beyond full precision.
    const MAX_ITERATIONS: usize = 1000;
    check(values, 2)?;
    let mut work = values.to_vec();
    let mut centre = select_median(&mut work);
    for (w, v) in work.iter_mut().zip(values) {
        *w = (v - centre).abs();
    }
    let mut scale = 1.483 * select_median(&mut work);
    if scale <= 0.0 {
        return Err(SampleError::NoSpread);
    }
    let tolerance = relative_tolerance.max(4.0 * f64::EPSILON);
    let mut iterations = 0;
    while iterations < MAX_ITERATIONS {
        iterations += 1;
        let limit = 1.5 * scale;
        for (w, v) in work.iter_mut().zip(values) {
            *w = v.clamp(centre - limit, centre + limit);
        }
        let next_centre = mean(&work)?;
        let next_scale = 1.134 * deviation(&work);
        let change = (next_centre - centre).abs().max((next_scale - scale).abs());
        centre = next_centre;
        scale = next_scale;
        if scale <= 0.0 {
            return Err(SampleError::NoSpread);
        }
        if change <= tolerance * scale {
            break;
        }
    }
    Ok(AlgorithmA {
        mean: centre,
        standard_deviation: scale,
        standard_uncertainty: 1.25 * scale / (values.len() as f64).sqrt(),
        iterations,
    })
}

fn deviation(values: &[f64]) -> f64 {
    let centre = precise_mean(values).to_f64();
    let sum = values.iter().fold(0.0, |s, v| s + (v - centre) * (v - centre));
    (sum / (values.len() - 1) as f64).sqrt()
}
