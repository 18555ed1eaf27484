//! Simulated days that tests share, and small edits of copies.

use serde_json::Value;
use sha2::{Digest, Sha256};
use spotwright_simulate::{DayPlan, write_day};
use spotwright_workflow::error::WorkflowError;
use spotwright_workflow::run::{DayOutcome, RunOptions, Silent, run_day};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// A simulated demo day and what became of it.
pub(crate) struct DemoDay {
    /// The day; its results stand in `results` in it.
    pub(crate) folder: PathBuf,
    /// `results.json`.
    pub(crate) results: Value,
}

/// The demo day, made and run once for all tests of this binary. Tests only read it.
pub(crate) fn demo() -> &'static DemoDay {
    static DAY: OnceLock<DemoDay> = OnceLock::new();
    DAY.get_or_init(|| {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("workflow/demo-day");
        write_day(&DayPlan::demo(), &folder, &|_| {}).unwrap();
        run(&folder, &RunOptions::default());
        let results = read_results(&folder.join("results"));
        DemoDay { folder, results }
    })
}

/// Runs a day that can be run.
pub(crate) fn run(folder: &Path, options: &RunOptions) -> DayOutcome {
    match run_day(folder, options, &Silent) {
        Ok(done) => done,
        Err(WorkflowError::Day(problems)) => panic!("{} problems, first: {}", problems.len(), problems[0]),
        Err(error) => panic!("{error}"),
    }
}

/// A copy of a day without its results, for a test that changes it.
pub(crate) fn copy_of(day: &Path, into: &Path) -> PathBuf {
    let copy = into.join(day.file_name().unwrap());
    for (name, bytes) in files(day) {
        if name.starts_with("results/") {
            continue;
        }
        let path = copy.join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    }
    copy
}

/// Every file below a folder, by its path with `/`.
pub(crate) fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    fn walk(folder: &Path, prefix: &str, into: &mut BTreeMap<String, Vec<u8>>) {
        for entry in std::fs::read_dir(folder).unwrap() {
            let entry = entry.unwrap();
            let name = format!("{prefix}{}", entry.file_name().to_string_lossy());
            if entry.path().is_dir() {
                walk(&entry.path(), &format!("{name}/"), into);
            } else {
                into.insert(name, std::fs::read(entry.path()).unwrap());
            }
        }
    }
    let mut found = BTreeMap::new();
    walk(folder, "", &mut found);
    found
}

/// SHA-256 of every file below a folder outside `results/`.
pub(crate) fn digests(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let raw = files(folder).into_iter();
    raw.filter(|(name, _)| !name.starts_with("results/"))
        .map(|(name, bytes)| (name, Sha256::digest(bytes).to_vec()))
        .collect()
}

pub(crate) fn read_results(folder: &Path) -> Value {
    serde_json::from_slice(&std::fs::read(folder.join("results.json")).unwrap()).unwrap()
}

pub(crate) fn list(value: &Value) -> &[Value] {
    value.as_array().unwrap_or_else(|| panic!("a list, not {value}"))
}

/// Every injection of `results.json` with the run it belongs to.
pub(crate) fn injections(results: &Value) -> impl Iterator<Item = (&Value, &Value)> {
    list(&results["runs"]).iter().flat_map(|run| {
        list(&run["injection_records"])
            .iter()
            .map(move |injection| (run, injection))
    })
}

/// One injection by its id.
pub(crate) fn injection<'r>(results: &'r Value, id: &str) -> &'r Value {
    injections(results)
        .map(|(_, injection)| injection)
        .find(|injection| injection["id"] == id)
        .unwrap_or_else(|| panic!("{id} is not in the results"))
}

/// The result of one analyte of an injection.
pub(crate) fn result<'r>(injection: &'r Value, analyte: &str) -> &'r Value {
    let mut results = list(&injection["results"]).iter();
    results.find(|result| result["analyte"] == analyte).unwrap()
}

/// Codes of a record's reasons.
pub(crate) fn codes(of: &Value) -> Vec<&str> {
    list(&of["reasons"])
        .iter()
        .map(|reason| reason["code"].as_str().unwrap())
        .collect()
}

/// The rows of a CSV table, by column name.
pub(crate) fn rows(path: &Path) -> Vec<BTreeMap<String, String>> {
    csv::Reader::from_path(path)
        .unwrap()
        .deserialize()
        .map(Result::unwrap)
        .collect()
}
