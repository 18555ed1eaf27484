//! A kept table whose rows are looked up by person.

use crate::injections::hash;
use crate::kept::KeptTable;
use crate::problem::Problems;
use crate::table::{Column, Row, RowPlace};
use spotwright_domain::identifier::SubjectId;
use std::path::Path;

/// Rows of a table, by person.
#[derive(Debug, Clone, Default)]
pub(crate) struct BySubject {
    table: Option<KeptTable>,
    /// Hash of the subject, line and offset; sorted.
    by_subject: Vec<(u64, u32, u64)>,
}

impl BySubject {
    /// Reads a table that may be absent; `check` says whose a row is, `None` when it has problems.
    pub(crate) fn read(
        folder: &Path,
        file: &'static str,
        columns: &'static [Column],
        problems: &mut Problems,
        mut check: impl FnMut(&Row<'_>, &mut Problems) -> Option<SubjectId>,
    ) -> Self {
        let mut by_subject = Vec::new();
        let table = KeptTable::read(folder, file, columns, problems, |row, problems| {
            if let Some(subject) = check(row, problems) {
                by_subject.push((hash(&[subject.as_str()]), row.line(), row.place().offset));
            }
        });
        by_subject.sort_unstable();
        Self { table, by_subject }
    }

    pub(crate) fn len(&self) -> usize {
        self.by_subject.len()
    }

    /// Every row, in the order of the file.
    pub(crate) fn iter<'a, T>(
        &'a self,
        take: impl Fn(&Row<'_>) -> Option<T> + Copy + 'a,
    ) -> impl Iterator<Item = T> + 'a {
        let rows = self.table.iter().flat_map(|table| &table.rows);
        rows.filter_map(move |place| self.at(*place, take))
    }

    /// A person's rows, in the order of the file; another's may be among them when two codes share a hash.
    pub(crate) fn of<'a, T>(
        &'a self,
        subject: &SubjectId,
        take: impl Fn(&Row<'_>) -> Option<T> + Copy + 'a,
    ) -> impl Iterator<Item = T> + 'a {
        let wanted = hash(&[subject.as_str()]);
        let from = self.by_subject.partition_point(|(of, _, _)| *of < wanted);
        self.by_subject[from..]
            .iter()
            .take_while(move |(of, _, _)| *of == wanted)
            .filter_map(move |(_, line, offset)| {
                let place = RowPlace {
                    offset: *offset,
                    line: *line,
                };
                self.at(place, take)
            })
    }

    fn at<T>(&self, place: RowPlace, take: impl Fn(&Row<'_>) -> Option<T>) -> Option<T> {
        self.table.as_ref()?.with_row(place, take)
    }
}
