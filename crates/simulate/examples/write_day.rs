//! Writes a simulated day: `cargo run --release -p spotwright-simulate --example write_day -- demo FOLDER`, or
//! `clean SEED FOLDER`, or `scale INJECTIONS FOLDER`.
#![allow(clippy::print_stdout, reason = "an example speaks to whoever runs it")]

use spotwright_simulate::{DayPlan, write_day};
use std::path::Path;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    let (plan, folder) = match words.as_slice() {
        ["demo", folder] => (DayPlan::demo(), *folder),
        ["clean", seed, folder] => (DayPlan::clean(seed.parse()?), *folder),
        ["scale", injections, folder] => (DayPlan::scale(1, injections.parse()?), *folder),
        _ => return Err("expected: demo FOLDER | clean SEED FOLDER | scale INJECTIONS FOLDER".into()),
    };
    let start = std::time::Instant::now();
    let summary = write_day(&plan, Path::new(folder), &|_| ())?;
    println!("{summary:?} in {:.2} s", start.elapsed().as_secs_f64());
    Ok(())
}
