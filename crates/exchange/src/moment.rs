//! Instants as ISO 8601 text with offset, strictly: what another reader might take differently is refused.

use crate::problem::FormatProblemCode;

/// Why a text is not an instant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct MomentProblem {
    pub(crate) code: FormatProblemCode,
    pub(crate) help: &'static str,
}

pub(crate) const EXPECTED_MOMENT: &str = "a time with offset, such as 2026-03-02T07:40:00+01:00";

/// Seconds since 1970-01-01T00:00Z of a time that was read before: ISO 8601 with offset; `None`: it is none.
#[must_use]
pub fn moment_unix_s(text: &str) -> Option<i64> {
    unix_seconds(text).ok()
}

/// Seconds since 1970-01-01T00:00Z of `YYYY-MM-DDThh:mm[:ss[.fff]](Z|±hh:mm)`; a fraction of a second is dropped.
pub(crate) fn unix_seconds(text: &str) -> Result<i64, MomentProblem> {
    let bytes = text.as_bytes();
    let malformed = |help| MomentProblem {
        code: FormatProblemCode::TimeMalformed,
        help,
    };
    if !text.is_ascii() || bytes.len() > 40 {
        return Err(malformed(""));
    }
    if bytes.len() < 10 || !shape(&bytes[..10], "0000-00-00") {
        return Err(malformed(spreadsheet_help(bytes)));
    }
    let impossible = |help| MomentProblem {
        code: FormatProblemCode::TimeImpossible,
        help,
    };
    let date = date(text.get(..10).unwrap_or_default()).ok_or(impossible("There is no such day."))?;
    let without_offset = MomentProblem {
        code: FormatProblemCode::TimeWithoutOffset,
        help: "Without an offset the instant is unknown when clocks change; write Z for UTC.",
    };
    let Some(clock) = bytes.get(10..).filter(|rest| !rest.is_empty()) else {
        return Err(malformed(
            "A date alone is not an instant: give the hour and the offset.",
        ));
    };
    if clock[0] == b' ' {
        return Err(malformed("Put a T, not a space, between date and hour."));
    }
    if clock.len() < 6 || !shape(&clock[..6], "T00:00") {
        return Err(malformed(""));
    }
    let mut rest = &clock[6..];
    let mut second = 0;
    if rest.len() >= 3 && shape(&rest[..3], ":00") {
        second = two_digits(&rest[1..3]);
        rest = &rest[3..];
        if let Some(fraction) = rest.strip_prefix(b".") {
            let digits = fraction.iter().take_while(|b| b.is_ascii_digit()).count();
            if digits == 0 || digits > 9 {
                return Err(malformed(""));
            }
            rest = &fraction[digits..];
        }
    }
    let (hour, minute) = (two_digits(&clock[1..3]), two_digits(&clock[4..6]));
    if hour > 23 || minute > 59 || second > 59 {
        return Err(impossible("There is no such hour."));
    }
    let offset_s = match rest {
        [] => return Err(without_offset),
        b"Z" => 0,
        [sign @ (b'+' | b'-'), offset @ ..] if shape(offset, "00:00") => {
            let minutes = two_digits(&offset[..2]) * 60 + two_digits(&offset[3..]);
            // The offsets in use on Earth run from -12:00 to +14:00 (IANA time-zone database).
            let (largest, sign) = if *sign == b'+' {
                (14 * 60, 1)
            } else {
                (12 * 60, -1)
            };
            if minutes > largest || two_digits(&offset[3..]) > 59 {
                return Err(impossible("There is no such offset."));
            }
            sign * minutes * 60
        }
        _ => return Err(malformed("The offset is written Z, +hh:mm or -hh:mm.")),
    };
    let midnight = jiff::tz::Offset::UTC
        .to_timestamp(date.at(0, 0, 0, 0))
        .map_err(|_| impossible(""))?;
    Ok(midnight.as_second() + hour * 3600 + minute * 60 + second - offset_s)
}

/// Whether a text is a calendar date `YYYY-MM-DD` of the years 1900 to 2199.
pub(crate) fn is_date(text: &str) -> bool {
    text.len() == 10 && shape(text.as_bytes(), "0000-00-00") && date(text).is_some()
}

fn date(text: &str) -> Option<jiff::civil::Date> {
    let number = |from: usize, to: usize| text.get(from..to)?.parse::<i16>().ok();
    let (year, month, day) = (number(0, 4)?, number(5, 7)?, number(8, 10)?);
    if !(1900..2200).contains(&year) {
        return None;
    }
    jiff::civil::Date::new(year, month.try_into().ok()?, day.try_into().ok()?).ok()
}

/// Whether bytes look like a pattern in which `0` stands for any digit.
fn shape(bytes: &[u8], pattern: &str) -> bool {
    bytes.len() == pattern.len()
        && bytes
            .iter()
            .zip(pattern.bytes())
            .all(|(found, wanted)| match wanted {
                b'0' => found.is_ascii_digit(),
                other => *found == other,
            })
}

fn two_digits(bytes: &[u8]) -> i64 {
    bytes
        .iter()
        .fold(0, |sum, digit| sum * 10 + i64::from(digit.wrapping_sub(b'0')))
}

fn spreadsheet_help(bytes: &[u8]) -> &'static str {
    let digits = bytes.iter().filter(|b| b.is_ascii_digit()).count();
    let marks = bytes.iter().filter(|b| matches!(b, b'/' | b'.')).count();
    if digits >= 4 && marks == 1 && digits + 1 == bytes.len() || digits == 5 && bytes.len() == 5 {
        "This is a spreadsheet's count of days: format the column as text and write the time out."
    } else if digits >= 4 && marks >= 2 {
        "Day and month can be taken for one another: write year, month, day."
    } else {
        ""
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Expected seconds: RFC 3339 §5.8 gives the equal instants; the numbers are `date -u -d … +%s` (GNU coreutils).
    #[test]
    fn published_examples_are_the_instants_they_name() {
        assert_eq!(unix_seconds("1985-04-12T23:20:50.52Z"), Ok(482_196_050));
        assert_eq!(unix_seconds("1996-12-19T16:39:57-08:00"), Ok(851_042_397));
        assert_eq!(unix_seconds("1996-12-20T00:39:57Z"), Ok(851_042_397));
        assert_eq!(unix_seconds("2026-03-02T07:40:00+01:00"), Ok(1_772_433_600));
        assert_eq!(unix_seconds("2026-03-02T07:40+01:00"), Ok(1_772_433_600));
    }

    #[test]
    fn each_way_to_be_wrong_has_its_name() {
        use FormatProblemCode::{TimeImpossible, TimeMalformed, TimeWithoutOffset};
        for (text, code) in [
            ("2026-03-02T07:40:00", TimeWithoutOffset),
            ("2026-02-30T07:40:00Z", TimeImpossible),
            ("2026-03-02T25:40:00Z", TimeImpossible),
            ("2026-03-02T07:40:00+15:00", TimeImpossible),
            ("1026-03-02T07:40:00Z", TimeImpossible),
            ("2026-03-02", TimeMalformed),
            ("2026-03-02 07:40:00Z", TimeMalformed),
            ("02/03/2026 07:40", TimeMalformed),
            ("46083.319", TimeMalformed),
            ("2026-03-02T07:40:00.Z", TimeMalformed),
            ("2026-03-02T07:40:00+0100", TimeMalformed),
            ("", TimeMalformed),
            ("２０２６-03-02T07:40:00Z", TimeMalformed),
        ] {
            assert_eq!(unix_seconds(text).map_err(|p| p.code), Err(code), "{text}");
        }
    }

    proptest::proptest! {
        #[test]
        fn agrees_with_jiff_wherever_both_read(second in -2_000_000_000_i64..7_000_000_000, offset_min in -720_i32..=840) {
            // The calendar library is the outside truth here.
            let stamp = jiff::Timestamp::from_second(second).unwrap();
            let civil = jiff::tz::Offset::from_seconds(offset_min * 60).unwrap().to_datetime(stamp);
            let (sign, offset) = (if offset_min < 0 { '-' } else { '+' }, offset_min.abs());
            let text = format!("{civil}{sign}{:02}:{:02}", offset / 60, offset % 60);
            proptest::prop_assert_eq!(unix_seconds(&text), Ok(second));
        }
    }
}
