//! A copy of a day in which every file has times of its own, as instruments write them that do not keep their clock: each file's
//! times are moved by up to 0.06 s. The numbers are as many and as hard to unpack as before.
#![allow(clippy::print_stdout, reason = "a measuring program speaks on the terminal")]

use clap::Parser;
use spotwright_mzml::{Chromatogram, FileHead, MzmlWriter, ReadOptions, Scratch, WriteOptions, parse_bytes};
use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

/// Furthest that a file's times are moved (µmin).
const FURTHEST: u64 = 1000;

/// Copy a day, with times of its own in every trace file
#[derive(Parser)]
struct Arguments {
    /// The laboratory day
    day: PathBuf,
    /// Folder to make
    #[arg(long)]
    out: PathBuf,
}

fn main() -> io::Result<()> {
    let arguments = Arguments::parse();
    let traces = arguments.out.join("traces");
    fs::create_dir_all(&traces)?;
    for entry in fs::read_dir(&arguments.day)? {
        let entry = entry?;
        if entry.file_type()?.is_file() {
            fs::copy(entry.path(), arguments.out.join(entry.file_name()))?;
        }
    }
    let mut paths: Vec<PathBuf> = fs::read_dir(arguments.day.join("traces"))?
        .map(|entry| entry.map(|entry| entry.path()))
        .collect::<io::Result<_>>()?;
    paths.sort();
    let mut scratch = Scratch::default();
    for (number, path) in paths.iter().enumerate() {
        let name = path.file_name().unwrap_or_default();
        copy(path, &traces.join(name), shift_min(number as u64), &mut scratch)?;
    }
    println!("{} files written", paths.len());
    Ok(())
}

/// Every file's own shift (min), spread over both signs by a multiplier prime to the number of steps.
fn shift_min(number: u64) -> f64 {
    let steps = 2 * FURTHEST + 1;
    ((number + 1) * 709 % steps) as f64 * 1e-6 - FURTHEST as f64 * 1e-6
}

fn copy(from: &Path, to: &Path, shift_min: f64, scratch: &mut Scratch) -> io::Result<()> {
    let read = parse_bytes(&fs::read(from)?, &ReadOptions::default(), scratch).map_err(io::Error::other)?;
    let head = FileHead {
        run_id: read.summary.run_id.as_deref().unwrap_or("run"),
        start_time_stamp: read.summary.start_time_stamp.as_deref(),
        software: "spotwright-benches",
        software_version: env!("CARGO_PKG_VERSION"),
    };
    let options = WriteOptions::default();
    let out = BufWriter::new(File::create(to)?);
    let mut writer = MzmlWriter::new(out, &head, &options, read.traces.len()).map_err(io::Error::other)?;
    for mut trace in read.traces {
        trace.time_min.iter_mut().for_each(|time| *time += shift_min);
        writer
            .write(&Chromatogram::from(&trace))
            .map_err(io::Error::other)?;
    }
    writer.finish().map_err(io::Error::other)?.flush()
}
