//! Dual numbers: a value together with its derivatives in `N` directions, so that one formula gives both.
//!
//! Forward differentiation after R. E. Wengert, "A simple automatic derivative evaluation program", Commun. ACM 7 (1964)
//! 463-464: every operation carries its own derivative rule, nothing is differenced.

use std::ops::{Add, Div, Mul, Neg, Sub};

/// What a formula needs from its numbers: plain `f64`, or [`Dual`] when derivatives are wanted too.
pub trait Real:
    Copy
    + Default
    + Add<Output = Self>
    + Sub<Output = Self>
    + Mul<Output = Self>
    + Div<Output = Self>
    + Neg<Output = Self>
    + Add<f64, Output = Self>
    + Sub<f64, Output = Self>
    + Mul<f64, Output = Self>
    + Div<f64, Output = Self>
{
    /// A constant.
    fn constant(value: f64) -> Self;
    /// The value without its derivatives.
    fn value(&self) -> f64;
    /// eˣ.
    #[must_use]
    fn exp(self) -> Self;
    /// The natural logarithm.
    #[must_use]
    fn ln(self) -> Self;
    /// The greatest absolute value among the value and its derivatives.
    fn magnitude(&self) -> f64;
    /// Whether every derivative is zero.
    fn is_constant(&self) -> bool;
    /// Whether value and derivatives are finite.
    fn is_finite(&self) -> bool;
}

impl Real for f64 {
    #[inline]
    fn constant(value: f64) -> Self {
        value
    }
    #[inline]
    fn value(&self) -> f64 {
        *self
    }
    #[inline]
    fn exp(self) -> Self {
        libm::exp(self)
    }
    #[inline]
    fn ln(self) -> Self {
        libm::log(self)
    }
    #[inline]
    fn magnitude(&self) -> f64 {
        self.abs()
    }
    #[inline]
    fn is_constant(&self) -> bool {
        true
    }
    #[inline]
    fn is_finite(&self) -> bool {
        f64::is_finite(*self)
    }
}

/// A value and its derivatives in `N` directions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dual<const N: usize> {
    /// The value.
    pub value: f64,
    /// Its derivatives.
    pub derivatives: [f64; N],
}

impl<const N: usize> Default for Dual<N> {
    fn default() -> Self {
        Self::constant(0.0)
    }
}

impl<const N: usize> Dual<N> {
    /// A variable: derivative 1 in its own direction. A direction outside `0..N` makes a constant.
    #[must_use]
    pub fn variable(value: f64, direction: usize) -> Self {
        let mut dual = Self::constant(value);
        if let Some(slot) = dual.derivatives.get_mut(direction) {
            *slot = 1.0;
        }
        dual
    }

    /// f(x) from the value f and the slope f′ at x.
    #[inline]
    fn chain(self, value: f64, slope: f64) -> Self {
        Self {
            value,
            derivatives: self.derivatives.map(|d| d * slope),
        }
    }

    #[inline]
    fn zip(self, other: Self, value: f64, rule: impl Fn(f64, f64) -> f64) -> Self {
        let mut derivatives = [0.0; N];
        for (slot, (a, b)) in derivatives
            .iter_mut()
            .zip(self.derivatives.iter().zip(&other.derivatives))
        {
            *slot = rule(*a, *b);
        }
        Self { value, derivatives }
    }
}

impl<const N: usize> Real for Dual<N> {
    #[inline]
    fn constant(value: f64) -> Self {
        Self {
            value,
            derivatives: [0.0; N],
        }
    }
    #[inline]
    fn value(&self) -> f64 {
        self.value
    }
    #[inline]
    fn exp(self) -> Self {
        let value = libm::exp(self.value);
        self.chain(value, value)
    }
    #[inline]
    fn ln(self) -> Self {
        self.chain(libm::log(self.value), 1.0 / self.value)
    }
    #[inline]
    fn magnitude(&self) -> f64 {
        self.derivatives
            .iter()
            .fold(self.value.abs(), |largest, d| largest.max(d.abs()))
    }
    #[inline]
    fn is_constant(&self) -> bool {
        self.derivatives.iter().all(|d| d.abs() <= 0.0)
    }
    #[inline]
    fn is_finite(&self) -> bool {
        self.value.is_finite() && self.derivatives.iter().all(|d| d.is_finite())
    }
}

impl<const N: usize> Add for Dual<N> {
    type Output = Self;
    #[inline]
    fn add(self, other: Self) -> Self {
        self.zip(other, self.value + other.value, |a, b| a + b)
    }
}

impl<const N: usize> Sub for Dual<N> {
    type Output = Self;
    #[inline]
    fn sub(self, other: Self) -> Self {
        self.zip(other, self.value - other.value, |a, b| a - b)
    }
}

impl<const N: usize> Mul for Dual<N> {
    type Output = Self;
    #[inline]
    #[expect(clippy::suspicious_arithmetic_impl, reason = "the product rule is a sum")]
    fn mul(self, other: Self) -> Self {
        self.zip(other, self.value * other.value, |a, b| {
            a * other.value + self.value * b
        })
    }
}

impl<const N: usize> Div for Dual<N> {
    type Output = Self;
    #[inline]
    fn div(self, other: Self) -> Self {
        let value = self.value / other.value;
        let inverse = 1.0 / other.value;
        self.zip(other, value, |a, b| (a - value * b) * inverse)
    }
}

impl<const N: usize> Neg for Dual<N> {
    type Output = Self;
    #[inline]
    fn neg(self) -> Self {
        self.chain(-self.value, -1.0)
    }
}

impl<const N: usize> Add<f64> for Dual<N> {
    type Output = Self;
    #[inline]
    fn add(self, other: f64) -> Self {
        Self {
            value: self.value + other,
            ..self
        }
    }
}

impl<const N: usize> Sub<f64> for Dual<N> {
    type Output = Self;
    #[inline]
    fn sub(self, other: f64) -> Self {
        Self {
            value: self.value - other,
            ..self
        }
    }
}

impl<const N: usize> Mul<f64> for Dual<N> {
    type Output = Self;
    #[inline]
    fn mul(self, other: f64) -> Self {
        self.chain(self.value * other, other)
    }
}

impl<const N: usize> Div<f64> for Dual<N> {
    type Output = Self;
    #[inline]
    fn div(self, other: f64) -> Self {
        self.chain(self.value / other, 1.0 / other)
    }
}

#[cfg(test)]
mod tests {
    use super::{Dual, Real};

    /// d/dx and d/dy of x·eʸ/(1 + ln x) by the rules of the calculus.
    #[test]
    fn derivatives_follow_the_rules() {
        let (x, y) = (1.7, -0.4);
        let (dx, dy) = (Dual::<2>::variable(x, 0), Dual::<2>::variable(y, 1));
        let f = dx * dy.exp() / (dx.ln() + 1.0);
        let l = 1.0 + libm::log(x);
        let expected = [libm::exp(y) * (l - 1.0) / (l * l), x * libm::exp(y) / l];
        for (found, wanted) in f.derivatives.iter().zip(expected) {
            assert!((found - wanted).abs() < 1e-15, "{found} {wanted}");
        }
    }
}
