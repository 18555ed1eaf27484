//! Numbers as ECMAScript writes them, which RFC 8785 § 3.2.2.3 asks for.

/// Writes a finite number (ECMA-262, `Number::toString`): the shortest digits that read back as the same number,
/// plain from 10^-6 up to 10^21, with an exponent outside.
pub(super) fn write_number(value: f64, out: &mut String) {
    // Positive and negative zero are one number here.
    if value == 0.0 {
        out.push('0');
        return;
    }
    if value < 0.0 {
        out.push('-');
    }
    let shortest = shortest_digits(value.abs());
    let (mantissa, exponent) = shortest.split_once('e').unwrap_or((&shortest, "0"));
    let digits: String = mantissa.chars().filter(|c| *c != '.').collect();
    let exponent: i32 = exponent.parse().unwrap_or(0);
    // ECMA-262 calls these k (how many digits) and n (where the point stands).
    let k = digits.len() as i32;
    let n = exponent + 1;
    let zeros = |count: i32| "0".repeat(usize::try_from(count).unwrap_or(0));
    if k <= n && n <= 21 {
        out.push_str(&digits);
        out.push_str(&zeros(n - k));
    } else if 0 < n && n <= 21 {
        let (whole, part) = digits.split_at(n as usize);
        out.push_str(&format!("{whole}.{part}"));
    } else if -6 < n && n <= 0 {
        out.push_str(&format!("0.{}{digits}", zeros(-n)));
    } else {
        let (first, rest) = digits.split_at(1);
        out.push_str(first);
        if !rest.is_empty() {
            out.push('.');
            out.push_str(rest);
        }
        let sign = if exponent < 0 { '-' } else { '+' };
        out.push_str(&format!("e{sign}{}", exponent.abs()));
    }
}

/// `d.ddde±x` with the digits ECMA-262 asks for: as few as read back to the same number; among those the nearest;
/// between two equally near, the even one.
fn shortest_digits(size: f64) -> String {
    let shortest = format!("{size:e}");
    // The shortest form leaves the last rule open (1424953923781206.25 may end in 2 or 3). Rounding the exact value
    // to as many digits follows it, and is taken unless it fails to read back, which happens beside powers of two,
    // where the neighbour below is nearer than the one above.
    let places = shortest.find('e').unwrap_or(0).saturating_sub(2);
    let rounded = format!("{size:.places$e}");
    match rounded.parse::<f64>() {
        Ok(back) if back.to_bits() == size.to_bits() => rounded,
        _ => shortest,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn written(bits: u64) -> String {
        let mut out = String::new();
        write_number(f64::from_bits(bits), &mut out);
        out
    }

    /// RFC 8785, appendix B, "Number Serialization Samples" (from memory). NaN and infinity are refused before they
    /// come here; the tests of `canonical` hold that.
    #[test]
    fn the_samples_of_the_standard_come_out() {
        let samples = [
            (0x0000_0000_0000_0000, "0"),
            (0x8000_0000_0000_0000, "0"),
            (0x0000_0000_0000_0001, "5e-324"),
            (0x8000_0000_0000_0001, "-5e-324"),
            (0x7fef_ffff_ffff_ffff, "1.7976931348623157e+308"),
            (0xffef_ffff_ffff_ffff, "-1.7976931348623157e+308"),
            (0x4340_0000_0000_0000, "9007199254740992"),
            (0xc340_0000_0000_0000, "-9007199254740992"),
            (0x4430_0000_0000_0000, "295147905179352830000"),
            (0x44b5_2d02_c7e1_4af5, "9.999999999999997e+22"),
            (0x44b5_2d02_c7e1_4af6, "1e+23"),
            (0x44b5_2d02_c7e1_4af7, "1.0000000000000001e+23"),
            (0x444b_1ae4_d6e2_ef4e, "999999999999999700000"),
            (0x444b_1ae4_d6e2_ef4f, "999999999999999900000"),
            (0x444b_1ae4_d6e2_ef50, "1e+21"),
            (0x3eb0_c6f7_a0b5_ed8c, "9.999999999999997e-7"),
            (0x3eb0_c6f7_a0b5_ed8d, "0.000001"),
            (0x41b3_de43_5555_5553, "333333333.3333332"),
            (0x41b3_de43_5555_5554, "333333333.33333325"),
            (0x41b3_de43_5555_5555, "333333333.3333333"),
            (0x41b3_de43_5555_5556, "333333333.3333334"),
            (0x41b3_de43_5555_5557, "333333333.33333343"),
            (0xbecb_f647_612f_3696, "-0.0000033333333333333333"),
            (0x4314_3ff3_c1cb_0959, "1424953923781206.2"),
        ];
        for (bits, expected) in samples {
            assert_eq!(written(bits), expected, "{bits:016x}");
        }
    }

    proptest::proptest! {
        #[test]
        fn every_number_reads_back_to_the_same_bits(value in proptest::num::f64::NORMAL | proptest::num::f64::SUBNORMAL) {
            proptest::prop_assert_eq!(written(value.to_bits()).parse::<f64>().unwrap().to_bits(), value.to_bits());
        }
    }
}
