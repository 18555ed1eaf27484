//! The arithmetic a factorisation needs, so that one algorithm serves both f64 and double-double.

use std::ops::{Add, Div, Mul, Neg, Sub};

use crate::double_double::DoubleDouble;

pub(crate) trait Real:
    Copy + Add<Output = Self> + Sub<Output = Self> + Mul<Output = Self> + Div<Output = Self> + Neg<Output = Self>
{
    const ZERO: Self;
    const ONE: Self;

    fn from_f64(value: f64) -> Self;
    /// The nearest f64.
    fn to_f64(self) -> f64;
    fn sqrt(self) -> Self;
}

impl Real for f64 {
    const ZERO: Self = 0.0;
    const ONE: Self = 1.0;

    fn from_f64(value: f64) -> Self {
        value
    }

    fn to_f64(self) -> f64 {
        self
    }

    fn sqrt(self) -> Self {
        Self::sqrt(self)
    }
}

impl Real for DoubleDouble {
    const ZERO: Self = Self { high: 0.0, low: 0.0 };
    const ONE: Self = Self { high: 1.0, low: 0.0 };

    fn from_f64(value: f64) -> Self {
        Self {
            high: value,
            low: 0.0,
        }
    }

    fn to_f64(self) -> f64 {
        self.high
    }

    fn sqrt(self) -> Self {
        Self::sqrt(self)
    }
}
