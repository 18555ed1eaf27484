//! Numbers as a reader wants them: significant digits, a true minus, thousands apart; and as a script wants them.
//! A number that is not finite is never printed: a dash stands in its place.

use maud::Render;

/// What stands where there is no number.
pub(crate) const NO_NUMBER: &str = "–";
/// Between thousands, and between a number and its unit.
pub(crate) const NARROW_SPACE: char = '\u{202f}';

/// A number to so many significant digits.
#[derive(Clone, Copy)]
pub(crate) struct Significant(pub(crate) f64, pub(crate) u32);

/// A signed difference in percent, one decimal.
#[derive(Clone, Copy)]
pub(crate) struct SignedPercent(pub(crate) f64);

/// A number with so many decimals.
#[derive(Clone, Copy)]
pub(crate) struct Decimals(pub(crate) f64, pub(crate) u32);

/// A number as a person wrote it: at most six significant digits, no trailing zeros.
#[derive(Clone, Copy)]
pub(crate) struct Plain(pub(crate) f64);

impl Render for Significant {
    fn render_to(&self, out: &mut String) {
        push_significant(out, self.0, self.1);
    }
}

impl Render for SignedPercent {
    fn render_to(&self, out: &mut String) {
        if self.0.is_finite() {
            if tenths_round_above_zero(self.0) {
                out.push('+');
            }
            push_decimals(out, self.0, 1);
            out.push(NARROW_SPACE);
            out.push('%');
        } else {
            out.push_str(NO_NUMBER);
        }
    }
}

impl Render for Decimals {
    fn render_to(&self, out: &mut String) {
        push_decimals(out, self.0, self.1);
    }
}

impl Render for Plain {
    fn render_to(&self, out: &mut String) {
        let from = out.len();
        push_significant(out, self.0, 6);
        // A power of ten after the digits would lose its zeros: leave it.
        if out[from..].contains('.') && !out[from..].contains('×') {
            let kept = out.trim_end_matches('0').trim_end_matches('.').len();
            out.truncate(kept);
        }
    }
}

/// The number with `digits` significant digits: plain between 0.0001 and 10 million, else times a power of ten.
pub(crate) fn push_significant(out: &mut String, value: f64, digits: u32) {
    let Some((scaled, exponent)) = significand(value, digits) else {
        out.push_str(if value.is_finite() { "0" } else { NO_NUMBER });
        return;
    };
    if value < 0.0 {
        out.push('−');
    }
    if (-4..7).contains(&exponent) {
        push_shifted(out, scaled, exponent - digits as i32 + 1, Some(NARROW_SPACE));
    } else {
        push_shifted(out, scaled, 1 - digits as i32, None);
        out.push_str("×10");
        push_superscript(out, exponent);
    }
}

/// Five significant digits in ASCII, for a script to read; `-` when there is no number.
pub(crate) fn push_data(out: &mut String, value: f64) {
    const DIGITS: u32 = 5;
    let Some((mut scaled, exponent)) = significand(value, DIGITS) else {
        out.push(if value.is_finite() { '0' } else { '-' });
        return;
    };
    if value < 0.0 {
        out.push('-');
    }
    let mut shift = exponent - DIGITS as i32 + 1;
    while scaled.is_multiple_of(10) {
        scaled /= 10;
        shift += 1;
    }
    if (-7..16).contains(&exponent) {
        push_shifted(out, scaled, shift, None);
    } else {
        push_integer(out, scaled as i64);
        out.push('e');
        push_integer(out, i64::from(shift));
    }
}

/// The number with so many decimals, rounded half away from zero.
pub(crate) fn push_decimals(out: &mut String, value: f64, decimals: u32) {
    let scaled = (value.abs() * POWERS[decimals as usize]).round();
    if !scaled.is_finite() || scaled >= 1e15 {
        // Infinite, not a number, or too large for decimals to mean anything.
        push_significant(out, value, 3);
        return;
    }
    if value < 0.0 && scaled > 0.0 {
        out.push('−');
    }
    push_shifted(out, scaled as u64, -(decimals as i32), Some(NARROW_SPACE));
}

/// A coordinate of a figure: tenths of a unit, ASCII.
pub(crate) fn push_coordinate(out: &mut String, value: f64) {
    let tenths = (value * 10.0).round() as i64;
    if tenths < 0 {
        out.push('-');
    }
    let tenths = tenths.unsigned_abs();
    push_integer(out, (tenths / 10) as i64);
    if !tenths.is_multiple_of(10) {
        out.push('.');
        push_integer(out, (tenths % 10) as i64);
    }
}

/// A whole number, ASCII.
pub(crate) fn push_integer(out: &mut String, value: i64) {
    out.push_str(itoa::Buffer::new().format(value));
}

/// How many decimals `value` shows when written with `digits` significant digits.
pub(crate) fn decimals_of(value: f64, digits: u32) -> u32 {
    significand(value, digits).map_or(0, |(_, exponent)| {
        (digits as i32 - 1 - exponent).clamp(0, POWERS.len() as i32 - 1) as u32
    })
}

fn tenths_round_above_zero(value: f64) -> bool {
    value >= 0.05
}

/// Powers of ten that a double holds exactly.
const POWERS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18,
    1e19, 1e20, 1e21, 1e22,
];

fn scale(value: f64, power: i32) -> f64 {
    let mut value = value;
    let mut left = power;
    while left != 0 {
        let step = left.clamp(-22, 22);
        if step > 0 {
            value *= POWERS[step as usize];
        } else {
            value /= POWERS[(-step) as usize];
        }
        left -= step;
    }
    value
}

/// Digits as a whole number, and the power of ten of the first; `None` for 0 and what is not finite.
fn significand(value: f64, digits: u32) -> Option<(u64, i32)> {
    let magnitude = value.abs();
    if !(magnitude.is_finite() && magnitude > 0.0) {
        return None;
    }
    let mut exponent = 0;
    if magnitude >= 1.0 {
        // Comparing with exact powers is enough for all but the very large.
        exponent = POWERS
            .iter()
            .skip(1)
            .take_while(|power| magnitude >= **power)
            .count() as i32;
        while (22..308).contains(&exponent) && scale(magnitude, -exponent) >= 10.0 {
            exponent += 1;
        }
    } else {
        while exponent > -324 && scale(magnitude, -exponent) < 1.0 {
            exponent -= 1;
        }
    }
    // Not below zero, so adding a half and cutting off rounds.
    let scaled = (scale(magnitude, digits as i32 - 1 - exponent) + 0.5) as u64;
    let full = 10_u64.pow(digits);
    if scaled >= full {
        Some((scaled / 10, exponent + 1))
    } else {
        Some((scaled, exponent))
    }
}

/// `scaled` times ten to the `shift`, in decimals.
fn push_shifted(out: &mut String, scaled: u64, shift: i32, thousands: Option<char>) {
    let whole_of = |number: u64, out: &mut String| {
        let mut buffer = itoa::Buffer::new();
        let text = buffer.format(number);
        match thousands {
            Some(gap) if text.len() > 4 => {
                for (place, digit) in text.chars().enumerate() {
                    if place > 0 && (text.len() - place).is_multiple_of(3) {
                        out.push(gap);
                    }
                    out.push(digit);
                }
            }
            _ => out.push_str(text),
        }
    };
    if shift >= 0 {
        whole_of(scaled * 10_u64.pow(shift as u32), out);
        return;
    }
    let decimals = shift.unsigned_abs();
    let unit = 10_u64.pow(decimals);
    whole_of(scaled / unit, out);
    out.push('.');
    let mut buffer = itoa::Buffer::new();
    let text = buffer.format(scaled % unit);
    for _ in text.len()..decimals as usize {
        out.push('0');
    }
    out.push_str(text);
}

fn push_superscript(out: &mut String, exponent: i32) {
    if exponent < 0 {
        out.push('⁻');
    }
    for digit in exponent.unsigned_abs().to_string().bytes() {
        out.push(['⁰', '¹', '²', '³', '⁴', '⁵', '⁶', '⁷', '⁸', '⁹'][usize::from(digit - b'0')]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn significant(value: f64, digits: u32) -> String {
        Significant(value, digits).render().into_string()
    }

    #[test]
    fn significant_digits_keep_their_zeros() {
        assert_eq!(significant(12.0, 3), "12.0");
        assert_eq!(significant(0.012_345, 3), "0.0123");
        assert_eq!(significant(9.999, 3), "10.0");
        assert_eq!(significant(-4.0, 1), "−4");
        assert_eq!(significant(123_456.0, 3), "123\u{202f}000");
        assert_eq!(significant(1234.0, 4), "1234");
        assert_eq!(significant(0.0, 3), "0");
    }

    #[test]
    fn the_very_large_and_the_very_small_take_a_power_of_ten() {
        assert_eq!(significant(1.5e12, 3), "1.50×10¹²");
        assert_eq!(significant(2.0e-9, 2), "2.0×10⁻⁹");
        assert_eq!(significant(f64::MAX, 2), "1.8×10³⁰⁸");
        assert_eq!(significant(5e-324, 1), "5×10⁻³²⁴");
    }

    #[test]
    fn what_is_not_a_number_is_a_dash() {
        for value in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            assert_eq!(significant(value, 3), "–");
            assert_eq!(SignedPercent(value).render().into_string(), "–");
            assert_eq!(Decimals(value, 2).render().into_string(), "–");
            let mut data = String::new();
            push_data(&mut data, value);
            assert_eq!(data, "-");
        }
    }

    #[test]
    fn signed_percentages_show_their_sign_but_not_on_zero() {
        assert_eq!(SignedPercent(4.25).render().into_string(), "+4.3\u{202f}%");
        assert_eq!(SignedPercent(-15.02).render().into_string(), "−15.0\u{202f}%");
        assert_eq!(SignedPercent(-0.01).render().into_string(), "0.0\u{202f}%");
    }

    #[test]
    fn plain_numbers_lose_what_they_do_not_need() {
        assert_eq!(Plain(15.0).render().into_string(), "15");
        assert_eq!(Plain(2.5).render().into_string(), "2.5");
        assert_eq!(Plain(100.0).render().into_string(), "100");
        assert_eq!(Plain(0.1).render().into_string(), "0.1");
    }

    #[test]
    fn script_numbers_read_back() {
        for value in [0.0, 1.0, -2.5, 12_345.0, 1.0e9, 3.25e-5, 7.0e40, -1.5e-40] {
            let mut data = String::new();
            push_data(&mut data, value);
            let back: f64 = data.parse().unwrap();
            assert!(
                (back - value).abs() <= value.abs() * 1e-4,
                "{value} came back as {data}"
            );
        }
    }
}
