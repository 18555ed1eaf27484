//! Integrals: of sampled values (trapezoid) and of functions (adaptive Gauss–Kronrod).

use crate::sample::{SampleError, check_pair, finite};

/// Area under straight lines joining the points (x, y), in units of x times units of y. Zero for one point.
///
/// Falling x contributes negative area; order the points first if that is not meant.
///
/// # Errors
/// [`SampleError`] for no points, unequal lists, values not finite, overflow.
pub fn trapezoid(x: &[f64], y: &[f64]) -> Result<f64, SampleError> {
    check_pair(x, y, 1)?;
    let mut area = 0.0;
    for i in 1..x.len() {
        area += 0.5 * (x[i] - x[i - 1]) * (y[i] + y[i - 1]);
    }
    finite(area)
}

/// An integral and how far it may be off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Integral {
    /// The value.
    pub value: f64,
    /// Difference of the 15- and 7-point rules summed over the intervals: an upper estimate of the error.
    pub error_estimate: f64,
    /// Intervals the range was cut into.
    pub intervals: usize,
}

/// Why an integral was refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum QuadratureError {
    /// A bound is not finite.
    #[error("the bounds of an integral must be finite, found {from} to {to}")]
    Bounds {
        /// Lower bound.
        from: f64,
        /// Upper bound.
        to: f64,
    },
    /// The function is not finite at a point of the range.
    #[error("the function is not finite at {at}")]
    NotFinite {
        /// Where.
        at: f64,
    },
    /// The tolerance was not reached.
    #[error(
        "the integral is known to {error_estimate} after {intervals} intervals; {tolerance} was asked for"
    )]
    Tolerance {
        /// Tolerance asked for.
        tolerance: f64,
        /// Error estimate reached.
        error_estimate: f64,
        /// Intervals used.
        intervals: usize,
    },
}

/// Integrates `f` over [`from`, `to`] until the error estimate is at most max(`absolute`, `relative`·|value|).
///
/// Global adaptive bisection with the 7-point Gauss and 15-point Kronrod rules (R. Piessens et al., QUADPACK, 1983).
/// At most 1000 intervals.
///
/// # Errors
/// [`QuadratureError`].
pub fn integrate(
    f: impl Fn(f64) -> f64,
    from: f64,
    to: f64,
    absolute: f64,
    relative: f64,
) -> Result<Integral, QuadratureError> {
    const MAX_INTERVALS: usize = 1000;
    if !(from.is_finite() && to.is_finite()) {
        return Err(QuadratureError::Bounds { from, to });
    }
    let mut pieces = vec![gauss_kronrod(&f, from, to)?];
    loop {
        let value: f64 = pieces.iter().fold(0.0, |sum, p| sum + p.value);
        let error_estimate: f64 = pieces.iter().fold(0.0, |sum, p| sum + p.error);
        let tolerance = absolute.max(relative * value.abs());
        let intervals = pieces.len();
        if error_estimate <= tolerance {
            return Ok(Integral {
                value,
                error_estimate,
                intervals,
            });
        }
        let mut worst = 0;
        for (i, piece) in pieces.iter().enumerate() {
            if piece.error > pieces[worst].error {
                worst = i;
            }
        }
        let Piece { from, to, .. } = pieces[worst];
        let middle = 0.5 * (from + to);
        let can_split = middle > from.min(to) && middle < from.max(to);
        if intervals >= MAX_INTERVALS || !can_split {
            return Err(QuadratureError::Tolerance {
                tolerance,
                error_estimate,
                intervals,
            });
        }
        pieces[worst] = gauss_kronrod(&f, from, middle)?;
        pieces.push(gauss_kronrod(&f, middle, to)?);
    }
}

#[derive(Clone, Copy)]
struct Piece {
    from: f64,
    to: f64,
    value: f64,
    error: f64,
}

fn gauss_kronrod(f: &impl Fn(f64) -> f64, from: f64, to: f64) -> Result<Piece, QuadratureError> {
    let centre = 0.5 * (from + to);
    let half = 0.5 * (to - from);
    let at = |x: f64| {
        let value = f(x);
        if value.is_finite() {
            Ok(value)
        } else {
            Err(QuadratureError::NotFinite { at: x })
        }
    };
    let middle = at(centre)?;
    let mut kronrod = KRONROD_WEIGHTS[7] * middle;
    let mut gauss = GAUSS_WEIGHTS[3] * middle;
    for i in 0..7 {
        let offset = half * KRONROD_NODES[i];
        let pair = at(centre - offset)? + at(centre + offset)?;
        kronrod += KRONROD_WEIGHTS[i] * pair;
        if i % 2 == 1 {
            gauss += GAUSS_WEIGHTS[i / 2] * pair;
        }
    }
    Ok(Piece {
        from,
        to,
        value: kronrod * half,
        error: ((kronrod - gauss) * half).abs(),
    })
}

const KRONROD_NODES: [f64; 7] = [
    0.991_455_371_120_812_6,
    0.949_107_912_342_758_5,
    0.864_864_423_359_769_1,
    0.741_531_185_599_394_4,
    0.586_087_235_467_691_1,
    0.405_845_151_377_397_2,
    0.207_784_955_007_898_47,
];
const KRONROD_WEIGHTS: [f64; 8] = [
    0.022_935_322_010_529_225,
    0.063_092_092_629_978_55,
    0.104_790_010_322_250_18,
    0.140_653_259_715_525_92,
    0.169_004_726_639_267_9,
    0.190_350_578_064_785_4,
    0.204_432_940_075_298_9,
    0.209_482_141_084_727_83,
];
const GAUSS_WEIGHTS: [f64; 4] = [
    0.129_484_966_168_869_7,
    0.279_705_391_489_276_64,
    0.381_830_050_505_118_9,
    0.417_959_183_673_469_4,
];
