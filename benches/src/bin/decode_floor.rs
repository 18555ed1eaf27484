//! Measures the floor F on a day folder: base64 and inflating alone, each candidate decoder, one thread. Times are processor times.
#![allow(clippy::print_stdout, reason = "a measuring program speaks on the terminal")]

use clap::Parser;
use spotwright_benches::clock::{Whose, timed};
use spotwright_benches::floor::{agree, decode_and_inflate, decode_only};
use spotwright_benches::inflaters::all;
use spotwright_benches::payload::DayArrays;
use spotwright_benches::spread::Spread;
use spotwright_mzml::{ReadOptions, Scratch, parse_bytes};
use std::hint::black_box;
use std::io;
use std::path::PathBuf;

/// Base64-decode and inflate the arrays of a day, and nothing else.
#[derive(Parser)]
struct Arguments {
    /// The laboratory day
    day: PathBuf,
    /// How often
    #[arg(long, default_value_t = 15)]
    repeats: usize,
}

fn main() -> io::Result<()> {
    let arguments = Arguments::parse();
    let day = DayArrays::of_day(&arguments.day)?;
    println!(
        "{} files, {} arrays, {:.1} MB of files, {:.1} MB of base64, {:.1} MB of numbers\n",
        day.files.len(),
        day.arrays.len(),
        day.file_bytes() as f64 / 1e6,
        day.text_bytes() as f64 / 1e6,
        day.plain_bytes() as f64 / 1e6
    );
    let mut inflaters = all();
    let (first, rest) = inflaters.split_at_mut(1);
    for other in rest {
        agree(&day, first[0].as_mut(), other.as_mut())?;
    }

    // Round by round, so that a slow moment of the machine meets every candidate.
    let mut packed = Vec::new();
    let mut base64_ms = Vec::new();
    let mut reader_ms = Vec::new();
    let mut candidates_ms = vec![Vec::new(); inflaters.len()];
    for _ in 0..arguments.repeats {
        base64_ms.push(processor_ms(|| decode_only(&day, &mut packed))?);
        for (inflater, times) in inflaters.iter_mut().zip(&mut candidates_ms) {
            times.push(processor_ms(|| {
                decode_and_inflate(&day, inflater.as_mut(), &mut packed)
            })?);
        }
        reader_ms.push(processor_ms(|| reader(&day))?);
    }
    println!("| decoders | processor ms, least | median | ns an array | MB/s of numbers |");
    println!("|---|---|---|---|---|");
    row("base64-simd alone", &base64_ms, &day);
    for (inflater, times) in inflaters.iter().zip(&candidates_ms) {
        row(&format!("base64-simd + {}", inflater.name()), times, &day);
    }
    row(
        "the whole reader (spotwright-mzml, files in memory)",
        &reader_ms,
        &day,
    );
    let medians = candidates_ms
        .iter()
        .filter_map(|times| Some(Spread::of(times)?.median));
    let fastest = inflaters.iter().zip(medians).min_by(|a, b| a.1.total_cmp(&b.1));
    if let (Some((inflater, floor)), Some(reader)) = (fastest, Spread::of(&reader_ms)) {
        println!(
            "\nF = {floor:.1} ms ({}); the whole reader {:.2} F",
            inflater.name(),
            reader.median / floor
        );
    }
    Ok(())
}

/// Processor time: the machine may be busy with other things.
fn processor_ms(work: impl FnOnce() -> io::Result<()>) -> io::Result<f64> {
    Ok(timed(Whose::ThisThread, work)?.processor_ms)
}

fn reader(day: &DayArrays) -> io::Result<()> {
    let options = ReadOptions::default();
    let mut scratch = Scratch::default();
    for file in &day.files {
        black_box(parse_bytes(file, &options, &mut scratch).map_err(io::Error::other)?);
    }
    Ok(())
}

fn row(name: &str, times_ms: &[f64], day: &DayArrays) {
    let Some(ms) = Spread::of(times_ms) else { return };
    println!(
        "| {name} | {ms:.1} | {:.0} | {:.0} |",
        ms.median * 1e6 / day.arrays.len() as f64,
        day.plain_bytes() as f64 / 1e3 / ms.median
    );
}
