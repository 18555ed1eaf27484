//! The size of a unit against the base units, exact: a fraction of whole numbers, with twos and fives apart so that
//! powers of ten (every prefix) never grow it.

/// numerator / denominator × 2^twos × 5^fives; the numbers share no factor with each other nor with ten, so equal
/// scales are equal field by field.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Scale {
    numerator: u64,
    denominator: u64,
    twos: i32,
    fives: i32,
}

impl Scale {
    pub(super) const ONE: Self = Self {
        numerator: 1,
        denominator: 1,
        twos: 0,
        fives: 0,
    };

    /// A whole number times a power of ten; `None` for zero, which is no unit's size.
    pub(super) fn whole(number: u64, power_of_ten: i32) -> Option<Self> {
        if number == 0 {
            return None;
        }
        let (mut numerator, mut twos, mut fives) = (number, power_of_ten, power_of_ten);
        while numerator.is_multiple_of(2) {
            numerator /= 2;
            twos += 1;
        }
        while numerator.is_multiple_of(5) {
            numerator /= 5;
            fives += 1;
        }
        Some(Self {
            numerator,
            denominator: 1,
            twos,
            fives,
        })
    }

    /// The product; `None` when it cannot be held exactly.
    pub(super) fn multiplied_by(self, other: Self) -> Option<Self> {
        // Crosswise, so that a unit over itself never overflows.
        let left = common_divisor(self.numerator, other.denominator);
        let right = common_divisor(other.numerator, self.denominator);
        Some(Self {
            numerator: (self.numerator / left).checked_mul(other.numerator / right)?,
            denominator: (self.denominator / right).checked_mul(other.denominator / left)?,
            twos: self.twos.checked_add(other.twos)?,
            fives: self.fives.checked_add(other.fives)?,
        })
    }

    /// The quotient; `None` when it cannot be held exactly.
    pub(super) fn divided_by(self, other: Self) -> Option<Self> {
        self.multiplied_by(other.inverted())
    }

    /// The power; `None` when it cannot be held exactly.
    pub(super) fn to_the(self, exponent: i32) -> Option<Self> {
        let base = if exponent < 0 { self.inverted() } else { self };
        (0..exponent.unsigned_abs()).try_fold(Self::ONE, |power, _| power.multiplied_by(base))
    }

    /// A value times this scale, infinite when too large.
    ///
    /// Dividing by 10^n rather than multiplying by 10^−n keeps one rounding: 10^n is exact up to n = 22.
    pub(super) fn times(self, value: f64) -> f64 {
        let above = |exponent: i32| u32::try_from(exponent).unwrap_or(0);
        let up = self.numerator as f64 * power(2.0, above(self.twos)) * power(5.0, above(self.fives));
        let down = self.denominator as f64 * power(2.0, above(-self.twos)) * power(5.0, above(-self.fives));
        value * up / down
    }

    fn inverted(self) -> Self {
        Self {
            numerator: self.denominator,
            denominator: self.numerator,
            twos: -self.twos,
            fives: -self.fives,
        }
    }
}

/// By multiplication: exact as long as the result fits 53 bits, and the same on every machine.
fn power(base: f64, exponent: u32) -> f64 {
    // Beyond the range of numbers nothing changes any more.
    (0..exponent.min(1100)).fold(1.0, |product, _| product * base)
}

fn common_divisor(mut a: u64, mut b: u64) -> u64 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_scales_are_equal_field_by_field() {
        let whole = |number, power| Scale::whole(number, power).unwrap();
        assert_eq!(whole(3600, 0).divided_by(whole(3600, 0)), Some(Scale::ONE));
        assert_eq!(whole(60, 0), whole(6, 1));
        assert_eq!(Scale::ONE.divided_by(whole(5, 0)), Some(whole(2, -1)));
        assert_eq!(whole(5, 0).multiplied_by(whole(2, 0)), Some(whole(1, 1)));
    }

    #[test]
    fn what_cannot_be_exact_is_refused() {
        assert_eq!(Scale::whole(7, 0).and_then(|seven| seven.to_the(99)), None);
        assert_eq!(Scale::whole(0, 3), None);
    }
}
