//! Cells as numbers, words, identifiers and times.

use super::Row;
use crate::moment::{EXPECTED_MOMENT, unix_seconds};
use crate::nearest::nearest;
use crate::problem::{FormatProblemCode, Problems};
use spotwright_domain::identifier::IdentifierError;

/// What a number may be.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Bounds {
    pub(crate) min: f64,
    pub(crate) max: f64,
    /// Whether `min` itself is allowed.
    pub(crate) with_min: bool,
    /// The bounds in words.
    pub(crate) words: &'static str,
}

impl Bounds {
    pub(crate) fn hold(self, value: f64) -> bool {
        value.is_finite() && value <= self.max && (value > self.min || self.with_min && value >= self.min)
    }
}

/// The decimal mark a file uses, once one was seen.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Marks {
    seen: Option<(char, u32)>,
}

/// Longest cell (characters) of any kind.
const LONGEST_CELL: usize = 2000;

impl<'t> Row<'t> {
    /// The cell's text when it is there; a problem when it is needed and empty.
    pub(crate) fn needed(&self, column: usize, what: &str, problems: &mut Problems) -> Option<&'t str> {
        let text = self.text(column);
        if text.is_empty() {
            problems.push(
                self.problem(column, FormatProblemCode::CellMissing)
                    .found("an empty cell")
                    .expected(what),
            );
            return None;
        }
        Some(text)
    }

    /// Free text; `Ok(None)`: empty.
    pub(crate) fn free_text(&self, column: usize, problems: &mut Problems) -> Result<Option<String>, ()> {
        let text = self.text(column).trim();
        let characters = text.chars().count();
        if characters > LONGEST_CELL {
            problems.push(
                self.problem(column, FormatProblemCode::CellTooLong)
                    .found(format!("{characters} characters"))
                    .expected(format!("at most {LONGEST_CELL}")),
            );
            return Err(());
        }
        if starts_formula(text) {
            problems.push(
                self.problem(column, FormatProblemCode::Formula)
                    .expected("a text that no spreadsheet would run"),
            );
            return Err(());
        }
        Ok((!text.is_empty()).then(|| text.to_owned()))
    }

    /// An identifier; the cell is known not to be empty.
    pub(crate) fn identifier<T>(
        &self,
        column: usize,
        make: impl Fn(&str) -> Result<T, IdentifierError>,
        problems: &mut Problems,
    ) -> Option<T> {
        match make(self.text(column)) {
            Ok(identifier) => Some(identifier),
            Err(error) => {
                problems.push(
                    self.problem(column, FormatProblemCode::IdentifierMalformed)
                        .expected("a code or name")
                        .help(identifier_help(&error)),
                );
                None
            }
        }
    }

    /// One of a closed list of words.
    pub(crate) fn word<T: Copy>(
        &self,
        column: usize,
        what: &str,
        all: &[(&'static str, T)],
        problems: &mut Problems,
    ) -> Option<T> {
        let text = self.text(column);
        let found = all.iter().find(|(word, _)| *word == text);
        if found.is_none() {
            let words: Vec<&str> = all.iter().map(|(word, _)| *word).collect();
            problems.push(
                self.problem(column, FormatProblemCode::WordUnknown)
                    .expected(format!("{what} ({})", words.join(", ")))
                    .nearest(nearest(text, words.iter().copied())),
            );
        }
        found.map(|(_, value)| *value)
    }

    /// A number within bounds; the cell is known not to be empty.
    pub(crate) fn number(
        &self,
        column: usize,
        bounds: Bounds,
        marks: &mut Marks,
        problems: &mut Problems,
    ) -> Option<f64> {
        let text = self.text(column);
        let here = |code| self.problem(column, code).expected(bounds.words);
        let value = match read_number(text, self.layout.separator == ';') {
            Ok(Reading { value, mark }) => {
                if let Some(mark) = mark {
                    match marks.seen {
                        None => marks.seen = Some((mark, self.line())),
                        Some((other, line)) if other != mark => {
                            let name = |mark| if mark == ',' { "comma" } else { "point" };
                            problems.push(
                                self.problem(column, FormatProblemCode::NumberMarksMixed)
                                    .expected(format!("a decimal {}, as on line {line}", name(other)))
                                    .help("A file that mixes both cannot tell 1.234 from 1,234."),
                            );
                            return None;
                        }
                        Some(_) => {}
                    }
                }
                value
            }
            Err(trouble) => {
                problems.push(here(trouble.code).nearest(trouble.nearest).help(trouble.help));
                return None;
            }
        };
        if !bounds.hold(value) {
            problems.push(here(FormatProblemCode::NumberOutOfRange));
            return None;
        }
        Some(value)
    }

    /// A whole number from 1; the cell is known not to be empty.
    pub(crate) fn count_from_one(&self, column: usize, problems: &mut Problems) -> Option<u32> {
        let text = self.text(column);
        let here = |code| self.problem(column, code).expected("a whole number from 1");
        match read_number(text, false) {
            Err(trouble) => problems.push(here(trouble.code).nearest(trouble.nearest).help(trouble.help)),
            Ok(reading) => match text.parse::<u32>() {
                Ok(count) if count >= 1 && text.bytes().all(|b| b.is_ascii_digit()) => return Some(count),
                Ok(_) => problems.push(here(FormatProblemCode::NumberOutOfRange)),
                Err(_) if reading.value < 1.0 || reading.value > f64::from(u32::MAX) => {
                    problems.push(here(FormatProblemCode::NumberOutOfRange));
                }
                Err(_) => problems.push(here(FormatProblemCode::NumberNotWhole)),
            },
        }
        None
    }

    /// A time: its text and its seconds since 1970-01-01T00:00Z. `Ok(None)`: empty.
    pub(crate) fn moment(&self, column: usize, problems: &mut Problems) -> Result<Option<(String, i64)>, ()> {
        let text = self.text(column);
        if text.is_empty() {
            return Ok(None);
        }
        match unix_seconds(text) {
            Ok(seconds) => Ok(Some((text.to_owned(), seconds))),
            Err(trouble) => {
                problems.push(
                    self.problem(column, trouble.code)
                        .expected(EXPECTED_MOMENT)
                        .help(trouble.help),
                );
                Err(())
            }
        }
    }
}

pub(crate) fn identifier_help(error: &IdentifierError) -> String {
    match error {
        IdentifierError::Empty => "It cannot be empty.".to_owned(),
        IdentifierError::TooLong { found, limit } => format!("It has {found} characters of at most {limit}."),
        IdentifierError::BadCharacter { character } => format!(
            "It cannot hold {} there.",
            crate::problem::quoted(&character.to_string())
        ),
    }
}

/// Whether a spreadsheet would take a text for a formula.
pub(crate) fn starts_formula(text: &str) -> bool {
    text.starts_with(['=', '@'])
}

#[derive(Debug)]
struct Reading {
    value: f64,
    mark: Option<char>,
}

#[derive(Debug)]
struct NumberTrouble {
    code: FormatProblemCode,
    nearest: Option<String>,
    help: &'static str,
}

fn read_number(text: &str, comma_is_decimal: bool) -> Result<Reading, NumberTrouble> {
    let trouble = |code, help| NumberTrouble {
        code,
        nearest: None,
        help,
    };
    let length = plain_number_length(text);
    if length == text.len() && !text.is_empty() {
        let comma = text.contains(',');
        let with_point = text.replace(',', ".");
        if comma && !comma_is_decimal {
            return Err(NumberTrouble {
                code: FormatProblemCode::NumberDecimalComma,
                nearest: Some(with_point),
                help: "A decimal comma can be read only where semicolons separate the cells.",
            });
        }
        let mark = text.chars().find(|c| ",.".contains(*c));
        return match with_point.parse::<f64>() {
            Ok(value) if value.is_finite() => Ok(Reading { value, mark }),
            _ => Err(trouble(
                FormatProblemCode::NumberNotFinite,
                "It is too large for a number.",
            )),
        };
    }
    let folded = text.to_ascii_lowercase();
    let bare = folded.trim_start_matches(['+', '-']);
    if starts_formula(text)
        || text.len() > 1
            && text.starts_with(['+', '-'])
            && bare.starts_with(|c: char| c.is_ascii_alphabetic() && c != 'i' && c != 'n')
    {
        return Err(trouble(
            FormatProblemCode::Formula,
            "Write the formula's value, not the formula.",
        ));
    }
    if ["nan", "inf", "infinity", "1.#inf", "1.#qnan", "1.#ind"].contains(&bare) || text == "∞" {
        return Err(trouble(
            FormatProblemCode::NumberNotFinite,
            "Leave the cell empty where the value is unknown and may be.",
        ));
    }
    if [
        "n/a", "na", "-", "--", "?", "null", "none", "unknown", "nd", "n.d.",
    ]
    .contains(&folded.as_str())
    {
        return Err(trouble(
            FormatProblemCode::NumberMalformed,
            "Leave the cell empty where the value is unknown and may be.",
        ));
    }
    if text.starts_with('#') {
        return Err(trouble(
            FormatProblemCode::NumberMalformed,
            "This is a spreadsheet's error: mend it there.",
        ));
    }
    let is_digit = |c: char| c.is_ascii_digit();
    let grouping = |c: char| " '.,\u{a0}\u{202f}\u{2019}_".contains(c);
    if text.starts_with(is_digit)
        && text.ends_with(is_digit)
        && text.chars().all(|c| is_digit(c) || grouping(c))
    {
        return Err(NumberTrouble {
            code: FormatProblemCode::NumberThousands,
            nearest: None,
            help: "Write numbers without thousands separators.",
        });
    }
    let is_unit = |c: char| c.is_alphabetic() || "%°".contains(c);
    if length > 0 && text[length..].trim_start().starts_with(is_unit) {
        let number = &text[..length];
        return Err(NumberTrouble {
            code: FormatProblemCode::NumberWithUnit,
            nearest: (!number.contains(',')).then(|| number.to_owned()),
            help: "The unit stands in the column's name.",
        });
    }
    Err(trouble(FormatProblemCode::NumberMalformed, ""))
}

/// How many bytes at the start of a text are a number: `[+-]digits[.,][digits][e[+-]digits]`.
fn plain_number_length(text: &str) -> usize {
    let bytes = text.as_bytes();
    let digits = |from: usize| bytes[from..].iter().take_while(|b| b.is_ascii_digit()).count();
    let sign = usize::from(matches!(bytes.first(), Some(b'+' | b'-')));
    let whole = digits(sign);
    let mut end = sign + whole;
    let mut fraction = 0;
    if matches!(bytes.get(end), Some(b'.' | b',')) {
        fraction = digits(end + 1);
        if fraction > 0 {
            end += 1 + fraction;
        }
    }
    if whole + fraction == 0 {
        return 0;
    }
    if matches!(bytes.get(end), Some(b'e' | b'E')) {
        let sign = usize::from(matches!(bytes.get(end + 1), Some(b'+' | b'-')));
        let exponent = digits((end + 1 + sign).min(bytes.len()));
        if exponent > 0 {
            end += 1 + sign + exponent;
        }
    }
    end
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "a number read is exactly the number written")]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read_or_refused_by_name() {
        use FormatProblemCode::{
            Formula, NumberDecimalComma, NumberMalformed, NumberNotFinite, NumberThousands, NumberWithUnit,
        };
        for (text, expected) in [
            ("1", 1.0),
            ("-1.5", -1.5),
            ("1e3", 1000.0),
            (".5", 0.5),
            ("+2.50E-1", 0.25),
        ] {
            assert_eq!(read_number(text, false).unwrap().value, expected, "{text}");
        }
        assert_eq!(read_number("0,42", true).unwrap().value, 0.42);
        for (text, code) in [
            ("0,42", NumberDecimalComma),
            ("NaN", NumberNotFinite),
            ("-inf", NumberNotFinite),
            ("1e999", NumberNotFinite),
            ("1 000", NumberThousands),
            ("1'000", NumberThousands),
            ("1,000,000", NumberThousands),
            ("1.234,5", NumberThousands),
            ("3 ng", NumberWithUnit),
            ("3%", NumberWithUnit),
            ("3µg", NumberWithUnit),
            ("=1+2", Formula),
            ("+A1", Formula),
            ("#N/A", NumberMalformed),
            ("n/a", NumberMalformed),
            ("", NumberMalformed),
            ("1.", NumberMalformed),
            ("−1", NumberMalformed),
            ("0x10", NumberWithUnit),
            ("five", NumberMalformed),
        ] {
            assert_eq!(
                read_number(text, false).map(|r| r.value).map_err(|t| t.code),
                Err(code),
                "{text}"
            );
        }
    }

    proptest::proptest! {
        #[test]
        fn every_text_is_a_finite_number_or_a_named_trouble(text in "\\PC{0,12}", comma: bool) {
            if let Ok(reading) = read_number(&text, comma) {
                proptest::prop_assert!(reading.value.is_finite());
            }
        }

        #[test]
        fn every_finite_number_is_read_back(value in -1e300_f64..1e300) {
            proptest::prop_assert_eq!(read_number(&format!("{value:e}"), false).unwrap().value, value);
        }
    }
}
