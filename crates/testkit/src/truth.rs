//! Reads `truth.jsonl` and `results.json` side by side; see `docs/truth.md` and `docs/schema/results.schema.json`.

use serde_json::Value;
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, BufRead, BufReader};
use std::path::Path;

/// A day's truth and results.
#[derive(Debug, Default)]
pub struct Day {
    /// Truth of each run.
    pub run_truths: Vec<Value>,
    /// Judgement of each run, without its injections.
    pub run_records: BTreeMap<String, Value>,
    /// Truth and result of each injection, by `run/order`.
    pub injections: BTreeMap<String, (Value, Value)>,
}

/// Reads a day that was simulated and run.
///
/// # Errors
/// When a file is missing or is not what it should be, or when injections differ between truth and results.
pub fn read(folder: &Path) -> io::Result<Day> {
    let mut day = Day::default();
    let mut truths = BTreeMap::new();
    for line in BufReader::new(File::open(folder.join("truth.jsonl"))?).lines() {
        let value: Value = serde_json::from_str(&line?)?;
        if value["kind"] == "run" {
            day.run_truths.push(value);
        } else {
            truths.insert(id(&value), value);
        }
    }
    let results: Value = serde_json::from_reader(BufReader::new(File::open(
        folder.join("results").join("results.json"),
    )?))?;
    for run in list(&results["runs"]) {
        let mut record = run.clone();
        let injections = record["injection_records"].take();
        for injection in list(&injections) {
            let name = id(injection);
            let truth = truths.remove(&name);
            let truth =
                truth.ok_or_else(|| io::Error::other(format!("{name} stands in the results only")))?;
            day.injections.insert(name, (truth, injection.clone()));
        }
        day.run_records.insert(text(&record["run"]).to_owned(), record);
    }
    match truths.keys().next() {
        Some(lost) => Err(io::Error::other(format!("{lost} is missing from the results"))),
        None => Ok(day),
    }
}

/// `run/order`.
#[must_use]
pub fn id(value: &Value) -> String {
    format!("{}/{}", text(&value["run"]), value["order"])
}

/// The text of a value; empty when it is none.
#[must_use]
pub fn text(value: &Value) -> &str {
    value.as_str().unwrap_or_default()
}

/// The entries of a list; empty when it is none.
#[must_use]
pub fn list(value: &Value) -> &[Value] {
    value.as_array().map_or(&[], Vec::as_slice)
}
