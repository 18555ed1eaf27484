//! Which files are photographs, and whose card each should show.

use super::{is_simulated, requests_of};
use crate::error::WorkflowError;
use crate::run::file_error;
use spotwright_domain::identifier::CardId;
use spotwright_domain::request::Request;
use spotwright_exchange::Requests;
use std::io;
use std::path::{Path, PathBuf};

/// File endings that are looked at, in lower case.
const ENDINGS: [&str; 5] = ["jpg", "jpeg", "png", "tif", "tiff"];
/// What a day's folder calls a photograph after extraction: `<card>.after.jpg`.
const AFTER: &str = "after";
/// And before: `<card>.before.jpg`.
const BEFORE: &str = "before";

/// A photograph to look at.
#[derive(Debug, Clone)]
pub(super) struct Photograph {
    pub(super) path: PathBuf,
    /// Name of the file without `.before`, `.after` and ending.
    pub(super) stem: String,
    /// Whether the name says that a card is meant (`<card>.before.jpg`, or a card of the requests).
    pub(super) names_card: bool,
    /// The request of that card.
    pub(super) request: Option<Request>,
    /// Simulated, as its folder says.
    pub(super) simulated: bool,
    /// The photograph after extraction, beside one before.
    pub(super) after: Option<PathBuf>,
}

/// Photographs among files and folders, sorted by name within each path given.
pub(super) fn gather(paths: &[PathBuf]) -> Result<Vec<Photograph>, WorkflowError> {
    let mut all = Vec::new();
    for path in paths {
        let found = std::fs::metadata(path).map_err(|source| file_error(path, source))?;
        if found.is_dir() {
            all.extend(folder(path)?);
        } else {
            let day = path.parent().map_or_else(|| PathBuf::from("."), Path::to_owned);
            all.push(one(path.clone(), &Beside::of(&day)?));
        }
    }
    if all.is_empty() {
        let path = paths.first().cloned().unwrap_or_default();
        let what = "no photograph (*.jpg, *.jpeg, *.png, *.tif, *.tiff) in this folder or its photos/";
        return Err(file_error(&path, io::Error::new(io::ErrorKind::NotFound, what)));
    }
    Ok(all)
}

/// What stands beside photographs.
struct Beside {
    requests: Option<Requests>,
    simulated: bool,
}

impl Beside {
    /// Looks in the photographs' folder and, for a `photos/`, in the day above it.
    fn of(folder: &Path) -> Result<Self, WorkflowError> {
        let above = folder.parent().filter(|_| folder.ends_with("photos"));
        let mut requests = requests_of(folder)?;
        if let (None, Some(above)) = (&requests, above) {
            requests = requests_of(above)?;
        }
        Ok(Self {
            requests,
            simulated: is_simulated(folder) || above.is_some_and(is_simulated),
        })
    }
}

/// Photographs of a folder, or of the `photos/` within it. An `.after` photograph belongs to its `.before` and does not
/// stand alone.
fn folder(path: &Path) -> Result<Vec<Photograph>, WorkflowError> {
    let photos = path.join("photos");
    let path = if photos.is_dir() { photos.as_path() } else { path };
    let mut files = Vec::new();
    for entry in std::fs::read_dir(path).map_err(|source| file_error(path, source))? {
        let file = entry.map_err(|source| file_error(path, source))?.path();
        let hidden = file
            .file_name()
            .is_some_and(|name| name.to_string_lossy().starts_with('.'));
        if file.is_file() && !hidden && is_photograph(&file) {
            files.push(file);
        }
    }
    files.sort_unstable();
    let beside = Beside::of(path)?;
    let mut photographs: Vec<Photograph> = files
        .iter()
        .filter(|file| !(is(file, AFTER) && before_of(file, &files).is_some()))
        .map(|file| one(file.clone(), &beside))
        .collect();
    for after in files.iter().filter(|file| is(file, AFTER)) {
        if let Some(before) = before_of(after, &files)
            && let Some(photograph) = photographs.iter_mut().find(|each| each.path == *before)
        {
            photograph.after = Some(after.clone());
        }
    }
    Ok(photographs)
}

fn one(path: PathBuf, beside: &Beside) -> Photograph {
    let (stem, suffix) = stem(&path);
    let request = beside
        .requests
        .as_ref()
        .and_then(|requests| requests.get(&CardId::new(&stem).ok()?));
    Photograph {
        names_card: suffix.is_some() || request.is_some(),
        stem,
        request,
        simulated: beside.simulated,
        path,
        after: None,
    }
}

fn before_of<'f>(after: &Path, files: &'f [PathBuf]) -> Option<&'f PathBuf> {
    let (card, _) = stem(after);
    files.iter().find(|file| is(file, BEFORE) && stem(file).0 == card)
}

fn is(file: &Path, suffix: &str) -> bool {
    stem(file).1.as_deref() == Some(suffix)
}

/// Name without ending, and `before` or `after` when it ends so.
fn stem(path: &Path) -> (String, Option<String>) {
    let name = path
        .file_stem()
        .map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    for suffix in [BEFORE, AFTER] {
        if let Some(card) = name.strip_suffix(suffix).and_then(|rest| rest.strip_suffix('.')) {
            return (card.to_owned(), Some(suffix.to_owned()));
        }
    }
    (name, None)
}

fn is_photograph(path: &Path) -> bool {
    let ending = path
        .extension()
        .map(|ending| ending.to_string_lossy().to_lowercase());
    ending.is_some_and(|ending| ENDINGS.contains(&ending.as_str()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn touch(folder: &Path, name: &str) {
        std::fs::write(folder.join(name), b"").unwrap();
    }

    #[test]
    fn an_after_photograph_joins_its_before_and_other_files_are_passed_over() {
        let day = tempfile::tempdir().unwrap();
        let photos = day.path().join("photos");
        std::fs::create_dir(&photos).unwrap();
        for name in [
            "B.before.JPG",
            "B.after.jpg",
            "A.png",
            "C.after.jpg",
            "notes.txt",
            ".hidden.jpg",
        ] {
            touch(&photos, name);
        }
        let found = gather(&[day.path().to_owned()]).unwrap();
        let names: Vec<(&str, bool, bool)> = found
            .iter()
            .map(|each| (each.stem.as_str(), each.names_card, each.after.is_some()))
            .collect();
        assert_eq!(
            names,
            [("A", false, false), ("B", true, true), ("C", true, false)]
        );
    }

    #[test]
    fn a_folder_without_photographs_says_what_was_looked_for() {
        let empty = tempfile::tempdir().unwrap();
        let error = gather(&[empty.path().to_owned()]).unwrap_err().to_string();
        assert!(error.contains("no photograph (*.jpg"), "{error}");
    }
}
