//! What an interpretation leaves behind, and the laboratory's own model files.

use crate::PROGRAM_VERSION;
use crate::error::WorkflowError;
use crate::output::folder::PartialFolder;
use crate::run::file_error;
use spotwright_domain::interpretation::InterpretationRecord;
use spotwright_kinetics::model::Model;
use spotwright_report::{AnswerLink, DayContext, answers_page, interpretation_page};
use std::fs::File;
use std::io::{self, BufWriter};
use std::path::{Path, PathBuf};

/// Reads the laboratory's own model files: every `*.toml` of a folder, in the order of their names.
///
/// # Errors
/// When the folder cannot be read, or a model is wrong: then every problem of the file, line by line.
pub fn own_models(folder: &Path) -> Result<Vec<Model>, WorkflowError> {
    let at = |source| file_error(folder, source);
    let mut files: Vec<PathBuf> = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(at)? {
        let path = entry.map_err(at)?.path();
        if path.extension().is_some_and(|ending| ending == "toml") {
            files.push(path);
        }
    }
    files.sort_unstable();
    files
        .iter()
        .map(|path| {
            let text = std::fs::read_to_string(path).map_err(|source| file_error(path, source))?;
            Model::from_toml(&text).map_err(|problems| {
                let all: Vec<String> = problems.problems().iter().map(ToString::to_string).collect();
                WorkflowError::Model {
                    path: path.clone(),
                    problems: all,
                }
            })
        })
        .collect()
}

/// Writes one answer as a page.
///
/// # Errors
/// When the disk refuses.
pub fn write_page(path: &Path, record: &InterpretationRecord) -> Result<(), WorkflowError> {
    let at = |source| file_error(path, source);
    let file = File::create(path).map_err(at)?;
    interpretation_page(BufWriter::new(file), record, PROGRAM_VERSION).map_err(at)
}

/// Writes a day's answers: `interpretations.json`, a page a person and drug, and a cover. The folder appears whole or
/// not at all.
///
/// # Errors
/// When the disk refuses; then former answers stay.
pub fn write_answers(
    target: &Path,
    day: &str,
    simulated: bool,
    records: &[InterpretationRecord],
) -> Result<(), WorkflowError> {
    let at = |source| file_error(target, source);
    let folder = PartialFolder::create(target).map_err(at)?;
    let json = File::create(folder.path("interpretations.json")).map_err(at)?;
    serde_json::to_writer_pretty(BufWriter::new(json), records)
        .map_err(|error| at(io::Error::other(error)))?;
    std::fs::create_dir(folder.path("people")).map_err(at)?;
    let mut links = Vec::new();
    for record in records {
        let href = format!("people/{}-{}.html", plain(&record.subject), plain(&record.drug));
        write_page(&folder.path(&href), record)?;
        links.push(AnswerLink { record, href });
    }
    let cover = File::create(folder.path("index.html")).map_err(at)?;
    let context = DayContext {
        day,
        program_version: PROGRAM_VERSION,
        simulated,
    };
    answers_page(BufWriter::new(cover), &context, &links).map_err(at)?;
    folder.finish().map_err(at)
}

fn plain(name: &str) -> String {
    name.chars()
        .map(|c| {
            if c.is_ascii_alphanumeric() || c == '-' {
                c
            } else {
                '_'
            }
        })
        .take(60)
        .collect()
}
