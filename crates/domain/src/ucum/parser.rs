//! Reads a UCUM expression (§§ 2–11 of the standard): units with prefix and exponent, whole factors, annotations,
//! `.`, `/` from left to right, and brackets.

use super::atom::{ATOMS, Atom, PREFIXES, meant};
use super::scale::Scale;
use super::{Dimension, UcumError};

/// Longest expression (characters). Real ones stay under thirty.
const LONGEST: usize = 80;
/// Deepest nesting of brackets. Real ones need one.
const DEEPEST: usize = 8;

/// What an expression, or a part of one, means.
#[derive(Debug, Clone)]
pub(super) struct Term {
    pub(super) scale: Scale,
    pub(super) dimension: Dimension,
    pub(super) display: String,
    pub(super) celsius: bool,
}

/// Reads a whole expression.
pub(super) fn parse(code: &str) -> Result<Term, UcumError> {
    if code.is_empty() {
        return Err(UcumError::Empty);
    }
    let found = code.chars().count();
    if found > LONGEST {
        return Err(UcumError::TooLong {
            found,
            limit: LONGEST,
        });
    }
    for (wrong, right) in [
        ('µ', "u"),
        ('μ', "u"),
        ('°', "Cel"),
        ('²', "2"),
        ('³', "3"),
        ('·', "."),
        ('⋅', "."),
    ] {
        if code.contains(wrong) {
            return Err(UcumError::Unknown {
                code: code.to_owned(),
                found: wrong.to_string(),
                suggestion: Some(right),
            });
        }
    }
    let mut reader = Reader {
        code,
        place: 0,
        depth: 0,
    };
    let term = reader.expression()?;
    match reader.peek() {
        None => Ok(term),
        Some(_) => Err(reader.unexpected()),
    }
}

struct Reader<'a> {
    code: &'a str,
    /// Byte offset of the next character.
    place: usize,
    depth: usize,
}

impl Reader<'_> {
    /// `/term` or `term`, where a term is components joined by `.` and `/`.
    fn expression(&mut self) -> Result<Term, UcumError> {
        let mut term = if self.take('/') {
            let over = self.component()?;
            self.joined(&one(), &over, '/')?
        } else {
            self.component()?
        };
        loop {
            let operator = match self.peek() {
                Some(operator @ ('.' | '/')) => operator,
                _ => return Ok(term),
            };
            self.place += 1;
            let next = self.component()?;
            term = self.joined(&term, &next, operator)?;
        }
    }

    /// A bracket, a factor, a unit, each perhaps with an annotation; or an annotation alone.
    fn component(&mut self) -> Result<Term, UcumError> {
        match self.peek() {
            None => Err(self.incomplete("a unit")),
            Some('(') => self.bracket(),
            Some('{') => {
                let words = self.annotation()?;
                Ok(Term {
                    display: words,
                    ..one()
                })
            }
            Some(_) => {
                let mut term = match self.factor()? {
                    Some(factor) => factor,
                    None => self.unit()?,
                };
                if self.peek() == Some('{') {
                    term.display += &self.annotation()?;
                }
                Ok(term)
            }
        }
    }

    fn bracket(&mut self) -> Result<Term, UcumError> {
        if self.depth == DEEPEST {
            return Err(self.unexpected());
        }
        self.depth += 1;
        self.place += 1;
        let inner = self.expression()?;
        if !self.take(')') {
            return Err(self
                .peek()
                .map_or_else(|| self.incomplete("\")\""), |_| self.unexpected()));
        }
        self.depth -= 1;
        Ok(Term {
            display: format!("({})", inner.display),
            ..inner
        })
    }

    /// `{…}`: words that carry no meaning for the size or dimension.
    fn annotation(&mut self) -> Result<String, UcumError> {
        let start = self.place;
        self.place += 1;
        loop {
            match self.peek() {
                None => return Err(self.incomplete("\"}\"")),
                Some('}') => break,
                Some('!'..='~') if self.peek() != Some('{') => self.place += 1,
                Some(_) => return Err(self.unexpected()),
            }
        }
        self.place += 1;
        Ok(self.code[start..self.place].to_owned())
    }

    /// A whole number standing alone. `10*` and `10^` are atoms, not factors; `12h` is neither.
    fn factor(&mut self) -> Result<Option<Term>, UcumError> {
        let rest = &self.code[self.place..];
        if rest.starts_with("10*") || rest.starts_with("10^") {
            return Ok(None);
        }
        let digits = self.digits();
        if digits.is_empty() {
            return Ok(None);
        }
        if self.peek().is_some_and(|next| !"./){".contains(next)) {
            return Err(self.unexpected());
        }
        let scale = digits.parse().ok().and_then(|number| Scale::whole(number, 0));
        Ok(Some(Term {
            scale: scale.ok_or_else(|| self.too_large())?,
            display: digits,
            ..one()
        }))
    }

    /// Prefix, atom, exponent.
    fn unit(&mut self) -> Result<Term, UcumError> {
        let symbol = self.symbol();
        if symbol.is_empty() {
            return Err(self.unexpected());
        }
        let (prefix, atom) = split(&symbol).ok_or_else(|| UcumError::Unknown {
            code: self.code.to_owned(),
            found: symbol.clone(),
            suggestion: meant(&symbol),
        })?;
        let exponent = self.exponent()?;
        let (shown, power) = prefix.unwrap_or(("", 0));
        let scale = Scale::whole(1, power)
            .and_then(|prefix| prefix.multiplied_by(atom.scale()?)?.to_the(exponent.unwrap_or(1)))
            .ok_or_else(|| self.too_large())?;
        if atom.is_celsius() && (prefix.is_some() || exponent.is_some()) {
            return Err(self.celsius_not_alone());
        }
        Ok(Term {
            scale,
            dimension: atom.dimension.times(exponent.unwrap_or(1)),
            display: format!(
                "{shown}{}{}",
                atom.display,
                exponent.map_or_else(String::new, raised)
            ),
            celsius: atom.is_celsius(),
        })
    }

    /// The letters of a unit. Square brackets may hold anything but blanks; `10*` and `10^` hold digits.
    fn symbol(&mut self) -> String {
        let start = self.place;
        let rest = &self.code[start..];
        if rest.starts_with("10*") || rest.starts_with("10^") {
            self.place += 3;
            return self.code[start..self.place].to_owned();
        }
        let mut inside = false;
        for character in rest.chars() {
            match character {
                '[' => inside = true,
                ']' => inside = false,
                '!'..='~' if inside => {}
                'a'..='z' | 'A'..='Z' | '%' | '\'' | '"' | '_' | '*' | '^' => {}
                _ => break,
            }
            self.place += character.len_utf8();
        }
        self.code[start..self.place].to_owned()
    }

    /// A sign and digits; `None` when there is neither.
    fn exponent(&mut self) -> Result<Option<i32>, UcumError> {
        let negative = self.peek() == Some('-');
        let signed = negative || self.peek() == Some('+');
        if signed {
            self.place += 1;
        }
        let digits = self.digits();
        match (digits.is_empty(), signed) {
            (true, true) => Err(self.incomplete("an exponent")),
            (true, false) => Ok(None),
            // Three digits or more are no unit's exponent.
            (false, _) if digits.len() > 2 => Err(self.too_large()),
            (false, _) => {
                let size: i32 = digits.parse().map_err(|_| self.too_large())?;
                Ok(Some(if negative { -size } else { size }))
            }
        }
    }

    fn digits(&mut self) -> String {
        let start = self.place;
        while self.peek().is_some_and(|next| next.is_ascii_digit()) {
            self.place += 1;
        }
        self.code[start..self.place].to_owned()
    }

    /// Multiplies or divides two parts.
    fn joined(&self, left: &Term, right: &Term, operator: char) -> Result<Term, UcumError> {
        if left.celsius || right.celsius {
            return Err(self.celsius_not_alone());
        }
        let over = operator == '/';
        let scale = if over {
            left.scale.divided_by(right.scale)
        } else {
            left.scale.multiplied_by(right.scale)
        };
        let sign = if over { "/" } else { "·" };
        Ok(Term {
            scale: scale.ok_or_else(|| self.too_large())?,
            dimension: left.dimension.plus(right.dimension, if over { -1 } else { 1 }),
            display: format!("{}{sign}{}", left.display, right.display),
            celsius: false,
        })
    }

    fn peek(&self) -> Option<char> {
        self.code[self.place..].chars().next()
    }

    fn take(&mut self, wanted: char) -> bool {
        let there = self.peek() == Some(wanted);
        if there {
            self.place += wanted.len_utf8();
        }
        there
    }

    fn unexpected(&self) -> UcumError {
        self.peek().map_or_else(
            || self.incomplete("a unit"),
            |found| UcumError::UnexpectedCharacter {
                code: self.code.to_owned(),
                found,
                position: self.code[..self.place].chars().count() + 1,
            },
        )
    }

    fn incomplete(&self, expected: &'static str) -> UcumError {
        UcumError::Incomplete {
            code: self.code.to_owned(),
            expected,
        }
    }

    fn too_large(&self) -> UcumError {
        UcumError::TooLarge {
            code: self.code.to_owned(),
        }
    }

    fn celsius_not_alone(&self) -> UcumError {
        UcumError::CelsiusNotAlone {
            code: self.code.to_owned(),
        }
    }
}

fn one() -> Term {
    Term {
        scale: Scale::ONE,
        dimension: Dimension::default(),
        display: String::new(),
        celsius: false,
    }
}

type Prefix = (&'static str, i32);

/// An atom, or a prefix and a metric atom. The whole symbol is tried first: `min` is a minute, not a milli-inch.
fn split(symbol: &str) -> Option<(Option<Prefix>, Atom)> {
    let known = |code: &str| ATOMS.into_iter().find(|atom| atom.code == code);
    if let Some(atom) = known(symbol) {
        return Some((None, atom));
    }
    PREFIXES.into_iter().find_map(|(prefix, shown, power)| {
        let atom = known(symbol.strip_prefix(prefix)?)?;
        atom.metric.then_some((Some((shown, power)), atom))
    })
}

/// An exponent in raised figures.
fn raised(exponent: i32) -> String {
    let figures = ['⁰', '¹', '²', '³', '⁴', '⁵', '⁶', '⁷', '⁸', '⁹'];
    exponent
        .to_string()
        .chars()
        .map(|c| c.to_digit(10).map_or('⁻', |digit| figures[digit as usize]))
        .collect()
}
