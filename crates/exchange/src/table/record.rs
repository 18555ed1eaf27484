//! One row taken apart, each cell with its place (RFC 4180 quoting).

use super::RowPlace;
use super::lines::LONGEST_LINE;
use crate::problem::{FormatProblem, FormatProblemCode, problem};
use std::ops::Range;

/// One row: its text, and its cells within it.
#[derive(Debug)]
pub(crate) struct Record {
    place: RowPlace,
    /// The row as it stands; line ends inside quoted cells are LF.
    raw: String,
    /// The cells' texts one after another, quotation marks undone.
    plain: String,
    cells: Vec<CellPlace>,
}

#[derive(Debug)]
struct CellPlace {
    raw: Range<usize>,
    plain: Range<usize>,
}

impl Default for Record {
    fn default() -> Self {
        Self {
            place: RowPlace { offset: 0, line: 1 },
            raw: String::new(),
            plain: String::new(),
            cells: Vec::new(),
        }
    }
}

pub(super) enum Split {
    Done,
    /// A quoted cell is open at the end of the text; where its quotation mark stands.
    Open {
        at: usize,
    },
    /// A quotation mark where none may be.
    Stray {
        at: usize,
    },
}

impl Record {
    pub(super) fn begin(&mut self, place: RowPlace, text: &str) {
        self.place = place;
        self.raw.clear();
        self.raw.push_str(text);
    }

    pub(super) fn extend(&mut self, text: &str) {
        self.raw.push('\n');
        self.raw.push_str(text);
    }

    pub(super) fn is_full(&self) -> bool {
        self.raw.len() >= LONGEST_LINE
    }

    pub(super) fn split(&mut self, separator: char) -> Split {
        self.plain.clear();
        self.cells.clear();
        let raw = self.raw.as_str();
        let mut at = 0;
        loop {
            // Blanks around a cell are layout, not content.
            let blanks = raw[at..].len() - raw[at..].trim_start_matches(' ').len();
            let start = at + blanks;
            let plain_start = self.plain.len();
            let end;
            if raw[start..].starts_with('"') {
                let mut from = start + 1;
                loop {
                    let Some(mark) = raw[from..].find('"').map(|i| from + i) else {
                        return Split::Open { at: start };
                    };
                    self.plain.push_str(&raw[from..mark]);
                    from = mark + 1;
                    if raw[from..].starts_with('"') {
                        self.plain.push('"');
                        from += 1;
                    } else {
                        break;
                    }
                }
                let after = raw[from..].trim_start_matches(' ');
                if !(after.is_empty() || after.starts_with(separator)) {
                    return Split::Stray { at: from - 1 };
                }
                self.cells.push(CellPlace {
                    raw: start..from,
                    plain: plain_start..self.plain.len(),
                });
                end = raw.len() - after.len();
            } else {
                end = raw[start..].find(separator).map_or(raw.len(), |i| start + i);
                let cell = raw[start..end].trim_end_matches(' ');
                if let Some(mark) = cell.find('"') {
                    return Split::Stray { at: start + mark };
                }
                self.plain.push_str(cell);
                self.cells.push(CellPlace {
                    raw: start..start + cell.len(),
                    plain: plain_start..self.plain.len(),
                });
            }
            if end == raw.len() {
                return Split::Done;
            }
            at = end + 1;
        }
    }

    pub(super) fn len(&self) -> usize {
        self.cells.len()
    }

    pub(super) fn place(&self) -> RowPlace {
        self.place
    }

    pub(super) fn line(&self) -> u32 {
        self.place.line
    }

    pub(super) fn raw(&self) -> &str {
        &self.raw
    }

    pub(super) fn text(&self, cell: usize) -> &str {
        self.cells
            .get(cell)
            .map_or("", |cell| &self.plain[cell.plain.clone()])
    }

    /// Line and column (both from 1) of a byte of the row.
    pub(super) fn line_and_column(&self, at: usize) -> (u32, u32) {
        let before = &self.raw[..at];
        let lines = before.matches('\n').count();
        let start = before.rfind('\n').map_or(0, |i| i + 1);
        (
            self.place.line + narrow(lines),
            narrow(before[start..].chars().count()) + 1,
        )
    }

    /// The line of the file that holds a byte of the row.
    pub(super) fn source_line(&self, at: usize) -> &str {
        let start = self.raw[..at].rfind('\n').map_or(0, |i| i + 1);
        let end = self.raw[at..].find('\n').map_or(self.raw.len(), |i| at + i);
        &self.raw[start..end]
    }

    /// Starts a problem of a cell.
    pub(super) fn problem(&self, code: FormatProblemCode, file: &str, cell: usize) -> FormatProblem {
        let Some(cell) = self.cells.get(cell) else {
            return problem(code, file).on_line(self.place.line, self.source_line(0));
        };
        let (line, column) = self.line_and_column(cell.raw.start);
        let on_this_line = self.raw[cell.raw.clone()].lines().next().unwrap_or_default();
        problem(code, file)
            .on_line(line, self.source_line(cell.raw.start))
            .at(column, narrow(on_this_line.chars().count()).max(1))
    }
}

fn narrow(count: usize) -> u32 {
    u32::try_from(count).unwrap_or(u32::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn split(text: &str, separator: char) -> Option<Vec<String>> {
        let mut record = Record::default();
        record.begin(RowPlace { offset: 0, line: 1 }, text);
        match record.split(separator) {
            Split::Done => Some((0..record.len()).map(|i| record.text(i).to_owned()).collect()),
            _ => None,
        }
    }

    proptest! {
        /// The csv crate writes the row: whatever it quotes, we read back.
        #[test]
        fn reads_what_the_csv_crate_writes(
            cells in prop::collection::vec("[a-z\"',;é ]{0,8}", 1..6),
            semicolon: bool,
        ) {
            let separator = if semicolon { b';' } else { b',' };
            let cells: Vec<String> = cells.iter().map(|cell| cell.trim().to_owned()).collect();
            let mut writer = csv::WriterBuilder::new().delimiter(separator).from_writer(Vec::new());
            writer.write_record(&cells).unwrap();
            let bytes = writer.into_inner().unwrap();
            let text = String::from_utf8(bytes).unwrap();
            prop_assert_eq!(split(text.trim_end_matches('\n'), char::from(separator)), Some(cells));
        }

        /// The csv crate reads the row: wherever we take a row, it takes it alike (blanks trimmed).
        #[test]
        fn reads_as_the_csv_crate_reads(text in "[a-c,\" ]{1,20}") {
            if let Some(ours) = split(&text, ',') {
                // It allows no blank before an opening mark and after a closing one; we do.
                prop_assume!(!text.contains("\" ") && !text.contains(" \""));
                let mut reader = csv::ReaderBuilder::new().has_headers(false).flexible(true).from_reader(text.as_bytes());
                let theirs: Vec<String> = reader.records().next().unwrap().unwrap().iter().map(|c| c.trim_matches(' ').to_owned()).collect();
                let ours: Vec<String> = ours.iter().map(|c| c.trim_matches(' ').to_owned()).collect();
                prop_assert_eq!(ours, theirs);
            }
        }
    }
}
