//! A table of a TOML file with its place: every value asked for by key, every problem with line and column.

use super::keys::MethodTable;
use crate::nearest::nearest;
use crate::problem::{FormatProblem, FormatProblemCode, Problems, problem, quoted};
use crate::table::Bounds;
use spotwright_domain::identifier::IdentifierError;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// What a method's file is called in messages.
pub(crate) const METHOD_FILE: &str = "the method file";

/// A TOML file and where its lines begin.
pub(crate) struct Source<'s> {
    file: &'s str,
    text: &'s str,
    /// What kind of file it is, for messages.
    kind: &'static str,
    line_starts: Vec<usize>,
}

impl<'s> Source<'s> {
    pub(crate) fn new(file: &'s str, text: &'s str, kind: &'static str) -> Self {
        let line_starts = std::iter::once(0)
            .chain(text.match_indices('\n').map(|(at, _)| at + 1))
            .collect();
        Self {
            file,
            text,
            kind,
            line_starts,
        }
    }

    pub(crate) fn file(&self) -> &'s str {
        self.file
    }

    pub(crate) fn line(&self, at: usize) -> u32 {
        u32::try_from(self.line_starts.partition_point(|start| *start <= at)).unwrap_or(u32::MAX)
    }

    /// Starts a problem of a piece of the file: place and text found are filled in.
    pub(crate) fn problem(&self, code: FormatProblemCode, span: Range<usize>) -> FormatProblem {
        let at = floor_char(self.text, span.start);
        let end = floor_char(self.text, span.end).max(at);
        let line = self.line(at);
        let start = self.line_starts[line as usize - 1];
        let source = self.text[start..].split(['\n', '\r']).next().unwrap_or_default();
        let on_line = self.text[at..end].split(['\n', '\r']).next().unwrap_or_default();
        let narrow = |count: usize| u32::try_from(count).unwrap_or(u32::MAX);
        problem(code, self.file)
            .on_line(line, source)
            .at(
                narrow(self.text[start..at].chars().count()) + 1,
                narrow(on_line.chars().count()).max(1),
            )
            .found(match on_line {
                "" => "nothing".to_owned(),
                text if text.starts_with(['"', '\'']) => crate::problem::shown(text),
                text => quoted(text),
            })
    }
}

/// The file as TOML; `None`: it is none, and why is among `problems`.
pub(crate) fn document<'s>(source: &Source<'s>, problems: &mut Problems) -> Option<Spanned<DeTable<'s>>> {
    let (document, errors) = DeTable::parse_recoverable(source.text);
    if errors.is_empty() {
        return Some(document);
    }
    for error in errors {
        let message = error.message();
        let code = if message.starts_with("duplicate key") {
            FormatProblemCode::KeyTwice
        } else {
            FormatProblemCode::TomlSyntax
        };
        let problem = source.problem(code, error.span().unwrap_or(0..0));
        problems.push(if code == FormatProblemCode::KeyTwice {
            let found = format!("{} a second time", problem.found);
            problem.found(found).expected("each key once")
        } else {
            let help = format!("The TOML reader says: {}.", crate::problem::one_line(message));
            problem.expected("valid TOML").help(help)
        });
    }
    None
}

fn floor_char(text: &str, at: usize) -> usize {
    let mut at = at.min(text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}

/// A value with its kind.
fn described(value: &DeValue<'_>, found: &str) -> String {
    match value {
        DeValue::String(_) => format!("the text {found}"),
        DeValue::Integer(_) | DeValue::Float(_) => format!("the number {}", found.trim_matches('"')),
        DeValue::Boolean(_) => format!("the truth value {}", found.trim_matches('"')),
        DeValue::Datetime(_) => format!("the date {}", found.trim_matches('"')),
        DeValue::Array(_) => "a list".to_owned(),
        DeValue::Table(_) => "a table".to_owned(),
    }
}

/// A table of the file.
#[derive(Clone)]
pub(crate) struct Section<'s> {
    pub(crate) source: &'s Source<'s>,
    pub(crate) table: &'s DeTable<'s>,
    span: Range<usize>,
    path: &'static str,
}

impl<'s> Section<'s> {
    pub(crate) fn new(
        source: &'s Source<'s>,
        table: &'s DeTable<'s>,
        span: Range<usize>,
        path: &'static str,
    ) -> Self {
        Self {
            source,
            table,
            span,
            path,
        }
    }

    /// Dotted path of the table.
    pub(crate) fn path(&self) -> &'static str {
        self.path
    }

    /// Refuses unknown keys and missing ones.
    pub(crate) fn check_keys(&self, of: MethodTable, problems: &mut Problems) {
        self.refuse_unknown(of.keys.iter().map(|key| key.name), problems);
        for key in of.keys.iter().filter(|key| key.needed) {
            if self.table.get(key.name).is_none() {
                problems.push(self.missing(key.name));
            }
        }
    }

    fn missing(&self, key: &str) -> FormatProblem {
        let place = if self.path.is_empty() {
            problem(FormatProblemCode::KeyMissing, self.source.file)
        } else {
            self.source
                .problem(FormatProblemCode::KeyMissing, self.span.clone())
        };
        let names: Vec<&str> = self.table.keys().map(|key| key.get_ref().as_ref()).collect();
        let kind = match (self.path, key) {
            ("", "internal_standard" | "analyte") => format!("a table [[{key}]]"),
            ("", _) if self.source.kind == METHOD_FILE => format!("a table [{key}]"),
            ("", _) => format!("the key `{key}`"),
            _ => format!("the key `{key}` in this table"),
        };
        place
            .field(&self.dotted(key))
            .found("no such key")
            .expected(kind)
            .nearest(nearest(key, names).map(str::to_owned))
    }

    pub(crate) fn refuse_unknown<'k>(
        &self,
        known: impl Iterator<Item = &'k str> + Clone,
        problems: &mut Problems,
    ) {
        for key in self.table.keys() {
            let name = key.get_ref().as_ref();
            if !known.clone().any(|known| known == name) {
                let of = if self.path.is_empty() {
                    self.source.kind.to_owned()
                } else {
                    format!("[{}]", self.path)
                };
                problems.push(
                    self.source
                        .problem(FormatProblemCode::KeyUnknown, key.span())
                        .field(&self.dotted(name))
                        .found(format!("the key {}", quoted(name)))
                        .expected(format!("a key of {of}"))
                        .nearest(nearest(name, known.clone())),
                );
            }
        }
    }

    fn dotted(&self, key: &str) -> String {
        if self.path.is_empty() {
            key.to_owned()
        } else {
            format!("{}.{key}", self.path)
        }
    }

    pub(crate) fn get(&self, key: &str) -> Option<&'s Spanned<DeValue<'s>>> {
        self.table.get(key)
    }

    pub(crate) fn has(&self, key: &str) -> bool {
        self.table.get(key).is_some()
    }

    /// The place of a value, or of the table when the key is absent.
    pub(crate) fn span(&self, key: &str) -> Range<usize> {
        self.get(key).map_or(self.span.clone(), Spanned::span)
    }

    /// Starts a problem of a value.
    pub(crate) fn problem(&self, key: &str, code: FormatProblemCode) -> FormatProblem {
        self.source.problem(code, self.span(key)).field(&self.dotted(key))
    }

    fn wrong_kind(&self, key: &str, expected: &str) -> FormatProblem {
        let problem = self.problem(key, FormatProblemCode::ValueKind);
        let found = self
            .get(key)
            .map(|value| described(value.get_ref(), &problem.found));
        problem.found(found.unwrap_or_default()).expected(expected)
    }

    /// A text that is not blank.
    pub(crate) fn text(&self, key: &str, problems: &mut Problems) -> Option<&'s str> {
        let value = self.get(key)?;
        match value.get_ref() {
            DeValue::String(text) if text.trim().is_empty() => {
                problems.push(
                    self.problem(key, FormatProblemCode::CellMissing)
                        .found("a blank text")
                        .expected("a text"),
                );
                None
            }
            DeValue::String(text) => Some(text.as_ref()),
            DeValue::Integer(_) | DeValue::Float(_) => {
                problems.push(self.wrong_kind(key, "a text").help("Put it in quotation marks."));
                None
            }
            _ => {
                problems.push(self.wrong_kind(key, "a text"));
                None
            }
        }
    }

    pub(crate) fn identifier<T>(
        &self,
        key: &str,
        make: impl Fn(&str) -> Result<T, IdentifierError>,
        problems: &mut Problems,
    ) -> Option<T> {
        let text = self.text(key, problems)?;
        match make(text) {
            Ok(identifier) => Some(identifier),
            Err(error) => {
                problems.push(
                    self.problem(key, FormatProblemCode::IdentifierMalformed)
                        .expected("a code or name")
                        .help(crate::table::identifier_help(&error)),
                );
                None
            }
        }
    }

    pub(crate) fn word<T: Copy>(
        &self,
        key: &str,
        what: &str,
        all: &[(&'static str, T)],
        problems: &mut Problems,
    ) -> Option<T> {
        let text = self.text(key, problems)?;
        let found = all.iter().find(|(word, _)| *word == text);
        if found.is_none() {
            let words: Vec<&str> = all.iter().map(|(word, _)| *word).collect();
            problems.push(
                self.problem(key, FormatProblemCode::WordUnknown)
                    .expected(format!("{what} ({})", words.join(", ")))
                    .nearest(nearest(text, words.iter().copied())),
            );
        }
        found.map(|(_, value)| *value)
    }

    pub(crate) fn number(&self, key: &str, bounds: Bounds, problems: &mut Problems) -> Option<f64> {
        let value = self.get(key)?;
        self.number_of(value, &self.dotted(key), bounds, problems)
    }

    pub(crate) fn number_of(
        &self,
        value: &Spanned<DeValue<'_>>,
        field: &str,
        bounds: Bounds,
        problems: &mut Problems,
    ) -> Option<f64> {
        let here = |code| {
            self.source
                .problem(code, value.span())
                .field(field)
                .expected(bounds.words)
        };
        let of_kind = || {
            let problem = here(FormatProblemCode::ValueKind);
            let found = described(value.get_ref(), &problem.found);
            problem.found(found)
        };
        let number = match value.get_ref() {
            // Only decimal integers: 0x10 for a concentration is a slip.
            DeValue::Integer(integer) if integer.radix() == 10 => integer.as_str().parse::<f64>().ok(),
            DeValue::Float(float) => float.as_str().parse::<f64>().ok(),
            DeValue::String(_) => {
                problems.push(
                    of_kind()
                        .help("Write a number without quotation marks; its unit stands in the key's name."),
                );
                return None;
            }
            _ => None,
        };
        let Some(number) = number else {
            problems.push(of_kind());
            return None;
        };
        if !number.is_finite() {
            problems.push(here(FormatProblemCode::NumberNotFinite));
            return None;
        }
        if !bounds.hold(number) {
            problems.push(here(FormatProblemCode::NumberOutOfRange));
            return None;
        }
        Some(number)
    }

    /// A table under a key.
    pub(crate) fn section(
        &self,
        key: &str,
        path: &'static str,
        problems: &mut Problems,
    ) -> Option<Section<'s>> {
        let value = self.get(key)?;
        match value.get_ref() {
            DeValue::Table(table) => Some(Section::new(self.source, table, value.span(), path)),
            DeValue::Array(_) => {
                problems.push(
                    self.wrong_kind(key, &format!("one table [{path}]"))
                        .help("Single brackets: there is one of it."),
                );
                None
            }
            _ => {
                problems.push(self.wrong_kind(key, &format!("a table [{path}]")));
                None
            }
        }
    }

    /// Tables under a key: `[[key]]`.
    pub(crate) fn sections(
        &self,
        key: &str,
        path: &'static str,
        problems: &mut Problems,
    ) -> Vec<Section<'s>> {
        let Some(value) = self.get(key) else {
            return Vec::new();
        };
        let DeValue::Array(array) = value.get_ref() else {
            problems.push(
                self.wrong_kind(key, &format!("tables [[{path}]]"))
                    .help("Double brackets: there may be several."),
            );
            return Vec::new();
        };
        let mut sections = Vec::new();
        for element in array.iter() {
            match element.get_ref() {
                DeValue::Table(table) => {
                    sections.push(Section::new(self.source, table, element.span(), path));
                }
                _ => problems.push(
                    self.source
                        .problem(FormatProblemCode::ValueKind, element.span())
                        .field(path)
                        .expected(format!("tables [[{path}]]")),
                ),
            }
        }
        sections
    }
}
