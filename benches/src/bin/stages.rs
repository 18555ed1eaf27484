//! Where a run's time goes before anything is judged or written: each stage alone, on one thread, in this
//! process. Times are processor times.
#![allow(clippy::print_stdout, reason = "a measuring program speaks on the terminal")]

use clap::Parser;
use sha1::Sha1;
use sha2::{Digest, Sha256};
use spotwright_benches::clock::{Whose, timed};
use spotwright_benches::floor::decode_and_inflate;
use spotwright_benches::inflaters::all;
use spotwright_benches::payload::DayArrays;
use spotwright_benches::spread::Spread;
use spotwright_chromatogram::{RunReference, learn_reference, match_traces, measure_injection};
use spotwright_domain::injection::SampleRole;
use spotwright_domain::method::{Method, TransitionOf};
use spotwright_domain::trace::Trace;
use spotwright_exchange::{RunList, open_day};
use spotwright_mzml::{ReadOptions, parse_bytes, parse_bytes_wanted};
use std::collections::BTreeMap;
use std::fs::File;
use std::hint::black_box;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

/// Injections a run's reference is learnt from here.
const REFERENCE_INJECTIONS: usize = 24;

/// A name and the work.
type Stage<'a> = (&'static str, Box<dyn FnMut() -> io::Result<()> + 'a>);

/// Time each stage of measuring a day, alone.
#[derive(Parser)]
struct Arguments {
    /// The laboratory day
    day: PathBuf,
    /// How often
    #[arg(long, default_value_t = 15)]
    repeats: usize,
    /// Only the stages with this in their name
    #[arg(long, default_value = "")]
    only: String,
}

fn main() -> io::Result<()> {
    let arguments = Arguments::parse();
    let arrays = DayArrays::of_day(&arguments.day)?;
    let day = open_day(&arguments.day).map_err(|problems| io::Error::other(format!("{problems:?}")))?;
    let runs: Vec<RunList> = day
        .runs()
        .collect::<Result<_, _>>()
        .map_err(|problem| io::Error::other(format!("{problem:?}")))?;
    let traces_folder = day.traces_folder();
    let methods: Vec<&Method> = day.methods.iter().map(|file| &file.method).collect();
    let measured = Measured::new(&traces_folder, &runs, &methods)?;

    let mut packed = Vec::new();
    let mut inflater = all().swap_remove(0);
    let mut buffer = Vec::new();
    let mut mzml = spotwright_mzml::Scratch::default();
    let options = ReadOptions::default();
    let mut stages: Vec<Stage<'_>> = vec![
        (
            "F: base64 and inflate (zune-inflate)",
            Box::new(|| decode_and_inflate(&arrays, inflater.as_mut(), &mut packed).map(|_| ())),
        ),
        (
            "open the day's tables",
            Box::new(|| {
                black_box(open_day(&arguments.day).map_err(|_| io::Error::other("the day changed"))?);
                Ok(())
            }),
        ),
        (
            "read the files",
            Box::new(|| {
                for name in runs
                    .iter()
                    .flat_map(|run| &run.injections)
                    .map(|of| &of.trace_file)
                {
                    buffer.clear();
                    File::open(traces_folder.join(name))?.read_to_end(&mut buffer)?;
                }
                Ok(())
            }),
        ),
        (
            "SHA-256 of the files",
            Box::new(|| {
                arrays.files.iter().for_each(|file| {
                    black_box(Sha256::digest(file));
                });
                Ok(())
            }),
        ),
        (
            "SHA-1 of the files (within reading mzML)",
            Box::new(|| {
                arrays.files.iter().for_each(|file| {
                    black_box(Sha1::digest(file));
                });
                Ok(())
            }),
        ),
        (
            "mzML: structure only",
            Box::new({
                let (mut mzml, options) = (spotwright_mzml::Scratch::default(), options.clone());
                let files = &arrays.files;
                move || {
                    for file in files {
                        black_box(
                            parse_bytes_wanted(file, &options, &|_| false, &mut mzml)
                                .map_err(io::Error::other)?,
                        );
                    }
                    Ok(())
                }
            }),
        ),
        (
            "mzML: all",
            Box::new(|| {
                for file in &arrays.files {
                    black_box(parse_bytes(file, &options, &mut mzml).map_err(io::Error::other)?);
                }
                Ok(())
            }),
        ),
        (
            "learn the run's reference",
            Box::new(|| {
                for run in &measured.runs {
                    black_box(run.learn());
                }
                Ok(())
            }),
        ),
        (
            "match and integrate",
            Box::new(|| {
                measured.runs.iter().for_each(MeasuredRun::measure);
                Ok(())
            }),
        ),
    ];
    stages.retain(|(name, _)| name.contains(&arguments.only));

    let mut times_ms = vec![Vec::new(); stages.len()];
    for _ in 0..arguments.repeats {
        for ((_, stage), times) in stages.iter_mut().zip(&mut times_ms) {
            times.push(timed(Whose::ThisThread, stage)?.processor_ms);
        }
    }
    println!("| stage | processor ms, least | median | × F, median |\n|---|---|---|---|");
    let spreads: Vec<Spread> = times_ms.iter().filter_map(|times| Spread::of(times)).collect();
    for ((name, _), spread) in stages.iter().zip(&spreads) {
        println!(
            "| {name} | {spread:.1} | {:.2} |",
            spread.median / spreads[0].median
        );
    }
    Ok(())
}

/// What integrating needs, in memory.
struct Measured {
    runs: Vec<MeasuredRun>,
}

struct MeasuredRun {
    injections: Vec<Vec<Trace>>,
    /// Places of the calibrators and controls the reference is learnt from.
    learnt_from: Vec<usize>,
    transitions: Vec<TransitionOf>,
    method: Method,
    reference: RunReference,
}

impl Measured {
    fn new(folder: &Path, runs: &[RunList], methods: &[&Method]) -> io::Result<Self> {
        let mut mzml = spotwright_mzml::Scratch::default();
        let mut kept: BTreeMap<&str, Vec<Trace>> = BTreeMap::new();
        for injection in runs.iter().flat_map(|run| &run.injections) {
            let bytes = std::fs::read(folder.join(&injection.trace_file))?;
            let file = parse_bytes(&bytes, &ReadOptions::default(), &mut mzml).map_err(io::Error::other)?;
            kept.insert(&injection.trace_file, file.traces);
        }
        let of_run = |run: &RunList| {
            let traces = |name: &String| kept.get(name.as_str()).cloned().unwrap_or_default();
            let method = methods[run.method].clone();
            let injections: Vec<Vec<Trace>> =
                run.injections.iter().map(|of| traces(&of.trace_file)).collect();
            let of_role =
                |role| (0..run.injections.len()).filter(move |place| run.injections[*place].role == role);
            let learnt_from = of_role(SampleRole::Calibrator)
                .chain(of_role(SampleRole::Control))
                .take(REFERENCE_INJECTIONS);
            let mut run = MeasuredRun {
                learnt_from: learnt_from.collect(),
                transitions: method.transitions(),
                reference: RunReference {
                    transitions: Vec::new(),
                    notes: Vec::new(),
                },
                injections,
                method,
            };
            run.reference = run.learn();
            run
        };
        Ok(Self {
            runs: runs.iter().map(of_run).collect(),
        })
    }
}

impl MeasuredRun {
    fn learn(&self) -> RunReference {
        let slices: Vec<&[Trace]> = self
            .learnt_from
            .iter()
            .map(|place| self.injections[*place].as_slice())
            .collect();
        learn_reference(&slices, &self.transitions, &self.method.integration)
    }

    fn measure(&self) {
        let settings = &self.method.integration;
        let mut scratch = spotwright_chromatogram::Scratch::new();
        for traces in &self.injections {
            let matches = match_traces(traces, &self.transitions, settings.mz_tolerance);
            black_box(measure_injection(
                traces,
                &matches,
                &self.transitions,
                &self.reference,
                settings,
                &[],
                &mut scratch,
            ));
        }
    }
}
