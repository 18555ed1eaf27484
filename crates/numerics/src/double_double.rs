//! Double-double arithmetic: a value as the unevaluated sum of two f64, about 31 decimal digits.
//!
//! Algorithms: T. J. Dekker, "A floating-point technique for extending the available precision", Numer. Math. 18
//! (1971) 224-242 (splitting, exact product); D. E. Knuth, The Art of Computer Programming 2, section 4.2.2 (exact sum);
//! Y. Hida, X. S. Li, D. H. Bailey, "Algorithms for quad-double precision floating point arithmetic", ARITH-15 (2001)
//! section 3 (sum, product, quotient of pairs). The exact product is by splitting and not by a fused operation, so
//! the bits do not depend on the machine; magnitudes above 2^996 would overflow in the split.

use std::ops::{Add, Div, Mul, Neg, Sub};

#[derive(Debug, Clone, Copy)]
pub(crate) struct DoubleDouble {
    pub(crate) high: f64,
    pub(crate) low: f64,
}

impl DoubleDouble {
    /// Newton's step on the f64 square root (A. H. Karp, P. Markstein, ACM TOMS 23 (1997) 561-589).
    pub(crate) fn sqrt(self) -> Self {
        if self.high <= 0.0 {
            return Self { high: 0.0, low: 0.0 };
        }
        let root = self.high.sqrt();
        let square = exact_product(root, root);
        let remainder = self - square;
        quick_sum(root, remainder.high / (2.0 * root))
    }
}

impl Add for DoubleDouble {
    type Output = Self;

    fn add(self, other: Self) -> Self {
        let high = exact_sum(self.high, other.high);
        let low = exact_sum(self.low, other.low);
        let first = quick_sum(high.high, high.low + low.high);
        quick_sum(first.high, first.low + low.low)
    }
}

impl Sub for DoubleDouble {
    type Output = Self;

    fn sub(self, other: Self) -> Self {
        self + -other
    }
}

impl Neg for DoubleDouble {
    type Output = Self;

    fn neg(self) -> Self {
        Self {
            high: -self.high,
            low: -self.low,
        }
    }
}

impl Mul for DoubleDouble {
    type Output = Self;

    fn mul(self, other: Self) -> Self {
        let product = exact_product(self.high, other.high);
        quick_sum(
            product.high,
            product.low + (self.high * other.low + self.low * other.high),
        )
    }
}

impl Div for DoubleDouble {
    type Output = Self;

    fn div(self, other: Self) -> Self {
        let first = self.high / other.high;
        let remainder = self - scaled(other, first);
        let second = remainder.high / other.high;
        let remainder = remainder - scaled(other, second);
        let third = remainder.high / other.high;
        let sum = quick_sum(first, second);
        sum + Self {
            high: third,
            low: 0.0,
        }
    }
}

/// Knuth's sum: `high + low` equals `a + b` exactly.
pub(crate) fn exact_sum(a: f64, b: f64) -> DoubleDouble {
    let high = a + b;
    let b_part = high - a;
    DoubleDouble {
        high,
        low: (a - (high - b_part)) + (b - b_part),
    }
}

/// Dekker's product: `high + low` equals `a * b` exactly, short of overflow and underflow.
pub(crate) fn exact_product(a: f64, b: f64) -> DoubleDouble {
    let high = a * b;
    let (a_high, a_low) = split(a);
    let (b_high, b_low) = split(b);
    let low = ((a_high * b_high - high) + a_high * b_low + a_low * b_high) + a_low * b_low;
    DoubleDouble { high, low }
}

fn scaled(value: DoubleDouble, factor: f64) -> DoubleDouble {
    let product = exact_product(value.high, factor);
    quick_sum(product.high, product.low + value.low * factor)
}

/// Exact only when |a| >= |b|, which holds wherever it is called.
fn quick_sum(a: f64, b: f64) -> DoubleDouble {
    let high = a + b;
    DoubleDouble {
        high,
        low: b - (high - a),
    }
}

fn split(a: f64) -> (f64, f64) {
    /// 2^27 + 1: halves the 53-bit significand.
    const SPLITTER: f64 = 134_217_729.0;
    let t = SPLITTER * a;
    let high = t - (t - a);
    (high, a - high)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// sqrt(2) to 33 digits: A002193 in the On-Line Encyclopedia of Integer Sequences,
    /// 1.41421356237309504880168872420969807856967...
    #[test]
    fn square_root_of_two_has_thirty_digits() {
        let root = DoubleDouble { high: 2.0, low: 0.0 }.sqrt();
        let back = root * root - DoubleDouble { high: 2.0, low: 0.0 };
        assert!(back.high.abs() < 1e-31, "{back:?}");
        let digits = exact_sum(std::f64::consts::SQRT_2, -9.667_293_313_452_913e-17);
        assert!((root - digits).high.abs() < 1e-31, "{root:?}");
    }

    #[test]
    fn a_third_times_three_is_one() {
        let one = DoubleDouble { high: 1.0, low: 0.0 };
        let three = DoubleDouble { high: 3.0, low: 0.0 };
        let back = one / three * three - one;
        assert!(back.high.abs() < 1e-31, "{back:?}");
    }
}
