//! Tables: comma- or semicolon-separated text with a header, read row by row in bounded memory.
//!
//! Why not the csv crate: a message must point at the character, rows must be found again by their place in the
//! file, and a quotation mark that never closes must not swallow the rest of a large file. The tests hold this
//! reader against that crate.

mod cell;
mod lines;
mod record;

pub(crate) use cell::{Bounds, Marks, identifier_help};

use crate::nearest::nearest;
use crate::problem::{FormatProblem, FormatProblemCode, Problems, problem, quoted};
use lines::{Lines, Next};
use record::{Record, Split};
use std::io::BufRead;

/// A column a table may have.
#[derive(Debug)]
pub(crate) struct Column {
    pub(crate) name: &'static str,
    pub(crate) needed: bool,
    pub(crate) numeric: bool,
}

pub(crate) const fn needed(name: &'static str) -> Column {
    Column {
        name,
        needed: true,
        numeric: false,
    }
}

pub(crate) const fn optional(name: &'static str) -> Column {
    Column {
        name,
        needed: false,
        numeric: false,
    }
}

pub(crate) const fn number(column: Column) -> Column {
    Column {
        numeric: true,
        ..column
    }
}

/// Where each column stands and what separates the cells.
#[derive(Debug, Clone)]
pub(crate) struct Layout {
    separator: char,
    /// For each column of the table's list, its place in the file.
    positions: Vec<Option<usize>>,
    /// For each place in the file, its column in the table's list.
    columns: Vec<usize>,
}

/// Where a row stands in its file.
#[derive(Debug, Clone, Copy)]
pub(crate) struct RowPlace {
    pub(crate) offset: u64,
    pub(crate) line: u32,
}

/// Reads a table row by row.
pub(crate) struct TableReader<'f, R> {
    lines: Lines<R>,
    file: &'f str,
    columns: &'static [Column],
    layout: Layout,
    record: Record,
}

impl<'f, R: BufRead> TableReader<'f, R> {
    /// Reads the header. `None`: it cannot be read, and why is among the problems.
    pub(crate) fn open(
        reader: R,
        file: &'f str,
        columns: &'static [Column],
        problems: &mut Problems,
    ) -> Option<Self> {
        let mut table = Self {
            lines: Lines::from_start(reader),
            file,
            columns,
            layout: Layout {
                separator: ',',
                positions: vec![None; columns.len()],
                columns: Vec::new(),
            },
            record: Record::default(),
        };
        loop {
            match table.lines.read() {
                Next::End => {
                    problems.push(
                        problem(FormatProblemCode::FileEmpty, file)
                            .found("an empty file")
                            .expected("a line of column names"),
                    );
                    return None;
                }
                Next::Stop(trouble) => {
                    problems.push(trouble.into_problem(file));
                    return None;
                }
                Next::Line if table.lines.text().trim().is_empty() => {}
                Next::Line => break,
            }
        }
        table.layout.separator = separator_of(table.lines.text(), file, table.lines.line(), problems)?;
        table.take_record(problems)?;
        let before = problems.count();
        table.read_header(problems);
        (problems.count() == before).then_some(table)
    }

    /// Goes on reading at a row whose place is known.
    pub(crate) fn resume(
        reader: R,
        file: &'f str,
        columns: &'static [Column],
        layout: Layout,
        place: RowPlace,
    ) -> Self {
        Self {
            lines: Lines::resume(reader, place),
            file,
            columns,
            layout,
            record: Record::default(),
        }
    }

    pub(crate) fn layout(&self) -> &Layout {
        &self.layout
    }

    /// Moves to the next row with the right number of cells; others become problems. `false`: the end.
    pub(crate) fn advance(&mut self, problems: &mut Problems) -> bool {
        loop {
            match self.lines.read() {
                Next::End => return false,
                Next::Stop(trouble) => {
                    problems.push(trouble.into_problem(self.file));
                    return false;
                }
                Next::Line => {}
            }
            let is_blank =
                |text: &str, separator: char| text.chars().all(|c| c == separator || c == ' ' || c == '\t');
            if is_blank(self.lines.text(), self.layout.separator) {
                continue;
            }
            match self.take_record(problems) {
                None => return false,
                Some(false) => continue,
                Some(true) => {}
            }
            if self.record.len() == self.layout.columns.len() {
                return true;
            }
            problems.push(self.ragged());
        }
    }

    /// The row [`Self::advance`] moved to.
    pub(crate) fn row(&self) -> Row<'_> {
        Row {
            record: &self.record,
            layout: &self.layout,
            columns: self.columns,
            file: self.file,
        }
    }

    /// Splits the line just read, reading on while a quoted cell is open. `None`: nothing after it can be
    /// trusted; `Some(false)`: this row is no row.
    fn take_record(&mut self, problems: &mut Problems) -> Option<bool> {
        self.record.begin(self.lines.place(), self.lines.text());
        loop {
            match self.record.split(self.layout.separator) {
                Split::Done => return Some(true),
                Split::Stray { at } => {
                    let (line, column) = self.record.line_and_column(at);
                    problems.push(
                        problem(FormatProblemCode::QuoteStray, self.file)
                            .on_line(line, self.record.source_line(at))
                            .at(column, 1)
                            .found("a quotation mark inside a cell")
                            .expected("a cell quoted as a whole, with marks inside it doubled"),
                    );
                    return Some(false);
                }
                Split::Open { at } => {
                    let next = if self.record.is_full() {
                        Next::End
                    } else {
                        self.lines.read()
                    };
                    match next {
                        Next::Line => self.record.extend(self.lines.text()),
                        Next::Stop(trouble) => {
                            problems.push(trouble.into_problem(self.file));
                            return None;
                        }
                        Next::End => {
                            let (line, column) = self.record.line_and_column(at);
                            problems.push(
                                problem(FormatProblemCode::QuoteUnclosed, self.file)
                                    .on_line(line, self.record.source_line(at))
                                    .at(column, 1)
                                    .found("a quotation mark that never closes")
                                    .expected("a second one at the end of the cell")
                                    .help("Nothing after it was read."),
                            );
                            return None;
                        }
                    }
                }
            }
        }
    }

    fn read_header(&mut self, problems: &mut Problems) {
        for position in 0..self.record.len() {
            let name = self.record.text(position);
            let here = |code| self.record.problem(code, self.file, position);
            let Some(column) = self.columns.iter().position(|column| column.name == name) else {
                let near = nearest(name, self.columns.iter().map(|column| column.name));
                let problem = here(FormatProblemCode::ColumnUnknown)
                    .expected(format!("a column of {}", self.file))
                    .nearest(near);
                problems.push(if name.is_empty() {
                    problem.found("a column without a name")
                } else {
                    problem.found(format!("column {}", quoted(name)))
                });
                continue;
            };
            self.layout.columns.push(column);
            match self.layout.positions[column] {
                None => self.layout.positions[column] = Some(position),
                Some(_) => problems.push(
                    here(FormatProblemCode::ColumnTwice)
                        .found(format!("column {} twice", quoted(name)))
                        .expected("each column once"),
                ),
            }
        }
        for (column, position) in self.columns.iter().zip(&self.layout.positions) {
            if column.needed && position.is_none() {
                let names: Vec<&str> = self.columns.iter().filter(|c| c.needed).map(|c| c.name).collect();
                problems.push(
                    problem(FormatProblemCode::ColumnMissing, self.file)
                        .on_line(self.record.line(), self.record.source_line(0))
                        .field(column.name)
                        .found("no such column")
                        .expected(format!("the columns {}", names.join(", "))),
                );
            }
        }
    }

    fn ragged(&self) -> FormatProblem {
        let (found, expected) = (self.record.len(), self.layout.columns.len());
        let cells = |n: usize| {
            if n == 1 {
                "1 cell".to_owned()
            } else {
                format!("{n} cells")
            }
        };
        if found > expected && self.layout.separator == ',' {
            // "0,42" in a comma-separated row becomes two cells: name the likely cause rather than the count.
            let whole = |i: usize| {
                let text = self.record.text(i);
                !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit())
            };
            let split = (0..expected)
                .find(|i| self.columns[self.layout.columns[*i]].numeric && whole(*i) && whole(*i + 1));
            if let Some(first) = split {
                let both = format!("{},{}", self.record.text(first), self.record.text(first + 1));
                return self
                    .record
                    .problem(FormatProblemCode::NumberDecimalComma, self.file, first)
                    .field(self.columns[self.layout.columns[first]].name)
                    .found(format!("{} and {}", cells(found), quoted(&both)))
                    .expected(format!("{} and a decimal point", cells(expected)))
                    .nearest(Some(both.replace(',', ".")))
                    .help("A decimal comma can be read only where semicolons separate the cells.");
            }
        }
        problem(FormatProblemCode::RowRagged, self.file)
            .on_line(self.record.line(), self.record.source_line(0))
            .found(cells(found))
            .expected(format!("{}, as in the header", cells(expected)))
    }
}

fn separator_of(header: &str, file: &str, line: u32, problems: &mut Problems) -> Option<char> {
    let trouble = |found: &str| {
        problem(FormatProblemCode::SeparatorUnknown, file)
            .on_line(line, header)
            .found(found)
            .expected("column names separated by commas, or by semicolons")
    };
    if header.to_ascii_lowercase().starts_with("sep=") {
        problems.push(trouble("a line that names the separator").help("Take this line away."));
        return None;
    }
    match (header.contains(';'), header.contains(','), header.contains('\t')) {
        (true, false, false) => Some(';'),
        (false, _, false) => Some(','),
        (_, _, true) => {
            problems.push(trouble("tabs"));
            None
        }
        (true, true, false) => {
            problems.push(trouble("commas and semicolons"));
            None
        }
    }
}

/// One row.
#[derive(Clone, Copy)]
pub(crate) struct Row<'t> {
    record: &'t Record,
    layout: &'t Layout,
    columns: &'static [Column],
    file: &'t str,
}

impl<'t> Row<'t> {
    pub(crate) fn place(&self) -> RowPlace {
        self.record.place()
    }

    pub(crate) fn line(&self) -> u32 {
        self.record.line()
    }

    /// The row as it stands in the file.
    pub(crate) fn raw(&self) -> &'t str {
        self.record.raw()
    }

    pub(crate) fn has_column(&self, column: usize) -> bool {
        self.layout.positions[column].is_some()
    }

    /// The cell's text; empty when the column is absent.
    pub(crate) fn text(&self, column: usize) -> &'t str {
        self.layout.positions[column].map_or("", |position| self.record.text(position))
    }

    /// Starts a problem of this cell: the place, the column and the text found are filled in.
    pub(crate) fn problem(&self, column: usize, code: FormatProblemCode) -> FormatProblem {
        let name = self.columns[column].name;
        match self.layout.positions[column] {
            Some(position) => self
                .record
                .problem(code, self.file, position)
                .field(name)
                .found_text(self.record.text(position)),
            None => problem(code, self.file)
                .on_line(self.record.line(), self.record.source_line(0))
                .field(name)
                .found("no such column"),
        }
    }
}
