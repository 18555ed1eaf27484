//! What a computed day leaves behind: `results.json`, `results.csv`, an HTML page a run.

pub(crate) mod csv;
pub(crate) mod folder;
pub(crate) mod json;

use crate::PROGRAM_VERSION;
use crate::error::WorkflowError;
use crate::judged_run::JudgedRun;
use crate::measure::MeasuredInjection;
use crate::run::{RunOptions, file_error};
use crate::spool::Entry;
use folder::PartialFolder;
use json::ResultsJson;
use rayon::prelude::*;
use spotwright_domain::plot::ChromatogramPlot;
use spotwright_domain::record::{InjectionRecord, ResultRecord, RunRecord};
use spotwright_exchange::Day;
use spotwright_report::{
    DayContext, Drawer, DrawnInjection, PageContext, RunLink, RunPage, Shown, index_page,
};
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Injections worked on together when results are written.
const CHUNK: usize = 64;

/// Most injections a thread takes at once, so that none is left with work when the others wait.
const AT_ONCE: usize = 2;

/// Runs up to this many injections show every chromatogram; longer ones show those a person must look at.
const SHOW_ALL_UP_TO: usize = 1000;

/// Everything a day writes.
pub(crate) struct Outputs<'a> {
    partial: &'a PartialFolder,
    day: &'a Day,
    name: &'a str,
    json: ResultsJson<BufWriter<File>>,
    csv: BufWriter<File>,
    html: bool,
    reports: Vec<String>,
}

/// What has been written and is not needed any more. Freeing what another thread allocated, while that one allocates more, makes
/// both wait: texts are written into again, and the first injections stay until the run is done.
#[derive(Default)]
struct Spent {
    texts: Mutex<Vec<Vec<u8>>>,
    injections: Mutex<Vec<(InjectionRecord, Vec<ChromatogramPlot>)>>,
}

/// Most injections that stay.
const MOST_SPENT: usize = 1000;

impl Spent {
    /// An empty text.
    fn text(&self) -> Vec<u8> {
        let mut text = open(&self.texts).pop().unwrap_or_default();
        text.clear();
        text
    }

    fn give_back(&self, text: Vec<u8>) {
        open(&self.texts).push(text);
    }

    fn keep(&self, record: InjectionRecord, plots: Vec<ChromatogramPlot>) {
        let mut injections = open(&self.injections);
        if injections.len() < MOST_SPENT {
            injections.push((record, plots));
        }
    }
}

/// A list nobody reads again cannot have been spoilt by a panic elsewhere.
fn open<T>(list: &Mutex<Vec<T>>) -> MutexGuard<'_, Vec<T>> {
    list.lock().unwrap_or_else(PoisonError::into_inner)
}

/// One injection, ready to be written.
struct Ready {
    json: Vec<u8>,
    csv: Vec<u8>,
    record: InjectionRecord,
    plots: Vec<ChromatogramPlot>,
    /// What a page shows of it, where there is one.
    drawn: Option<DrawnInjection>,
}

impl<'a> Outputs<'a> {
    pub(crate) fn begin(
        partial: &'a PartialFolder,
        day: &'a Day,
        name: &'a str,
        options: &RunOptions,
    ) -> Result<Self, WorkflowError> {
        let json = create(partial, "results.json")?;
        let mut csv = create(partial, "results.csv")?;
        let begun = csv::heading().and_then(|heading| csv.write_all(&heading));
        begun.map_err(|source| file_error(&partial.path("results.csv"), source))?;
        let json = ResultsJson::begin(json, name, day.simulated)
            .map_err(|source| file_error(&partial.path("results.json"), source))?;
        Ok(Self {
            partial,
            day,
            name,
            json,
            csv,
            html: !options.without_html,
            reports: Vec::new(),
        })
    }

    /// Writes a judged run.
    pub(crate) fn run(&mut self, judged: &mut JudgedRun) -> Result<(), WorkflowError> {
        let report = report_name(judged.record.run.as_str(), self.reports.len());
        let path = self.partial.path(&report);
        let written = self.write_run(judged, &path);
        written?;
        self.reports.push(report);
        Ok(())
    }

    fn write_run(&mut self, judged: &mut JudgedRun, report: &Path) -> Result<(), WorkflowError> {
        let trouble = |source| file_error(report, source);
        let mut page = if self.html {
            let file = BufWriter::with_capacity(1 << 18, File::create(report).map_err(trouble)?);
            Some(
                RunPage::begin(file, &self.context(judged), &judged.record, &judged.series())
                    .map_err(trouble)?,
            )
        } else {
            None
        };
        self.json.begin_run(&judged.record).map_err(trouble)?;
        let drawer = page
            .is_some()
            .then(|| Drawer::of(&judged.record, chromatograms_shown(judged)));
        // Nothing needs the evidence after this.
        let mut spool = std::mem::take(&mut judged.measured.spool);
        let positions = spool.len();
        let spent = Spent::default();
        // While a chunk is made ready, the one before it is written.
        let mut before: Vec<Result<Ready, WorkflowError>> = Vec::new();
        for from in (0..positions).step_by(CHUNK) {
            let to = (from + CHUNK).min(positions);
            let entries = spool.take(from, to)?;
            let results = judged.take_results(from..to);
            let judged = &*judged;
            let make = || -> Vec<Result<Ready, WorkflowError>> {
                entries
                    .into_par_iter()
                    .zip(results)
                    .enumerate()
                    .with_max_len(AT_ONCE)
                    .map(|(place, (entry, results))| {
                        ready(judged, from + place, entry, results, drawer.as_ref(), &spent)
                    })
                    .collect()
            };
            let (made, written) =
                rayon::join(make, || self.write_chunk(before, page.as_mut(), report, &spent));
            written?;
            before = made;
        }
        self.write_chunk(before, page.as_mut(), report, &spent)?;
        self.json.end_run().map_err(trouble)?;
        if let Some(page) = page {
            page.finish().map_err(trouble)?;
        }
        Ok(())
    }

    fn write_chunk(
        &mut self,
        chunk: Vec<Result<Ready, WorkflowError>>,
        mut page: Option<&mut RunPage<BufWriter<File>>>,
        report: &Path,
        spent: &Spent,
    ) -> Result<(), WorkflowError> {
        let trouble = |source| file_error(report, source);
        for injection in chunk {
            let Ready {
                json,
                csv,
                record,
                plots,
                drawn,
            } = injection?;
            self.json.injection(&json).map_err(trouble)?;
            self.csv.write_all(&csv).map_err(trouble)?;
            if let (Some(page), Some(drawn)) = (&mut page, drawn) {
                page.injection_drawn(&record, drawn).map_err(trouble)?;
            }
            spent.give_back(json);
            spent.give_back(csv);
            spent.keep(record, plots);
        }
        Ok(())
    }

    fn context<'b>(&'b self, judged: &'b JudgedRun) -> PageContext<'b> {
        PageContext {
            day: self.name,
            method_title: &judged.method.title,
            program_version: PROGRAM_VERSION,
            simulated: self.day.simulated,
            total_injections: judged.record.injections,
            chromatograms_shown: chromatograms_shown(judged),
        }
    }

    /// Closes every file and writes the cover. Gives the names of the runs' reports.
    pub(crate) fn finish(mut self, records: &[RunRecord]) -> Result<Vec<String>, WorkflowError> {
        let json = self.partial.path("results.json");
        self.json.finish().map_err(|source| file_error(&json, source))?;
        self.csv
            .flush()
            .map_err(|source| file_error(&self.partial.path("results.csv"), source))?;
        if !self.html {
            return Ok(Vec::new());
        }
        let context = DayContext {
            day: self.name,
            program_version: PROGRAM_VERSION,
            simulated: self.day.simulated,
        };
        let links: Vec<RunLink<'_>> = records
            .iter()
            .zip(&self.reports)
            .map(|(run, href)| RunLink { run, href })
            .collect();
        let cover = self.partial.path("index.html");
        let written = File::create(&cover).and_then(|file| {
            let mut file = BufWriter::new(file);
            index_page(&mut file, &context, &links)?;
            file.flush()
        });
        written.map_err(|source| file_error(&cover, source))?;
        Ok(self.reports)
    }
}

fn chromatograms_shown(judged: &JudgedRun) -> Shown {
    if judged.measured.injections.len() <= SHOW_ALL_UP_TO {
        Shown::All
    } else {
        Shown::ByException {
            limit: SHOW_ALL_UP_TO,
        }
    }
}

/// `drawer`: `None` without a page.
fn ready(
    judged: &JudgedRun,
    position: usize,
    entry: Entry<MeasuredInjection>,
    results: Option<Vec<ResultRecord>>,
    drawer: Option<&Drawer>,
    spent: &Spent,
) -> Result<Ready, WorkflowError> {
    let (record, plots) = judged.record_of(position, entry.open()?, results);
    let trouble = |source: io::Error| file_error(&PathBuf::from(&record.id), source);
    let json = json::encode(&record, spent.text()).map_err(trouble)?;
    let csv = csv::encode(&record, spent.text()).map_err(trouble)?;
    let drawn = drawer.map(|drawer| drawer.draw(&record, &plots));
    Ok(Ready {
        json,
        csv,
        record,
        plots,
        drawn,
    })
}

fn create(partial: &PartialFolder, name: &str) -> Result<BufWriter<File>, WorkflowError> {
    let path = partial.path(name);
    let file = File::create(&path).map_err(|source| file_error(&path, source))?;
    Ok(BufWriter::with_capacity(1 << 18, file))
}

/// A file name for a run's report: its letters and digits, and its place where another run would have the same.
fn report_name(run: &str, place: usize) -> String {
    let plain: String = run
        .chars()
        .map(|c| {
            if c.is_ascii_alphanumeric() || c == '-' {
                c
            } else {
                '_'
            }
        })
        .collect();
    if plain == run {
        format!("run-{plain}.html")
    } else {
        format!("run-{}-{plain}.html", place + 1)
    }
}
