//! The runs of a day, read one at a time.

use super::row;
use super::{COLUMNS, FILE};
use crate::problem::{FormatProblem, FormatProblemCode, Problems, problem, quoted};
use crate::table::{Layout, Marks, RowPlace, TableReader};
use crate::text::unreadable;
use sha2::{Digest, Sha256};
use spotwright_domain::identifier::RunId;
use spotwright_domain::injection::Injection;
use std::fs::File;
use std::io::{BufReader, Seek, SeekFrom};
use std::path::Path;

/// One run's injections.
#[derive(Debug, Clone, PartialEq)]
pub struct RunList {
    /// The run.
    pub run: RunId,
    /// Index of its method in [`crate::Day::methods`].
    pub method: usize,
    /// Its injections, by order.
    pub injections: Vec<Injection>,
    /// When each was injected (seconds since 1970-01-01T00:00Z); `None`: not said.
    pub injected_at_unix_s: Vec<Option<i64>>,
}

/// Where a run stands in the file.
#[derive(Debug, Clone)]
pub(crate) struct RunPlace {
    pub(crate) run: RunId,
    pub(crate) method: usize,
    pub(crate) first_line: u32,
    pub(crate) segments: Vec<Segment>,
    /// Of the run's lines, each followed by a line feed.
    pub(crate) digest: Sha256,
}

/// Lines of one run that follow one another.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Segment {
    pub(crate) place: RowPlace,
    pub(crate) rows: u32,
}

/// Reads run after run; memory holds one run at a time.
pub struct Runs<'d> {
    folder: &'d Path,
    layout: &'d Layout,
    places: std::slice::Iter<'d, RunPlace>,
}

impl<'d> Runs<'d> {
    pub(crate) fn new(folder: &'d Path, layout: &'d Layout, places: &'d [RunPlace]) -> Self {
        Self {
            folder,
            layout,
            places: places.iter(),
        }
    }

    fn read(&self, run: &RunPlace) -> Result<RunList, Box<FormatProblem>> {
        let mut lines = Vec::new();
        let mut digest = Sha256::new();
        let mut problems = Problems::default();
        let mut marks = Marks::default();
        let trouble = |error: std::io::Error| Box::new(unreadable(FILE, &error));
        for segment in &run.segments {
            let mut file = File::open(self.folder.join(FILE)).map_err(trouble)?;
            file.seek(SeekFrom::Start(segment.place.offset))
                .map_err(trouble)?;
            let reader = BufReader::new(file);
            let mut table = TableReader::resume(reader, FILE, &COLUMNS, self.layout.clone(), segment.place);
            for _ in 0..segment.rows {
                if !table.advance(&mut problems) {
                    break;
                }
                let row = table.row();
                digest.update(row.raw().as_bytes());
                digest.update(b"\n");
                lines.extend(row::read(&row, &mut marks, &mut problems));
            }
        }
        if let Some(problem) = problems.first() {
            return Err(Box::new(problem));
        }
        if digest.finalize() != run.digest.clone().finalize() {
            return Err(Box::new(
                problem(FormatProblemCode::FileChanged, FILE)
                    .found(format!(
                        "other lines of run {} than were checked",
                        quoted(run.run.as_str())
                    ))
                    .expected("a file nobody writes to while the day is read"),
            ));
        }
        lines.sort_by_key(|line| line.injection.order);
        let injected_at_unix_s = lines.iter().map(|line| line.injected_at_unix_s).collect();
        Ok(RunList {
            run: run.run.clone(),
            method: run.method,
            injections: lines.into_iter().map(|line| line.injection).collect(),
            injected_at_unix_s,
        })
    }
}

impl Iterator for Runs<'_> {
    type Item = Result<RunList, FormatProblem>;

    fn next(&mut self) -> Option<Self::Item> {
        let run = self.places.next()?;
        Some(self.read(run).map_err(|problem| *problem))
    }

    fn size_hint(&self) -> (usize, Option<usize>) {
        self.places.size_hint()
    }
}

impl ExactSizeIterator for Runs<'_> {}
