//! The main act: a laboratory day in, judged results out.

use crate::error::WorkflowError;
use crate::judged_run::JudgedRun;
use crate::memory::Memory;
use crate::output::Outputs;
use crate::output::folder::PartialFolder;
use spotwright_domain::record::{Acceptance, RunRecord};
use spotwright_exchange::{FormatWarning, open_day};
use std::path::{Path, PathBuf};

/// How a day is run.
#[derive(Debug, Clone, Default)]
pub struct RunOptions {
    /// Where results go; `None`: `results` in the day's folder.
    pub out: Option<PathBuf>,
    /// Worker threads; `None`: one a core. Results do not depend on it.
    pub threads: Option<usize>,
    /// Leave out the HTML reports.
    pub without_html: bool,
}

/// How far a run has come.
pub trait Progress: Sync {
    /// The day holds so many injections.
    fn begin(&self, injections: u64);
    /// So many more are measured.
    fn advance(&self, injections: u64);
}

/// Tells nobody.
#[derive(Debug, Clone, Copy)]
pub struct Silent;

impl Progress for Silent {
    fn begin(&self, _: u64) {}
    fn advance(&self, _: u64) {}
}

/// What a day came to.
#[derive(Debug)]
pub struct DayOutcome {
    /// The day's name.
    pub day: String,
    /// Whether it is marked as simulated.
    pub simulated: bool,
    /// Where the results are.
    pub out: PathBuf,
    /// Every run, judged.
    pub runs: Vec<RunRecord>,
    /// HTML report of each run, relative to `out`; empty when left out.
    pub reports: Vec<String>,
    /// Oddities of the day's files.
    pub warnings: Vec<FormatWarning>,
}

impl DayOutcome {
    /// Whether any analyte of any run is rejected.
    #[must_use]
    pub fn any_rejected(&self) -> bool {
        let mut analytes = self.runs.iter().flat_map(|run| &run.analytes);
        analytes.any(|analyte| analyte.acceptance == Acceptance::Rejected)
    }
}

/// Runs a day and writes its results.
///
/// # Errors
/// When the day's files are wrong, or the computer fails. Then nothing is left behind and former results stay.
pub fn run_day(
    folder: &Path,
    options: &RunOptions,
    progress: &dyn Progress,
) -> Result<DayOutcome, WorkflowError> {
    with_threads(options.threads, || run_day_here(folder, options, progress))?
}

/// Carries an act out on a fixed number of threads.
pub(crate) fn with_threads<T: Send>(
    threads: Option<usize>,
    act: impl FnOnce() -> T + Send,
) -> Result<T, WorkflowError> {
    let mut builder = rayon::ThreadPoolBuilder::new().start_handler(|_| claim_room());
    if let Some(threads) = threads {
        builder = builder.num_threads(threads.max(1));
    }
    let pool = builder
        .build()
        .map_err(|error| WorkflowError::Threads(error.to_string()))?;
    Ok(pool.install(act))
}

/// Lets this thread's part of the heap grow at once instead of page by page: an allocator that asks the system for every few
/// pages makes the threads wait for each other. What is claimed is not touched, so it takes no memory until it is used.
fn claim_room() {
    // The first teaches the common allocator of Linux that blocks of this size belong into the heap, the second lies there.
    for bytes in [24 << 20, 20 << 20] {
        drop(std::hint::black_box(Vec::<u8>::with_capacity(bytes)));
    }
}

fn run_day_here(
    folder: &Path,
    options: &RunOptions,
    progress: &dyn Progress,
) -> Result<DayOutcome, WorkflowError> {
    let day = open_day(folder).map_err(WorkflowError::Day)?;
    let out = options.out.clone().unwrap_or_else(|| folder.join("results"));
    let name = day_name(folder);
    let partial = PartialFolder::create(&out).map_err(|source| file_error(&out, source))?;
    let mut outputs = Outputs::begin(&partial, &day, &name, options)?;
    let mut records = Vec::new();
    let mut memory = Memory::of(&day)?;
    progress.begin(day.summary.injections as u64);
    for run in day.runs() {
        let run = run.map_err(|problem| WorkflowError::Day(vec![problem]))?;
        let mut judged = JudgedRun::make(&day, run, !options.without_html, &memory, &|n| {
            progress.advance(n)
        })?;
        memory.remember(&judged);
        outputs.run(&mut judged)?;
        records.push(judged.record);
    }
    let reports = outputs.finish(&records)?;
    partial.finish().map_err(|source| file_error(&out, source))?;
    Ok(DayOutcome {
        day: name,
        simulated: day.simulated,
        out,
        runs: records,
        reports,
        warnings: day.warnings,
    })
}

/// The day's name: its folder's.
pub(crate) fn day_name(folder: &Path) -> String {
    let full = folder.canonicalize().unwrap_or_else(|_| folder.to_owned());
    full.file_name()
        .map_or_else(|| "day".to_owned(), |name| name.to_string_lossy().into_owned())
}

pub(crate) fn file_error(path: &Path, source: std::io::Error) -> WorkflowError {
    WorkflowError::File {
        path: path.to_owned(),
        source,
    }
}
