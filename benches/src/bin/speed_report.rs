//! Measures the whole program against the floor F, its scaling to two threads, and its largest memory.
#![allow(clippy::print_stdout, reason = "a measuring program speaks on the terminal")]

use clap::Parser;
use spotwright_benches::child::{peak_memory_mb, time};
use spotwright_benches::clock::{Took, Whose, timed};
use spotwright_benches::floor::decode_and_inflate;
use spotwright_benches::inflaters::{Inflater, all};
use spotwright_benches::payload::DayArrays;
use spotwright_benches::spread::Spread;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::{env, fs, io};

/// Exit codes of a finished run: accepted, or computed and rejected.
const FINISHED: [i32; 2] = [0, 3];

/// `spotwright run` on a simulated day of 12 transitions an injection, against decoding alone.
#[derive(Parser)]
struct Arguments {
    /// The program [default: spotwright beside this one]
    #[arg(long)]
    program: Option<PathBuf>,
    /// Injections of the timed day
    #[arg(long, default_value_t = 500)]
    injections: u64,
    /// Paired repeats: floor, run, floor, run, …
    #[arg(long, default_value_t = 11)]
    repeats: usize,
    /// Days on which one thread is set against two, by their number of injections; `0` for none
    #[arg(long, value_delimiter = ',', default_values_t = [500, 5_000])]
    scaling: Vec<u64>,
    /// Days whose memory is measured, by their number of injections; `0` for none
    #[arg(long, value_delimiter = ',', default_values_t = [500, 5_000, 50_000])]
    memory: Vec<u64>,
    /// A Python that has what baselines/requirements.txt names: the baseline scripts are timed too
    #[arg(long)]
    python: Option<PathBuf>,
    /// Where days are made (50 000 injections need about 4 GB) [default: the system's temporary folder]
    #[arg(long)]
    scratch: Option<PathBuf>,
}

fn main() -> io::Result<()> {
    let arguments = Arguments::parse();
    let program = match arguments.program {
        Some(program) => program,
        None => beside_this_one()?,
    };
    let scratch = match &arguments.scratch {
        Some(folder) => tempfile::tempdir_in(folder)?,
        None => tempfile::tempdir()?,
    };
    let bench = Bench {
        program,
        results: scratch.path().join("results"),
    };

    let day = scratch.path().join("day");
    bench.simulate(&day, arguments.injections)?;
    println!("{}, {} injections\n", machine(), arguments.injections);
    against_floor(&bench, &day, arguments.repeats, arguments.python.as_deref())?;
    fs::remove_dir_all(&day)?;

    if arguments.scaling.iter().any(|count| *count > 0) {
        println!(
            "\n| injections, wall ms | one thread, least | two threads, least | of these | median of pairs |\n\
             |---|---|---|---|---|"
        );
    }
    for count in arguments.scaling.into_iter().filter(|count| *count > 0) {
        bench.simulate(&day, count)?;
        // Longer days need fewer repeats.
        let repeats = arguments
            .repeats
            .min(usize::try_from(30_000 / count).unwrap_or(1).max(1));
        scaling(&bench, &day, count, repeats)?;
        fs::remove_dir_all(&day)?;
    }

    if arguments.memory.iter().any(|count| *count > 0) {
        println!("\n| injections | threads | largest resident memory, MB |\n|---|---|---|");
    }
    for count in arguments.memory.into_iter().filter(|count| *count > 0) {
        bench.simulate(&day, count)?;
        for threads in [1, 2] {
            bench.clear_results()?;
            let megabytes = peak_memory_mb(&mut bench.run(&day, threads, true), &FINISHED)?;
            println!("| {count} | {threads} | {megabytes:.0} |");
        }
        fs::remove_dir_all(&day)?;
    }
    Ok(())
}

/// The program under measurement and where its results go.
struct Bench {
    program: PathBuf,
    results: PathBuf,
}

impl Bench {
    fn simulate(&self, day: &Path, injections: u64) -> io::Result<()> {
        let mut command = Command::new(&self.program);
        command.args([
            "simulate",
            "--scenario",
            "scale",
            "--injections",
            &injections.to_string(),
            "--out",
        ]);
        time(command.arg(day), &[0]).map(|_| ())
    }

    fn run(&self, day: &Path, threads: usize, html: bool) -> Command {
        let mut command = Command::new(&self.program);
        command.arg("run").arg(day).arg("--out").arg(&self.results);
        command.args(["--quiet", "--threads", &threads.to_string()]);
        if !html {
            command.arg("--no-html");
        }
        command
    }

    fn timed_run(&self, day: &Path, threads: usize, html: bool) -> io::Result<Took> {
        self.clear_results()?;
        time(&mut self.run(day, threads, html), &FINISHED)
    }

    fn clear_results(&self) -> io::Result<()> {
        if self.results.exists() {
            fs::remove_dir_all(&self.results)
        } else {
            Ok(())
        }
    }
}

/// Each repeat: the floor, a run with HTML, a run without. Ratios are taken within a repeat, so that a slow moment
/// of the machine meets both sides.
fn against_floor(bench: &Bench, day: &Path, repeats: usize, python: Option<&Path>) -> io::Result<()> {
    let arrays = DayArrays::of_day(day)?;
    let mut packed = Vec::new();
    let mut inflater = fastest(&arrays, &mut packed)?;
    bench.timed_run(day, 1, true)?;
    let (mut floor, mut whole, mut bare) = (Vec::new(), Vec::new(), Vec::new());
    for _ in 0..repeats {
        floor.push(timed(Whose::ThisThread, || {
            decode_and_inflate(&arrays, inflater.as_mut(), &mut packed)
        })?);
        whole.push(bench.timed_run(day, 1, true)?);
        bare.push(bench.timed_run(day, 1, false)?);
    }
    println!(
        "| one thread | wall ms, least | × F | median × F | processor ms, least | × F | median × F |\n\
         |---|---|---|---|---|---|---|"
    );
    row(&format!("F: base64-simd + {}", inflater.name()), &floor, &floor);
    row("spotwright run", &whole, &floor);
    row("spotwright run --no-html", &bare, &floor);
    for script in ["lxml_scipy.py", "pyteomics_scipy.py"] {
        if let Some(python) = python {
            let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("baselines");
            let mut command = Command::new(python);
            let command = command.arg("-B").arg(folder.join(script)).arg(day);
            row(
                &format!("baselines/{script}, once"),
                &[time(command, &[0])?],
                &floor,
            );
        }
    }
    Ok(())
}

/// A line of the table; where something was timed once it is set against the floor's median.
fn row(name: &str, took: &[Took], floor: &[Took]) {
    let cells = |of: fn(&Took) -> f64| {
        let times: Vec<f64> = took.iter().map(of).collect();
        let floors: Vec<f64> = floor.iter().map(of).collect();
        let (time, floor) = (Spread::of(&times)?, Spread::of(&floors)?);
        let ratios: Vec<f64> = if times.len() == floors.len() {
            times
                .iter()
                .zip(&floors)
                .map(|(time, floor)| time / floor)
                .collect()
        } else {
            times.iter().map(|time| time / floor.median).collect()
        };
        let ratio = Spread::of(&ratios)?;
        Some(format!(
            "{:.1} | {:.2} | {:.2}",
            time.least,
            time.least / floor.least,
            ratio.median
        ))
    };
    if let (Some(wall), Some(processor)) = (cells(|took| took.wall_ms), cells(|took| took.processor_ms)) {
        println!("| {name} | {wall} | {processor} |");
    }
}

/// The inflater that costs least on these arrays (least of three rounds).
fn fastest(arrays: &DayArrays, packed: &mut Vec<u8>) -> io::Result<Box<dyn Inflater>> {
    let mut best: Option<(f64, Box<dyn Inflater>)> = None;
    for mut inflater in all() {
        let mut least_ms = f64::INFINITY;
        for _ in 0..3 {
            let took = timed(Whose::ThisThread, || {
                decode_and_inflate(arrays, inflater.as_mut(), packed)
            })?;
            least_ms = least_ms.min(took.processor_ms);
        }
        if best.as_ref().is_none_or(|(least, _)| least_ms < *least) {
            best = Some((least_ms, inflater));
        }
    }
    best.map(|(_, inflater)| inflater)
        .ok_or_else(|| io::Error::other("no inflater"))
}

fn scaling(bench: &Bench, day: &Path, injections: u64, repeats: usize) -> io::Result<()> {
    for (name, html) in [("spotwright run", true), ("spotwright run --no-html", false)] {
        let (mut one_ms, mut two_ms) = (Vec::new(), Vec::new());
        for _ in 0..repeats {
            one_ms.push(bench.timed_run(day, 1, html)?.wall_ms);
            two_ms.push(bench.timed_run(day, 2, html)?.wall_ms);
        }
        let ratios: Vec<f64> = one_ms.iter().zip(&two_ms).map(|(one, two)| one / two).collect();
        if let (Some(one), Some(two), Some(ratio)) =
            (Spread::of(&one_ms), Spread::of(&two_ms), Spread::of(&ratios))
        {
            let (one, two) = (one.least, two.least);
            println!(
                "| {injections}, {name} | {one:.1} | {two:.1} | {:.2} | {:.2} |",
                one / two,
                ratio.median
            );
        }
    }
    Ok(())
}

fn beside_this_one() -> io::Result<PathBuf> {
    let program = env::current_exe()?.with_file_name(format!("spotwright{}", env::consts::EXE_SUFFIX));
    if program.is_file() {
        return Ok(program);
    }
    let found = program.display();
    Err(io::Error::other(format!(
        "{found} is not there: build it with cargo build --release -p spotwright"
    )))
}

fn machine() -> String {
    let cores = std::thread::available_parallelism().map_or(0, std::num::NonZero::get);
    format!("{cores} cores, {} {}", env::consts::ARCH, env::consts::OS)
}
