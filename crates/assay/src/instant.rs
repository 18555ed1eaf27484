//! ISO 8601 with offset to seconds since 1970-01-01T00:00Z, for comparing the times on a request.

/// Seconds since 1970-01-01T00:00Z of `2026-03-02T07:40[:00[.5]]+01:00` (or `Z`; offset also `+0100`, `+01`). `None` when the
/// text is not such a time.
pub(crate) fn unix_seconds(text: &str) -> Option<i64> {
    let bytes = text.as_bytes();
    if bytes.len() < 17 || !text.is_ascii() {
        return None;
    }
    let number = |from: usize, to: usize| digits(text.get(from..to)?);
    let separators = [(4, b'-'), (7, b'-'), (13, b':')];
    if separators.iter().any(|(at, mark)| bytes[*at] != *mark) || !matches!(bytes[10], b'T' | b't' | b' ') {
        return None;
    }
    let (year, month, day) = (number(0, 4)?, number(5, 7)?, number(8, 10)?);
    let (hour, minute) = (number(11, 13)?, number(14, 16)?);
    let mut rest = &text[16..];
    let mut second = 0;
    if let Some(tail) = rest.strip_prefix(':') {
        second = digits(tail.get(..2)?)?;
        rest = &tail[2..];
        if let Some(fraction) = rest.strip_prefix(['.', ',']) {
            let end = fraction.find(|c: char| !c.is_ascii_digit())?;
            rest = &fraction[end..];
        }
    }
    let valid =
        (1..=12).contains(&month) && (1..=31).contains(&day) && hour <= 24 && minute < 60 && second <= 60;
    if !valid {
        return None;
    }
    let local = days_from_civil(year, month, day) * 86_400 + hour * 3600 + minute * 60 + second;
    Some(local - offset(rest)?)
}

fn offset(text: &str) -> Option<i64> {
    if text == "Z" || text == "z" {
        return Some(0);
    }
    let sign = match text.as_bytes().first()? {
        b'+' => 1,
        b'-' => -1,
        _ => return None,
    };
    let clock: String = text[1..].chars().filter(|c| *c != ':').collect();
    let (hours, minutes) = match clock.len() {
        2 => (digits(&clock)?, 0),
        4 => (digits(&clock[..2])?, digits(&clock[2..])?),
        _ => return None,
    };
    Some(sign * (hours * 3600 + minutes * 60))
}

fn digits(text: &str) -> Option<i64> {
    if text.is_empty() || !text.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    text.parse().ok()
}

/// Days since 1970-01-01 of a Gregorian date: years counted from March so that the leap day comes last.
fn days_from_civil(year: i64, month: i64, day: i64) -> i64 {
    let year = if month <= 2 { year - 1 } else { year };
    let era = year.div_euclid(400);
    let year_of_era = year.rem_euclid(400);
    let day_of_year = (153 * ((month + 9) % 12) + 2) / 5 + day - 1;
    let day_of_era = year_of_era * 365 + year_of_era / 4 - year_of_era / 100 + day_of_year;
    era * 146_097 + day_of_era - 719_468
}

#[cfg(test)]
mod tests {
    use super::*;

    // Values of `date -u -d TEXT +%s` (GNU coreutils).
    #[test]
    fn times_with_offsets_become_seconds() {
        assert_eq!(unix_seconds("1970-01-01T00:00:00Z"), Some(0));
        assert_eq!(unix_seconds("2026-03-02T07:40:00+01:00"), Some(1_772_433_600));
        assert_eq!(unix_seconds("2024-02-29T23:59:59.5-05:30"), Some(1_709_270_999));
        assert_eq!(unix_seconds("2026-03-02T07:40Z"), Some(1_772_437_200));
        assert_eq!(unix_seconds("2026-03-02T07:40:00"), None);
        assert_eq!(unix_seconds("yesterday at noon, or so"), None);
    }
}
