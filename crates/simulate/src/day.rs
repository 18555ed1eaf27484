//! Writing a day to disk: run by run, so that memory does not grow with the number of runs; beside the target and
//! renamed at the end, so that nobody ever sees half a day.

use crate::card::{CardStudio, PhotoTruth, photograph_cards};
use crate::covariates::{COVARIATES_HEADER, write_fact};
use crate::error::SimulateError;
use crate::method_file::method_file;
use crate::plan::{Compression, DayPlan, MOST_INJECTIONS, Scenario};
use crate::run::{SimulatedRun, simulate_run};
use crate::tables::{
    DOSES_HEADER, INJECTIONS_HEADER, REQUESTS_HEADER, write_dose, write_injection, write_request,
};
use crate::truth::{RunTruth, TruthLine};
use rayon::prelude::*;
use serde::Serialize;
use spotwright_mzml::{
    ArrayEncoding, Chromatogram, FileHead, MzmlWriter, WriteError, WriteOptions, WriteTimeUnit,
};
use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

/// The file that marks a folder as a simulated day.
pub const MARKER: &str = "SIMULATED.txt";

const MARKER_TEXT: &str = "Everything in this folder is simulated: cards, people, concentrations, chromatograms.\n\
It proves nothing about any method and must never be reported for a person.\n\
truth.json and truth.jsonl, and truth/cards.jsonl for photographs, hold what is true of it.\n";

/// Files made side by side before progress is told.
const BATCH: usize = 64;

/// What was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DaySummary {
    /// Runs.
    pub runs: usize,
    /// Injections, one trace file each.
    pub injections: u64,
    /// Traces in all files.
    pub traces: u64,
    /// Cards.
    pub cards: u64,
    /// Faults planted.
    pub faults: usize,
    /// Bytes of all trace files.
    pub trace_bytes: u64,
}

/// The head of `truth.json`.
#[derive(Serialize)]
struct TruthHead<'a> {
    simulated: bool,
    scenario: &'static str,
    seed: u64,
    summary: SummaryTruth,
    runs: &'a [RunTruth],
}

#[derive(Serialize)]
struct SummaryTruth {
    runs: usize,
    injections: u64,
    cards: u64,
    faults: usize,
}

/// Writes a simulated day into `folder`, which must be absent, empty, or a simulated day itself (then it is
/// replaced). `progress` is told the number of injections written so far. The same plan gives the same bytes
/// whatever the number of threads.
///
/// # Errors
/// When the plan is outside its ranges, the folder holds something else, or a file cannot be written; the folder is
/// then what it was before.
pub fn write_day(plan: &DayPlan, folder: &Path, progress: &dyn Fn(u64)) -> Result<DaySummary, SimulateError> {
    check_plan(plan)?;
    replace_folder(folder, |staging| write_into(plan, staging, progress))
}

/// Lets `write` fill a new folder and puts it in the place of `folder`, which must be absent, empty or simulated.
pub(crate) fn replace_folder<T>(
    folder: &Path,
    write: impl FnOnce(&Path) -> Result<T, SimulateError>,
) -> Result<T, SimulateError> {
    let (staging, retired) = neighbours(folder)?;
    let replaces = holds_simulated_day(folder)?;
    for leftover in [&staging, &retired] {
        if leftover.exists() {
            fs::remove_dir_all(leftover).map_err(at(leftover))?;
        }
    }
    let written = write(&staging);
    let swapped = written.and_then(|summary| {
        if folder.exists() {
            if replaces {
                fs::rename(folder, &retired).map_err(at(folder))?;
            } else {
                fs::remove_dir(folder).map_err(at(folder))?;
            }
        }
        fs::rename(&staging, folder).map_err(at(folder))?;
        Ok(summary)
    });
    for leftover in [&staging, &retired] {
        if leftover.exists() {
            fs::remove_dir_all(leftover).map_err(at(leftover))?;
        }
    }
    swapped
}

fn check_plan(plan: &DayPlan) -> Result<(), SimulateError> {
    match plan.injections {
        Some(found) if found > MOST_INJECTIONS || found == 0 => Err(SimulateError::OutsideRange {
            what: "number of injections",
            found: found.to_string(),
            expected: "1 to 100 000",
        }),
        _ => Ok(()),
    }
}

pub(crate) fn at(path: &Path) -> impl FnOnce(std::io::Error) -> SimulateError {
    let path = path.to_owned();
    move |source| SimulateError::Io { path, source }
}

/// Folders beside the target for what is being written and for what is being replaced.
fn neighbours(folder: &Path) -> Result<(PathBuf, PathBuf), SimulateError> {
    let without_name = || SimulateError::FolderWithoutName {
        folder: folder.to_owned(),
    };
    let name = folder.file_name().ok_or_else(without_name)?.to_string_lossy();
    let parent = folder.parent().ok_or_else(without_name)?;
    if !parent.as_os_str().is_empty() {
        fs::create_dir_all(parent).map_err(at(parent))?;
    }
    Ok((
        parent.join(format!(".{name}.being-written")),
        parent.join(format!(".{name}.being-replaced")),
    ))
}

/// Whether the folder holds a simulated day. An absent or empty folder does not.
fn holds_simulated_day(folder: &Path) -> Result<bool, SimulateError> {
    if !folder.exists() {
        return Ok(false);
    }
    let mut entries = fs::read_dir(folder).map_err(at(folder))?;
    if entries.next().is_none() {
        return Ok(false);
    }
    if folder.join(MARKER).is_file() {
        return Ok(true);
    }
    Err(SimulateError::FolderInUse {
        folder: folder.to_owned(),
        marker: MARKER,
    })
}

fn write_into(plan: &DayPlan, folder: &Path, progress: &dyn Fn(u64)) -> Result<DaySummary, SimulateError> {
    let traces = folder.join("traces");
    fs::create_dir_all(&traces).map_err(at(&traces))?;
    write_file(&folder.join(MARKER), MARKER_TEXT.as_bytes())?;
    let mut tables = Tables::create(folder)?;
    let runs = plan.runs();
    let several = runs.iter().map(|run| run.panel).collect::<BTreeSet<_>>().len() > 1;
    let mut methods_written = BTreeSet::new();
    let mut truths = Vec::with_capacity(runs.len());
    let mut photographs = Vec::new();
    let studio = (plan.scenario == Scenario::Demo)
        .then(CardStudio::new)
        .transpose()?;
    let mut summary = DaySummary {
        runs: runs.len(),
        injections: 0,
        traces: 0,
        cards: 0,
        faults: 0,
        trace_bytes: 0,
    };
    for run_plan in &runs {
        let run = simulate_run(run_plan)?;
        if methods_written.insert(run_plan.panel) {
            write_method(&run, folder, several)?;
        }
        let truth = run.truth();
        summary.cards += truth.cards as u64;
        summary.faults += truth.faults.len();
        tables.run(&run, &truth)?;
        let places: Vec<usize> = (0..run.len()).collect();
        for batch in places.chunks(BATCH) {
            let written: Vec<(u64, u64)> = batch
                .par_iter()
                .map(|place| write_traces(&run, *place, plan.compression, &traces))
                .collect::<Result<_, _>>()?;
            for (bytes, count) in written {
                summary.trace_bytes += bytes;
                summary.traces += count;
            }
            summary.injections += batch.len() as u64;
            progress(summary.injections);
        }
        if let Some(studio) = &studio {
            photographs.extend(photograph_cards(studio, &run, folder)?);
        }
        truths.push(truth);
    }
    tables.finish()?;
    if !photographs.is_empty() {
        write_photo_truths(&photographs, folder)?;
    }
    let head = TruthHead {
        simulated: true,
        scenario: match plan.scenario {
            Scenario::Demo => "demo",
            Scenario::Clean => "clean",
            Scenario::Scale => "scale",
        },
        seed: plan.seed,
        summary: SummaryTruth {
            runs: summary.runs,
            injections: summary.injections,
            cards: summary.cards,
            faults: summary.faults,
        },
        runs: &truths,
    };
    let mut text = serde_json::to_vec_pretty(&head)?;
    text.push(b'\n');
    write_file(&folder.join("truth.json"), &text)?;
    Ok(summary)
}

fn write_photo_truths(photographs: &[PhotoTruth], folder: &Path) -> Result<(), SimulateError> {
    let truth = folder.join("truth");
    fs::create_dir_all(&truth).map_err(at(&truth))?;
    let mut lines = Vec::new();
    for photograph in photographs {
        serde_json::to_writer(&mut lines, photograph)?;
        lines.push(b'\n');
    }
    write_file(&truth.join("cards.jsonl"), &lines)
}

fn write_method(run: &SimulatedRun, folder: &Path, several: bool) -> Result<(), SimulateError> {
    let path = if several {
        let methods = folder.join("methods");
        fs::create_dir_all(&methods).map_err(at(&methods))?;
        methods.join(format!("{}.toml", run.method().id))
    } else {
        folder.join("method.toml")
    };
    let text = method_file(run.method()).map_err(|_| SimulateError::Io {
        path: path.clone(),
        source: std::io::Error::other("a method could not be put into words"),
    })?;
    write_file(&path, text.as_bytes())
}

/// Writes one trace file; gives its bytes and the number of its traces.
fn write_traces(
    run: &SimulatedRun,
    place: usize,
    compression: Compression,
    folder: &Path,
) -> Result<(u64, u64), SimulateError> {
    let path = folder.join(&run.injection(place).trace_file);
    let traces = run.traces(place);
    // A copied file keeps the head of its original: the bytes are the same.
    let original = run.injection(run.file_source(place));
    let run_id = original.trace_file.trim_end_matches(".mzML");
    let start = original.injected_at.as_deref();
    let mut bytes = encode(&traces, run_id, start, compression).map_err(|error| SimulateError::Io {
        path: path.clone(),
        source: std::io::Error::other(error),
    })?;
    if run.is_truncated(place) {
        bytes.truncate(bytes.len() * 3 / 5);
    }
    write_file(&path, &bytes)?;
    Ok((bytes.len() as u64, traces.len() as u64))
}

fn encode(
    traces: &[spotwright_domain::trace::Trace],
    run_id: &str,
    start: Option<&str>,
    compression: Compression,
) -> Result<Vec<u8>, WriteError> {
    let head = FileHead {
        run_id,
        start_time_stamp: start,
        software: "spotwright simulate",
        software_version: env!("CARGO_PKG_VERSION"),
    };
    let (time, intensity) = (ArrayEncoding::FLOAT_64, ArrayEncoding::FLOAT_32);
    let (time, intensity) = match compression {
        Compression::None => (time, intensity),
        Compression::Zlib => (time.zlib(), intensity.zlib()),
    };
    let options = WriteOptions {
        time,
        intensity,
        time_unit: WriteTimeUnit::Minute,
        indexed: true,
    };
    let mut writer = MzmlWriter::new(Vec::with_capacity(1 << 17), &head, &options, traces.len())?;
    for trace in traces {
        writer.write(&Chromatogram::from(trace))?;
    }
    writer.finish()
}

pub(crate) fn write_file(path: &Path, bytes: &[u8]) -> Result<(), SimulateError> {
    fs::write(path, bytes).map_err(at(path))
}

/// The growing tables of a day.
struct Tables {
    injections: Table,
    requests: Table,
    doses: Table,
    covariates: Table,
    truth: Table,
}

struct Table {
    path: PathBuf,
    out: BufWriter<File>,
}

impl Table {
    fn create(folder: &Path, name: &str) -> Result<Self, SimulateError> {
        let path = folder.join(name);
        let out = BufWriter::with_capacity(1 << 16, File::create(&path).map_err(at(&path))?);
        Ok(Self { path, out })
    }

    fn write(
        &mut self,
        write: impl FnOnce(&mut BufWriter<File>) -> std::io::Result<()>,
    ) -> Result<(), SimulateError> {
        write(&mut self.out).map_err(at(&self.path))
    }

    fn json(&mut self, line: &TruthLine) -> Result<(), SimulateError> {
        let text = serde_json::to_string(line)?;
        self.write(|out| writeln!(out, "{text}"))
    }
}

impl Tables {
    fn create(folder: &Path) -> Result<Self, SimulateError> {
        let mut tables = Self {
            injections: Table::create(folder, "injections.csv")?,
            requests: Table::create(folder, "requests.csv")?,
            doses: Table::create(folder, "doses.csv")?,
            covariates: Table::create(folder, "covariates.csv")?,
            truth: Table::create(folder, "truth.jsonl")?,
        };
        tables
            .injections
            .write(|out| writeln!(out, "{INJECTIONS_HEADER}"))?;
        tables.requests.write(|out| writeln!(out, "{REQUESTS_HEADER}"))?;
        tables.doses.write(|out| writeln!(out, "{DOSES_HEADER}"))?;
        tables
            .covariates
            .write(|out| writeln!(out, "{COVARIATES_HEADER}"))?;
        Ok(tables)
    }

    fn run(&mut self, run: &SimulatedRun, truth: &RunTruth) -> Result<(), SimulateError> {
        let method = run.method().id.to_string();
        for injection in run.injections() {
            self.injections
                .write(|out| write_injection(out, &method, injection))?;
        }
        for request in run.requests()? {
            self.requests.write(|out| write_request(out, &request))?;
        }
        for dose in run.doses()? {
            self.doses.write(|out| write_dose(out, &dose))?;
        }
        for (subject, fact) in run.facts() {
            self.covariates.write(|out| write_fact(out, &subject, &fact))?;
        }
        self.truth.json(&TruthLine::Run(truth.clone()))?;
        for place in 0..run.len() {
            self.truth
                .json(&TruthLine::Injection(run.injection_truth(place)))?;
        }
        Ok(())
    }

    fn finish(mut self) -> Result<(), SimulateError> {
        for table in [
            &mut self.injections,
            &mut self.requests,
            &mut self.doses,
            &mut self.covariates,
            &mut self.truth,
        ] {
            table.write(Write::flush)?;
        }
        Ok(())
    }
}
