//! A small table kept as text: rows are found by key and taken apart when asked for, so that a day of a hundred
//! thousand cards costs its file's size and little more.

use crate::problem::{FormatProblemCode, Problems, problem};
use crate::table::{Column, Layout, Row, RowPlace, TableReader};
use crate::text::{too_large, unreadable};
use std::io::{Cursor, Read, Seek, SeekFrom};
use std::path::Path;

/// Largest table that is kept (bytes).
const LARGEST: u64 = 256 * 1024 * 1024;

/// A table as text.
#[derive(Debug, Clone)]
pub(crate) struct KeptTable {
    bytes: Vec<u8>,
    file: &'static str,
    columns: &'static [Column],
    layout: Layout,
    pub(crate) rows: Vec<RowPlace>,
}

impl KeptTable {
    /// Reads a file that may be absent, each row through `check`. `None`: absent, or not to be read.
    pub(crate) fn read(
        folder: &Path,
        file: &'static str,
        columns: &'static [Column],
        problems: &mut Problems,
        mut check: impl FnMut(&Row<'_>, &mut Problems),
    ) -> Option<Self> {
        let bytes = read_bytes(folder, file, problems)?;
        let mut table = TableReader::open(bytes.as_slice(), file, columns, problems)?;
        let mut rows = Vec::new();
        let before = problems.count();
        while table.advance(problems) {
            rows.push(table.row().place());
            check(&table.row(), problems);
        }
        if rows.is_empty() && problems.count() == before {
            problems.push(
                problem(FormatProblemCode::NoRows, file)
                    .found("column names and no line below them")
                    .expected("a line below them, or no such file"),
            );
        }
        let layout = table.layout().clone();
        Some(Self {
            bytes,
            file,
            columns,
            layout,
            rows,
        })
    }

    /// Takes a row apart.
    pub(crate) fn with_row<T>(&self, place: RowPlace, take: impl FnOnce(&Row<'_>) -> Option<T>) -> Option<T> {
        let mut cursor = Cursor::new(self.bytes.as_slice());
        cursor.seek(SeekFrom::Start(place.offset)).ok()?;
        let mut table = TableReader::resume(cursor, self.file, self.columns, self.layout.clone(), place);
        table
            .advance(&mut Problems::default())
            .then(|| take(&table.row()))
            .flatten()
    }
}

pub(crate) fn read_bytes(folder: &Path, file: &str, problems: &mut Problems) -> Option<Vec<u8>> {
    let opened = match std::fs::File::open(folder.join(file)) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return None,
        opened => opened,
    };
    let mut bytes = Vec::new();
    let read = opened.and_then(|opened| {
        // Asked first, so that a huge file is not read to learn that it is huge.
        if opened.metadata()?.len() > LARGEST {
            return Ok(true);
        }
        // And limited all the same: a file may grow, or be no plain file.
        opened.take(LARGEST + 1).read_to_end(&mut bytes)?;
        Ok(bytes.len() as u64 > LARGEST)
    });
    match read {
        Err(error) => {
            problems.push(unreadable(file, &error));
            None
        }
        Ok(true) => {
            problems.push(too_large(file, LARGEST));
            None
        }
        Ok(false) => Some(bytes),
    }
}
