//! Lines of UTF-8 text in bounded memory; everything else is refused by name.

use super::RowPlace;
use crate::problem::{FormatProblem, FormatProblemCode, problem};
use crate::text::{Foreign, foreign_bytes, foreign_start};
use std::io::{BufRead, Read};

/// Longest line (bytes), and longest row with quoted line ends.
pub(super) const LONGEST_LINE: usize = 64 * 1024;

/// Reads line by line.
pub(super) struct Lines<R> {
    reader: R,
    buffer: Vec<u8>,
    /// Bytes of the buffer that are text: without byte-order mark and line end.
    text: std::ops::Range<usize>,
    /// Where the line stands.
    place: RowPlace,
    /// Where the next line stands.
    next: RowPlace,
}

pub(super) enum Next {
    Line,
    End,
    /// Nothing more can be read.
    Stop(Box<Trouble>),
}

/// Why nothing more can be read.
pub(super) enum Trouble {
    Unreadable(std::io::Error),
    TooLong { line: u32 },
    TooManyLines,
    Foreign { line: u32, what: Foreign },
}

impl<R: BufRead> Lines<R> {
    pub(super) fn from_start(reader: R) -> Self {
        Self::resume(reader, RowPlace { offset: 0, line: 1 })
    }

    pub(super) fn resume(reader: R, place: RowPlace) -> Self {
        Self {
            reader,
            buffer: Vec::new(),
            text: 0..0,
            place,
            next: place,
        }
    }

    pub(super) fn text(&self) -> &str {
        // `read` let nothing through that is not UTF-8.
        std::str::from_utf8(&self.buffer[self.text.clone()]).unwrap_or_default()
    }

    pub(super) fn place(&self) -> RowPlace {
        self.place
    }

    pub(super) fn line(&self) -> u32 {
        self.place.line
    }

    pub(super) fn read(&mut self) -> Next {
        self.place = self.next;
        self.buffer.clear();
        self.text = 0..0;
        let line = self.place.line;
        let limit = LONGEST_LINE as u64 + 1;
        match self
            .reader
            .by_ref()
            .take(limit)
            .read_until(b'\n', &mut self.buffer)
        {
            Err(error) => return stop(Trouble::Unreadable(error)),
            Ok(0) => return Next::End,
            Ok(_) => {}
        }
        let mut start = 0;
        if self.place.offset == 0 {
            if let Some(what) = foreign_start(&self.buffer) {
                return stop(Trouble::Foreign { line, what });
            }
            if self.buffer.starts_with(b"\xEF\xBB\xBF") {
                start = 3;
            }
        }
        let mut end = self.buffer.len();
        if self.buffer.ends_with(b"\n") {
            end -= 1;
            if end > start && self.buffer[end - 1] == b'\r' {
                end -= 1;
            }
        }
        if let Some(what) = foreign_bytes(&self.buffer[start..end]) {
            return stop(Trouble::Foreign { line, what });
        }
        if self.buffer.len() > LONGEST_LINE {
            return stop(Trouble::TooLong { line });
        }
        let Some(next_line) = line.checked_add(1) else {
            return stop(Trouble::TooManyLines);
        };
        self.next = RowPlace {
            offset: self.place.offset + self.buffer.len() as u64,
            line: next_line,
        };
        self.text = start..end;
        Next::Line
    }
}

fn stop(trouble: Trouble) -> Next {
    Next::Stop(Box::new(trouble))
}

impl Trouble {
    pub(super) fn into_problem(self, file: &str) -> FormatProblem {
        match self {
            Self::Unreadable(error) => crate::text::unreadable(file, &error),
            Self::TooLong { line } => {
                let mut it = problem(FormatProblemCode::LineTooLong, file)
                    .found(format!("a line of more than {LONGEST_LINE} bytes"))
                    .expected("shorter lines")
                    .help("Nothing after it was read.");
                it.line = Some(line);
                it
            }
            Self::TooManyLines => problem(FormatProblemCode::FileTooLarge, file)
                .found("more than 4 294 967 295 lines")
                .expected("fewer"),
            Self::Foreign { line, what } => what.into_problem(file, line),
        }
    }
}
