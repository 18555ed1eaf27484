//! Numbers as they stand in reports.
//!
//! Rounded is the number as it stands in the record, that is its shortest decimal writing, and a tie goes to the even
//! figure. So a reader who rounds the recorded number by hand gets the printed one: 2.675 becomes 2.68 although the
//! binary number behind it is a hair below. Rounding is for display only (G-1): nothing is judged on a rounded number.

/// What stands where a number cannot.
pub const NOT_COMPUTABLE: &str = "not computable";

/// A number with so many significant figures (at least one), ties to even. Plain from 10^-6 up to 10^15, with an
/// exponent outside; NaN and infinities are [`NOT_COMPUTABLE`].
///
/// ```
/// use spotwright_domain::figures::significant_figures;
/// assert_eq!(significant_figures(5.1249, 3), "5.12");
/// assert_eq!(significant_figures(0.99961, 3), "1.00");
/// assert_eq!(significant_figures(12_345.0, 3), "12300");
/// assert_eq!(significant_figures(5.0, 3), "5.00");
/// // Ties go to the even figure.
/// assert_eq!(significant_figures(2.125, 3), "2.12");
/// assert_eq!(significant_figures(2.675, 3), "2.68");
/// assert_eq!(significant_figures(f64::NAN, 3), "not computable");
/// ```
#[must_use]
pub fn significant_figures(value: f64, figures: usize) -> String {
    if !value.is_finite() {
        return NOT_COMPUTABLE.to_owned();
    }
    let figures = figures.max(1);
    let written = Decimal::of(value);
    // Zero has no significant figure; it is written as precisely as 0.00 stands beside 1.23.
    let places = if value == 0.0 {
        figures as i64 - 1
    } else {
        figures as i64 - written.point
    };
    let rounded = written.rounded(places);
    // 9.996 becomes 10.0, not 10.00: the figure gained by rounding up costs one behind the point.
    let places = if rounded.point > written.point {
        places - 1
    } else {
        places
    };
    if value != 0.0 && !(-5..=15).contains(&rounded.point) {
        return rounded.with_exponent(figures);
    }
    rounded.plain(places.max(0))
}

/// A number with so many decimal places, ties to even; NaN and infinities are [`NOT_COMPUTABLE`].
///
/// ```
/// use spotwright_domain::figures::decimal_places;
/// assert_eq!(decimal_places(-14.96, 1), "-15.0");
/// assert_eq!(decimal_places(-0.04, 1), "0.0");
/// assert_eq!(decimal_places(0.25, 1), "0.2");
/// ```
#[must_use]
pub fn decimal_places(value: f64, places: usize) -> String {
    if !value.is_finite() {
        return NOT_COMPUTABLE.to_owned();
    }
    Decimal::of(value).rounded(places as i64).plain(places as i64)
}

/// ± 0.d₁d₂d₃… × 10^point. Zero has no digits.
struct Decimal {
    negative: bool,
    digits: Vec<u8>,
    point: i64,
}

impl Decimal {
    /// The shortest decimal that reads back as the same number.
    fn of(value: f64) -> Self {
        let shortest = format!("{:e}", value.abs());
        let (mantissa, exponent) = shortest.split_once('e').unwrap_or((&shortest, "0"));
        let digits: Vec<u8> = mantissa
            .bytes()
            .filter(u8::is_ascii_digit)
            .map(|digit| digit - b'0')
            .collect();
        let zero = value == 0.0;
        Self {
            negative: value < 0.0,
            digits: if zero { Vec::new() } else { digits },
            point: if zero {
                0
            } else {
                exponent.parse().unwrap_or(0) + 1
            },
        }
    }

    /// Rounded to so many places behind the point (before it when negative).
    fn rounded(&self, places: i64) -> Self {
        let zero = Self {
            negative: false,
            digits: Vec::new(),
            point: 0,
        };
        // How many digits stay. Below zero even the first is less than a tenth of a unit of the last place.
        let Ok(keep) = usize::try_from(self.point + places) else {
            return zero;
        };
        let mut digits = self.digits.clone();
        if keep >= digits.len() {
            return Self { digits, ..*self };
        }
        let rest = digits.split_off(keep);
        let tie = rest[0] == 5 && rest[1..].iter().all(|digit| *digit == 0);
        let odd = digits.last().is_some_and(|digit| digit % 2 == 1);
        let up = if tie { odd } else { rest[0] >= 5 };
        let mut point = self.point;
        if up {
            match digits.iter().rposition(|digit| *digit < 9) {
                Some(place) => {
                    digits[place] += 1;
                    digits[place + 1..].fill(0);
                }
                // All nines, or no digit left: one more place before the point.
                None => {
                    digits.fill(0);
                    digits.insert(0, 1);
                    point += 1;
                }
            }
        }
        if digits.iter().all(|digit| *digit == 0) {
            return zero;
        }
        Self {
            negative: self.negative,
            digits,
            point,
        }
    }

    /// Digit of the place 10^power, 0 where none stands.
    fn digit(&self, power: i64) -> char {
        let place = usize::try_from(self.point - 1 - power).ok();
        let digit = place
            .and_then(|place| self.digits.get(place))
            .copied()
            .unwrap_or(0);
        char::from(b'0' + digit)
    }

    fn plain(&self, places: i64) -> String {
        let mut out = String::from(if self.negative { "-" } else { "" });
        out.extend((0..self.point.max(1)).rev().map(|power| self.digit(power)));
        if places > 0 {
            out.push('.');
            out.extend((1..=places).map(|place| self.digit(-place)));
        }
        out
    }

    fn with_exponent(&self, figures: usize) -> String {
        let mut out = String::from(if self.negative { "-" } else { "" });
        let exponent = self.point - 1;
        out.push(self.digit(exponent));
        if figures > 1 {
            out.push('.');
            out.extend((1..figures as i64).map(|place| self.digit(exponent - place)));
        }
        out + &format!("e{exponent}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn figures_are_kept_wherever_the_point_stands() {
        let cases = [
            (0.0, "0.00"),
            (-0.0, "0.00"),
            (1.0, "1.00"),
            (-5.126, "-5.13"),
            (9.996, "10.0"),
            (99.96, "100"),
            (999.6, "1000"),
            (0.000_999_96, "0.00100"),
            (0.001_234_5, "0.00123"),
            (0.000_001_234, "0.00000123"),
            (0.000_000_123_4, "1.23e-7"),
            (123_456_789.0, "123000000"),
            (1.239e18, "1.24e18"),
            (f64::MAX, "1.80e308"),
            (f64::INFINITY, NOT_COMPUTABLE),
        ];
        for (value, expected) in cases {
            assert_eq!(significant_figures(value, 3), expected, "{value}");
        }
        assert_eq!(significant_figures(0.25, 0), "0.2");
        assert_eq!(significant_figures(15.0, 1), "20");
        assert_eq!(significant_figures(25.0, 1), "20");
    }

    #[test]
    fn places_are_kept_whatever_the_size() {
        let cases = [
            (0.05, "0.0"),
            (0.15, "0.2"),
            (0.0501, "0.1"),
            (0.95, "1.0"),
            (99.95, "100.0"),
            (1e20, "100000000000000000000.0"),
        ];
        for (value, expected) in cases {
            assert_eq!(decimal_places(value, 1), expected, "{value}");
        }
        assert_eq!(decimal_places(0.5, 0), "0");
        assert_eq!(decimal_places(1.5, 0), "2");
        assert_eq!(decimal_places(0.51, 0), "1");
        assert_eq!(decimal_places(0.04, 0), "0");
    }

    proptest! {
        /// Rounding moves a number by at most half a unit of its last figure, and rounding again changes nothing.
        #[test]
        fn rounding_is_near_and_settles(value in -1e9..1e9_f64, figures in 1_usize..9) {
            let text = significant_figures(value, figures);
            let read: f64 = text.parse().unwrap();
            let half = 0.5 * unit_of_the_last_figure(value.abs(), figures);
            prop_assert!((read - value).abs() <= half * (1.0 + 1e-9) + 1e-15 * value.abs(), "{value} {text}");
            prop_assert_eq!(significant_figures(read, figures).parse::<f64>().unwrap().to_bits(), read.to_bits());
        }

        /// The standard library's rounding is the other derivation; it rounds the binary number, so ties of the
        /// decimal writing are left out.
        #[test]
        fn the_standard_library_agrees_off_the_ties(value in -1e6..1e6_f64, places in 0_usize..4) {
            let shortest = format!("{value}");
            prop_assume!(!shortest.ends_with('5'));
            let theirs = format!("{value:.places$}");
            let theirs = if theirs.trim_matches(['-', '0', '.']).is_empty() { theirs.replace('-', "") } else { theirs };
            prop_assert_eq!(decimal_places(value, places), theirs);
        }
    }

    /// One unit of the last of so many figures of a size above zero.
    fn unit_of_the_last_figure(size: f64, figures: usize) -> f64 {
        let written = format!("{size:e}");
        let exponent: i32 = written.split_once('e').unwrap().1.parse().unwrap();
        format!("1e{}", exponent - figures as i32 + 1).parse().unwrap()
    }
}
