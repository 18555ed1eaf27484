//! The folder of traces: every file the list names is in it, and no path leads out of it.

use crate::injections::{FILE, hash};
use crate::nearest::nearest;
use crate::problem::{FormatProblemCode, FormatWarningCode, Problems, quoted};
use crate::table::Row;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// The folder's name.
pub(crate) const FOLDER: &str = "traces";

/// Files of the folder that are compared with a misspelt name.
const MOST_COMPARED: usize = 2000;

/// Whether a cell's text is a path that stays in the folder and names a kind of file we read.
pub(crate) fn check_path(row: &Row<'_>, column: usize, problems: &mut Problems) -> bool {
    let text = row.text(column);
    let part_is_plain = |part: &str| !part.is_empty() && part != "." && part != ".." && part.trim() == part;
    if text.contains(['\\', ':', '\n', '\t']) || text.starts_with('/') || !text.split('/').all(part_is_plain)
    {
        problems.push(
            row.problem(column, FormatProblemCode::TracePathEscapes)
                .expected("a file in traces/")
                .help("No folder above it, no drive, no backslash."),
        );
        return false;
    }
    let lower = text.to_ascii_lowercase();
    if !(lower.ends_with(".mzml") || lower.ends_with(".mzml.gz")) {
        problems.push(
            row.problem(column, FormatProblemCode::TraceFileKind)
                .expected("a file *.mzML or *.mzML.gz"),
        );
        return false;
    }
    true
}

/// The folder, with what was learnt of it.
pub(crate) struct TraceFolder {
    folder: PathBuf,
    /// Where the folder really is; `None`: it is not there.
    real: Option<PathBuf>,
    /// Where the folders within it really are.
    parents: BTreeMap<String, Option<PathBuf>>,
    names: Option<Vec<String>>,
}

impl TraceFolder {
    pub(crate) fn new(day: &Path) -> Self {
        let folder = day.join(FOLDER);
        Self {
            real: folder.canonicalize().ok(),
            folder,
            parents: BTreeMap::new(),
            names: None,
        }
    }

    /// Whether the folder is there.
    pub(crate) fn is_there(&self) -> bool {
        self.real.is_some()
    }

    /// The file the cell names must be there and lie in the folder, whatever links lead to it.
    pub(crate) fn check(&mut self, row: &Row<'_>, column: usize, problems: &mut Problems) {
        let text = row.text(column);
        let path = self.folder.join(text);
        let there = std::fs::symlink_metadata(&path);
        let Ok(there) = there else {
            let folder = &self.folder;
            let names = self.names.get_or_insert_with(|| {
                let mut names = crate::day::names_in(folder);
                names.truncate(MOST_COMPARED);
                names
            });
            let near = if problems.is_full() {
                None
            } else {
                nearest(text, names.iter().map(String::as_str))
            };
            problems.push(
                row.problem(column, FormatProblemCode::TraceFileMissing)
                    .expected("a file in traces/")
                    .nearest(near),
            );
            return;
        };
        let real = if there.is_symlink() {
            path.canonicalize().ok()
        } else {
            let parent = text.rsplit_once('/').map_or("", |(parent, _)| parent);
            if !self.parents.contains_key(parent) {
                let real = self.folder.join(parent).canonicalize().ok();
                self.parents.insert(parent.to_owned(), real);
            }
            self.parents.get(parent).cloned().flatten()
        };
        let inside = match (&real, &self.real) {
            (Some(real), Some(folder)) => real.starts_with(folder),
            _ => false,
        };
        if !inside {
            problems.push(
                row.problem(column, FormatProblemCode::TracePathEscapes)
                    .expected("a file in traces/")
                    .help("A link leads out of the folder, or to nothing."),
            );
        } else if !std::fs::metadata(&path).is_ok_and(|target| target.is_file()) {
            problems.push(
                row.problem(column, FormatProblemCode::TraceFileKind)
                    .found(format!("{}, which is no file", quoted(text)))
                    .expected("a file"),
            );
        }
    }
}

/// Warns of trace files that no line names: nothing measured is passed over in silence (DI-18).
pub(crate) fn warn_of_unlisted(day: &Path, listed: &[u64], problems: &mut Problems) {
    let mut unlisted: Vec<String> = crate::day::names_in(&day.join(FOLDER))
        .into_iter()
        .filter(|name| {
            let lower = name.to_ascii_lowercase();
            lower.ends_with(".mzml") || lower.ends_with(".mzml.gz")
        })
        .filter(|name| listed.binary_search(&hash(&[name])).is_err())
        .collect();
    unlisted.sort();
    for name in unlisted {
        problems.warn(
            FormatWarningCode::TraceFileNotListed,
            &format!("{FOLDER}/{}", crate::problem::shown(&name)),
            None,
            || format!("no line of {FILE} names this file"),
        );
    }
}
