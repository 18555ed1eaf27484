//! The act *look*: photographs in; spots measured, judged and sited out.
//!
//! ```text
//! files ─► one photograph at a time (threads take whole files, results in order) ─► record ─► table, JSON, drawings, sheet
//! ```

mod after;
mod files;
mod json;
mod one;
mod output;

pub use json::{CardList, card_json, write_cards};
pub use output::LookOutputs;

use crate::error::WorkflowError;
use crate::run::{Progress, file_error, with_threads};
use files::Photograph;
use rayon::prelude::*;
use spotwright_card::PhotoSettings;
use spotwright_card::spot::SpotSettings;
use spotwright_domain::card::{BUILT_IN_LAYOUTS, CardLayout, LookRecord, SpotLimits};
use spotwright_domain::method::LimitOverride;
use spotwright_exchange::{Requests, SIMULATED_MARKER, open_layout, open_method, open_requests, read_layout};
use std::path::{Path, PathBuf};

/// How photographs are looked at.
#[derive(Debug, Clone, Default)]
pub struct LookOptions {
    /// Layouts a card may have.
    pub layouts: Vec<CardLayout>,
    /// How a photograph is judged.
    pub photo: PhotoSettings,
    /// How spots are judged.
    pub limits: SpotLimits,
    /// Which limits the method changed, and why.
    pub overrides: Vec<LimitOverride>,
    /// Extraction head, volume relation, side.
    pub spots: SpotSettings,
    /// Worker threads; `None`: one a core. Results do not depend on it.
    pub threads: Option<usize>,
    /// Whether pictures are kept for drawing.
    pub with_pictures: bool,
}

impl LookOptions {
    /// The layouts of these files, or the built-in ones when there are none; extraction head and limits of the method, when
    /// one is given; everything else at its default.
    ///
    /// # Errors
    /// Every problem of the layout files or the method file.
    pub fn of(layouts: &[PathBuf], method: Option<&Path>) -> Result<Self, WorkflowError> {
        let mut all = Vec::new();
        let mut problems = Vec::new();
        for path in layouts {
            match open_layout(path) {
                Ok(file) => all.push(file.layout),
                Err(found) => problems.extend(found),
            }
        }
        if !problems.is_empty() {
            return Err(WorkflowError::Day(problems));
        }
        if all.is_empty() {
            for (name, text) in BUILT_IN_LAYOUTS {
                all.push(read_layout(name, text).map_err(WorkflowError::Day)?);
            }
        }
        let mut options = Self {
            layouts: all,
            ..Self::default()
        };
        if let Some(path) = method {
            let file = open_method(path).map_err(WorkflowError::Day)?;
            options.limits = file.card_limits.spot;
            options.photo.limits = file.card_limits.photo;
            options.overrides = file.card_limits.overrides;
            if let Some(head) = file.method.extraction.head_diameter_mm {
                options.spots.head_diameter_mm = head;
            }
        }
        Ok(options)
    }
}

/// A photograph, looked at, with the picture a drawing needs.
#[derive(Debug)]
pub struct Looked {
    /// What was found.
    pub record: LookRecord,
    /// The card, straightened; `None`: not asked for, or no card was found.
    pub picture: Option<Picture>,
}

/// A straightened picture of a card.
#[derive(Debug)]
pub struct Picture {
    /// JPEG file.
    pub jpeg: Vec<u8>,
    /// Size on the card (mm).
    pub size_mm: [f64; 2],
}

/// Looks at photographs, files and folders, and hands each to `take` in the order of their names. Memory holds a few
/// photographs at a time, however many there are.
///
/// # Errors
/// When a path does not exist, a folder cannot be listed, `requests.csv` beside the photographs is wrong, or `take`
/// fails. A photograph that cannot be read is a record with a problem.
pub fn look(
    paths: &[PathBuf],
    options: &LookOptions,
    progress: &dyn Progress,
    take: &mut (dyn FnMut(Looked) -> Result<(), WorkflowError> + Send),
) -> Result<usize, WorkflowError> {
    let photographs = files::gather(paths)?;
    progress.begin(photographs.len() as u64);
    with_threads(options.threads, || {
        // Lots large enough to keep every thread busy, small enough to hold.
        let lot = rayon::current_num_threads() * 4;
        for photographs in photographs.chunks(lot) {
            let looked: Vec<Looked> = photographs
                .par_iter()
                .map(|photograph| one::look_at(photograph, options))
                .collect();
            for each in looked {
                progress.advance(1);
                take(each)?;
            }
        }
        Ok(photographs.len())
    })?
}

/// Requests beside a folder of photographs, when there are any.
fn requests_of(folder: &Path) -> Result<Option<Requests>, WorkflowError> {
    if !folder.join("requests.csv").is_file() {
        return Ok(None);
    }
    open_requests(folder).map(Some).map_err(WorkflowError::Day)
}

fn is_simulated(folder: &Path) -> bool {
    folder.join(SIMULATED_MARKER).exists()
}

pub(crate) fn read(path: &Path) -> Result<Vec<u8>, WorkflowError> {
    std::fs::read(path).map_err(|source| file_error(path, source))
}

impl Photograph {
    /// What a person calls it.
    fn shown(&self) -> String {
        self.path
            .file_name()
            .map_or_else(String::new, |name| name.to_string_lossy().into_owned())
    }
}
