//! `method.toml`: read key by key, so that every problem can point at its place.

mod card;
mod check;
mod conversion;
mod keys;
mod levels;
mod limits;
mod read;
pub(crate) mod section;
mod target;

pub use card::CardLimits;
pub use keys::{METHOD_TABLES, MethodKey, MethodTable};
pub use limits::LIMIT_RULES;
pub(crate) use target::target as read_target;

use crate::nearest::nearest;
use crate::problem::{FormatProblemCode, Problems, problem, quoted};
use crate::text::read_text;
use sha2::{Digest, Sha256};
use spotwright_domain::method::Method;
use std::path::{Path, PathBuf};

/// A method and the file it was read from.
#[derive(Debug, Clone, PartialEq)]
pub struct MethodFile {
    /// The method.
    pub method: Method,
    /// What it allows of cards.
    pub card_limits: CardLimits,
    /// SHA-256 of the file's bytes, in lower-case hexadecimal.
    pub sha256: String,
    /// The file, relative to the day's folder.
    pub path: PathBuf,
}

/// Largest method file (bytes).
const LARGEST_METHOD: u64 = 4 * 1024 * 1024;

/// Reads one method file by itself, outside a day.
///
/// # Errors
/// Every problem of the file.
pub fn open_method(path: &Path) -> Result<MethodFile, Vec<crate::FormatProblem>> {
    let mut problems = Problems::default();
    let name = path.file_name().map_or_else(
        || path.display().to_string(),
        |name| name.to_string_lossy().into_owned(),
    );
    let method = read_method(path, &name, &mut problems);
    problems.finish()?;
    // Without a problem there is a method.
    method.ok_or_else(Vec::new)
}

/// Every method of a day. `None` when one of them cannot be read: then nothing can be checked against them.
pub(crate) fn read_methods(folder: &Path, problems: &mut Problems) -> Option<Vec<MethodFile>> {
    let before = problems.count();
    let files = method_files(folder, problems);
    let mut methods: Vec<MethodFile> = Vec::new();
    for file in &files {
        let Some(read) = read_method(&folder.join(file), file, problems) else {
            continue;
        };
        let id = read.method.id.as_str();
        if let Some(stem) = file
            .strip_prefix("methods/")
            .and_then(|name| name.strip_suffix(".toml"))
            && stem != id
        {
            problems.push(
                problem(FormatProblemCode::FileMisnamed, file)
                    .field("method.id")
                    .found(quoted(id))
                    .expected(format!("the file's name, {}", quoted(stem)))
                    .help("A method's file is named after its id."),
            );
        }
        methods.push(read);
    }
    (problems.count() == before).then_some(methods)
}

fn method_files(folder: &Path, problems: &mut Problems) -> Vec<String> {
    let single = folder.join("method.toml").exists();
    let many = folder.join("methods").is_dir();
    match (single, many) {
        (true, true) => {
            problems.push(
                problem(FormatProblemCode::MethodGivenTwice, "method.toml")
                    .found("both method.toml and methods/")
                    .expected("one of them")
                    .help("Which of them holds for a run would be a guess."),
            );
            Vec::new()
        }
        (true, false) => vec!["method.toml".to_owned()],
        (false, true) => {
            let mut files: Vec<String> = std::fs::read_dir(folder.join("methods"))
                .into_iter()
                .flatten()
                .filter_map(Result::ok)
                .map(|entry| entry.file_name().to_string_lossy().into_owned())
                .filter(|name| name.ends_with(".toml"))
                .map(|name| format!("methods/{name}"))
                .collect();
            files.sort();
            if files.is_empty() {
                problems.push(
                    problem(FormatProblemCode::FileMissing, "methods")
                        .found("no method in methods/")
                        .expected("a file <id>.toml for each method"),
                );
            }
            files
        }
        (false, false) => {
            let names = crate::day::names_in(folder);
            problems.push(
                problem(FormatProblemCode::FileMissing, "method.toml")
                    .found("no such file")
                    .expected("method.toml, or methods/<id>.toml")
                    .nearest(nearest("method.toml", names.iter().map(String::as_str))),
            );
            Vec::new()
        }
    }
}

fn read_method(path: &Path, file: &str, problems: &mut Problems) -> Option<MethodFile> {
    match read_text(path, file, LARGEST_METHOD) {
        Err(trouble) => {
            problems.push(*trouble);
            None
        }
        Ok((text, bytes)) => {
            let (method, card_limits) = read::read(file, &text, problems)?;
            Some(MethodFile {
                method,
                card_limits,
                sha256: hex(&Sha256::digest(&bytes)),
                path: PathBuf::from(file),
            })
        }
    }
}

pub(crate) fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write;
    bytes.iter().fold(String::new(), |mut text, byte| {
        let _ = write!(text, "{byte:02x}");
        text
    })
}
