//! A table of a TOML text with its place: every value asked for by key, every problem with line and column.

use super::nearest::nearest;
use super::problem::{ModelProblem, ModelProblemCode};
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeArray, DeTable, DeValue};

/// A TOML text and where its lines begin, with the problems found so far.
pub(crate) struct Reader<'t> {
    text: &'t str,
    line_starts: Vec<usize>,
    problems: Vec<ModelProblem>,
}

/// Longest text quoted in a problem.
const LONGEST_SHOWN: usize = 60;

impl<'t> Reader<'t> {
    pub(crate) fn new(text: &'t str) -> Self {
        let line_starts = std::iter::once(0)
            .chain(text.match_indices('\n').map(|(at, _)| at + 1))
            .collect();
        Self {
            text,
            line_starts,
            problems: Vec::new(),
        }
    }

    /// The document, or its syntax problems.
    pub(crate) fn document(&mut self) -> Option<Spanned<DeTable<'t>>> {
        let (document, errors) = DeTable::parse_recoverable(self.text);
        if errors.is_empty() {
            return Some(document);
        }
        for error in errors {
            let said = error.message().split_whitespace().collect::<Vec<_>>().join(" ");
            let span = error.span().unwrap_or(0..0);
            let found = format!("{} ({said})", self.quoted(&span));
            self.push(ModelProblemCode::Syntax, span, "", found, "valid TOML", None);
        }
        None
    }

    pub(crate) fn count(&self) -> usize {
        self.problems.len()
    }

    pub(crate) fn into_problems(self) -> Vec<ModelProblem> {
        self.problems
    }

    /// Notes a problem at a place.
    pub(crate) fn push(
        &mut self,
        code: ModelProblemCode,
        span: Range<usize>,
        field: &str,
        found: impl Into<String>,
        expected: impl Into<String>,
        nearest: Option<&str>,
    ) {
        let (line, column) = self.place(span.start);
        self.problems.push(ModelProblem {
            code,
            line,
            column,
            field: shown(field),
            found: found.into(),
            expected: expected.into(),
            nearest: nearest.map(str::to_owned),
        });
    }

    /// Notes a problem some characters into a piece of one line.
    pub(crate) fn push_within(
        &mut self,
        code: ModelProblemCode,
        span: Range<usize>,
        characters: usize,
        field: &str,
        (found, expected): (String, String),
        nearest: Option<&str>,
    ) {
        self.push(code, span, field, found, expected, nearest);
        if let Some(last) = self.problems.last_mut() {
            last.column += u32::try_from(characters).unwrap_or(u32::MAX / 2);
        }
    }

    fn place(&self, at: usize) -> (u32, u32) {
        let at = floor_char(self.text, at);
        let line = self.line_starts.partition_point(|start| *start <= at).max(1);
        let start = self.line_starts[line - 1];
        let narrow = |count: usize| u32::try_from(count).unwrap_or(u32::MAX / 2);
        (narrow(line), narrow(self.text[start..at].chars().count()) + 1)
    }

    /// A piece of the text as it is quoted in a problem.
    pub(crate) fn quoted(&self, span: &Range<usize>) -> String {
        let at = floor_char(self.text, span.start);
        let end = floor_char(self.text, span.end).max(at);
        match self.text[at..end].split(['\n', '\r']).next().unwrap_or_default() {
            "" => "nothing".to_owned(),
            text if text.starts_with(['"', '\'']) => shown(text),
            text => format!("\"{}\"", shown(text)),
        }
    }
}

fn floor_char(text: &str, at: usize) -> usize {
    let mut at = at.min(text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}

fn shown(text: &str) -> String {
    let mut out: String = text
        .chars()
        .take(LONGEST_SHOWN)
        .map(|c| if c.is_control() { '\u{fffd}' } else { c })
        .collect();
    if text.chars().nth(LONGEST_SHOWN).is_some() {
        out.push('…');
    }
    out
}

/// A table of the text.
#[derive(Clone)]
pub(crate) struct Section<'s, 't> {
    table: &'s DeTable<'t>,
    span: Range<usize>,
    path: &'static str,
}

/// What a number may be, in numbers and words.
#[derive(Clone, Copy)]
pub(crate) struct Bounds {
    pub(crate) low: f64,
    pub(crate) high: f64,
    pub(crate) words: &'static str,
}

impl<'s, 't> Section<'s, 't> {
    pub(crate) fn new(table: &'s DeTable<'t>, span: Range<usize>, path: &'static str) -> Self {
        Self { table, span, path }
    }

    /// Refuses unknown keys and missing ones.
    pub(crate) fn check_keys(&self, reader: &mut Reader<'_>, needed: &[&str], allowed: &[&str]) {
        for key in self.table.keys() {
            let name = key.get_ref().as_ref();
            if !needed.contains(&name) && !allowed.contains(&name) {
                let near = nearest(name, needed.iter().chain(allowed).copied());
                let expected = if self.path.is_empty() {
                    "a key of the file".to_owned()
                } else {
                    format!("a key of [{}]", self.path)
                };
                let found = format!("the key \"{}\"", shown(name));
                reader.push(
                    ModelProblemCode::KeyUnknown,
                    key.span(),
                    &self.dotted(name),
                    found,
                    expected,
                    near,
                );
            }
        }
        for key in needed {
            if self.table.get(*key).is_none() {
                let expected = format!("the key `{key}`");
                reader.push(
                    ModelProblemCode::KeyMissing,
                    self.span.start..self.span.start,
                    &self.dotted(key),
                    "no such key",
                    expected,
                    None,
                );
            }
        }
    }

    pub(crate) fn dotted(&self, key: &str) -> String {
        if self.path.is_empty() {
            key.to_owned()
        } else {
            format!("{}.{key}", self.path)
        }
    }

    pub(crate) fn has(&self, key: &str) -> bool {
        self.table.get(key).is_some()
    }

    /// The place of a value, or of the table when the key is absent.
    pub(crate) fn span(&self, key: &str) -> Range<usize> {
        self.table.get(key).map_or(self.span.clone(), Spanned::span)
    }

    /// Notes a problem of a value; `found` quotes the text.
    pub(crate) fn push(
        &self,
        reader: &mut Reader<'_>,
        key: &str,
        code: ModelProblemCode,
        expected: impl Into<String>,
        near: Option<&str>,
    ) {
        let span = self.span(key);
        let found = reader.quoted(&span);
        reader.push(code, span, &self.dotted(key), found, expected, near);
    }

    /// A text; blank is refused unless `blank` allows it.
    pub(crate) fn text(&self, reader: &mut Reader<'_>, key: &str) -> Option<String> {
        self.text_or_blank(reader, key).filter(|text| {
            let blank = text.trim().is_empty();
            if blank {
                self.push(
                    reader,
                    key,
                    ModelProblemCode::ValueKind,
                    "a text that is not blank",
                    None,
                );
            }
            !blank
        })
    }

    pub(crate) fn text_or_blank(&self, reader: &mut Reader<'_>, key: &str) -> Option<String> {
        match self.table.get(key)?.get_ref() {
            DeValue::String(text) => Some(text.clone().into_owned()),
            _ => {
                self.push(
                    reader,
                    key,
                    ModelProblemCode::ValueKind,
                    "a text in quotation marks",
                    None,
                );
                None
            }
        }
    }

    /// A word of a closed list.
    pub(crate) fn word<T: Copy>(
        &self,
        reader: &mut Reader<'_>,
        key: &str,
        code: ModelProblemCode,
        all: &[(&'static str, T)],
    ) -> Option<T> {
        let text = self.text(reader, key)?;
        let found = all
            .iter()
            .find(|(word, _)| *word == text)
            .map(|(_, value)| *value);
        if found.is_none() {
            let words: Vec<&str> = all.iter().map(|(word, _)| *word).collect();
            let near = nearest(&text, words.iter().copied());
            self.push(reader, key, code, format!("one of {}", words.join(", ")), near);
        }
        found
    }

    pub(crate) fn number(&self, reader: &mut Reader<'_>, key: &str, bounds: Bounds) -> Option<f64> {
        let value = self.table.get(key)?;
        number(reader, value, &self.dotted(key), bounds)
    }

    pub(crate) fn truth(&self, reader: &mut Reader<'_>, key: &str) -> Option<bool> {
        match self.table.get(key)?.get_ref() {
            DeValue::Boolean(truth) => Some(*truth),
            _ => {
                self.push(reader, key, ModelProblemCode::ValueKind, "true or false", None);
                None
            }
        }
    }

    fn array(&self, reader: &mut Reader<'_>, key: &str, expected: &str) -> Option<&'s DeArray<'t>> {
        match self.table.get(key)?.get_ref() {
            DeValue::Array(array) => Some(array),
            _ => {
                self.push(reader, key, ModelProblemCode::ValueKind, expected, None);
                None
            }
        }
    }

    pub(crate) fn numbers(&self, reader: &mut Reader<'_>, key: &str, bounds: Bounds) -> Option<Vec<f64>> {
        let array = self.array(reader, key, "a list of numbers")?;
        let field = self.dotted(key);
        array
            .iter()
            .map(|value| number(reader, value, &field, bounds))
            .collect()
    }

    /// `[low, high]`.
    pub(crate) fn range(&self, reader: &mut Reader<'_>, key: &str, bounds: Bounds) -> Option<[f64; 2]> {
        let numbers = self.numbers(reader, key, bounds)?;
        match numbers[..] {
            [low, high] if low <= high => Some([low, high]),
            _ => {
                self.push(
                    reader,
                    key,
                    ModelProblemCode::NumberOutOfRange,
                    "two numbers, [low, high], low first",
                    None,
                );
                None
            }
        }
    }

    pub(crate) fn texts(&self, reader: &mut Reader<'_>, key: &str) -> Option<Vec<(String, Range<usize>)>> {
        let array = self.array(reader, key, "a list of texts")?;
        array
            .iter()
            .map(|value| match value.get_ref() {
                DeValue::String(text) => Some((text.clone().into_owned(), value.span())),
                _ => {
                    let (found, field) = (reader.quoted(&value.span()), self.dotted(key));
                    reader.push(
                        ModelProblemCode::ValueKind,
                        value.span(),
                        &field,
                        found,
                        "a text",
                        None,
                    );
                    None
                }
            })
            .collect()
    }

    /// A table under a key.
    pub(crate) fn section(
        &self,
        reader: &mut Reader<'_>,
        key: &str,
        path: &'static str,
    ) -> Option<Section<'s, 't>> {
        let value = self.table.get(key)?;
        if let DeValue::Table(table) = value.get_ref() {
            return Some(Section::new(table, value.span(), path));
        }
        self.push(
            reader,
            key,
            ModelProblemCode::ValueKind,
            format!("one table [{path}]"),
            None,
        );
        None
    }

    /// Tables under a key: `[[key]]`.
    pub(crate) fn sections(
        &self,
        reader: &mut Reader<'_>,
        key: &str,
        path: &'static str,
    ) -> Vec<Section<'s, 't>> {
        let expected = format!("tables [[{path}]]");
        let Some(array) = self.array(reader, key, &expected) else {
            return Vec::new();
        };
        let mut sections = Vec::new();
        for element in array.iter() {
            if let DeValue::Table(table) = element.get_ref() {
                sections.push(Section::new(table, element.span(), path));
            } else {
                let found = reader.quoted(&element.span());
                reader.push(
                    ModelProblemCode::ValueKind,
                    element.span(),
                    path,
                    found,
                    &*expected,
                    None,
                );
            }
        }
        sections
    }
}

fn number(reader: &mut Reader<'_>, value: &Spanned<DeValue<'_>>, field: &str, bounds: Bounds) -> Option<f64> {
    let number = match value.get_ref() {
        // Only decimal integers: 0x10 for a dose is a slip.
        DeValue::Integer(integer) if integer.radix() == 10 => integer.as_str().parse::<f64>().ok(),
        DeValue::Float(float) => float.as_str().parse::<f64>().ok(),
        _ => None,
    };
    let code = match number {
        None => ModelProblemCode::ValueKind,
        Some(number) if number.is_finite() && number >= bounds.low && number <= bounds.high => {
            return Some(number);
        }
        Some(_) => ModelProblemCode::NumberOutOfRange,
    };
    let found = reader.quoted(&value.span());
    reader.push(code, value.span(), field, found, bounds.words, None);
    None
}
