//! Validates a day without computing: its tables and methods, then every trace file's structure.

use crate::error::WorkflowError;
use crate::run::{Progress, with_threads};
use rayon::prelude::*;
use spotwright_domain::method::TransitionOf;
use spotwright_domain::trace::Trace;
use spotwright_exchange::{Day, DaySummary, FormatWarning, RunList, open_day};
use spotwright_mzml::{ReadOptions, Scratch, parse_bytes};
use std::path::Path;

/// A day that can be run.
#[derive(Debug)]
pub struct CheckedDay {
    /// Counts.
    pub summary: DaySummary,
    /// Oddities of the tables.
    pub warnings: Vec<FormatWarning>,
    /// What is wrong inside trace files, in the order of the list. Such an injection becomes a result that cannot be
    /// reported; the day can still be run.
    pub traces: Vec<TraceFinding>,
}

/// Something about one trace file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TraceFinding {
    /// The injection, `run/order`.
    pub injection: String,
    /// The file, relative to the day.
    pub file: String,
    /// Whether the file is unusable, rather than odd.
    pub unusable: bool,
    /// What, in a sentence.
    pub text: String,
}

/// Checks a day.
///
/// # Errors
/// [`WorkflowError::Day`] with every problem of the tables and methods.
pub fn check_day(folder: &Path, progress: &dyn Progress) -> Result<CheckedDay, WorkflowError> {
    let day = open_day(folder).map_err(WorkflowError::Day)?;
    progress.begin(day.summary.injections as u64);
    let mut traces = Vec::new();
    for run in day.runs() {
        let run = run.map_err(|problem| WorkflowError::Day(vec![problem]))?;
        traces.extend(with_threads(None, || check_run(&day, &run, progress))?);
    }
    Ok(CheckedDay {
        summary: day.summary,
        warnings: day.warnings,
        traces,
    })
}

fn check_run(day: &Day, run: &RunList, progress: &dyn Progress) -> Vec<TraceFinding> {
    let method = &day.methods[run.method].method;
    let transitions = method.transitions();
    let folder = day.traces_folder();
    let findings: Vec<Vec<TraceFinding>> = run
        .injections
        .par_iter()
        .map_init(Scratch::default, |scratch, injection| {
            let finding = |unusable, text| TraceFinding {
                injection: injection.id(),
                file: format!("traces/{}", injection.trace_file),
                unusable,
                text,
            };
            let read = std::fs::read(folder.join(&injection.trace_file)).map_err(|error| error.to_string());
            let parsed = read.and_then(|bytes| {
                parse_bytes(&bytes, &ReadOptions::default(), scratch).map_err(|error| error.to_string())
            });
            progress.advance(1);
            match parsed {
                Err(error) => vec![finding(true, error)],
                Ok(file) => {
                    let tolerance = method.integration.mz_tolerance;
                    let found = oddities(&file.traces, &transitions, tolerance);
                    found.into_iter().map(|text| finding(false, text)).collect()
                }
            }
        })
        .collect();
    findings.into_iter().flatten().collect()
}

fn oddities(traces: &[Trace], transitions: &[TransitionOf], mz_tolerance: f64) -> Vec<String> {
    let matches = spotwright_chromatogram::match_traces(traces, transitions, mz_tolerance);
    let reasons = crate::notes::of_traces(traces)
        .into_iter()
        .map(|(_, reason)| reason)
        .chain(crate::notes::of_matches(&matches, transitions));
    reasons.map(|reason| reason.text).collect()
}
