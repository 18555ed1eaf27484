//! Reading reference files, and agreement.

use serde_json::Value;
use std::path::{Path, PathBuf};

/// The workspace root.
pub(crate) fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// A file of reference values.
pub(crate) fn reference(file: &str) -> Value {
    let path = root().join("corpus/pk-checks").join(file);
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    serde_json::from_str(&text).unwrap()
}

/// Open data that may not be copied here. Says so when it is absent.
#[allow(clippy::print_stdout, reason = "a skipped test says so")]
pub(crate) fn shared(file: &str) -> Option<String> {
    let text = std::fs::read_to_string(root().join("../shared/data/pk").join(file)).ok();
    if text.is_none() {
        println!("skipped: shared data {file} is not beside the repository");
    }
    text
}

/// Rows of a CSV table as text, quotes removed; the first row holds the names.
pub(crate) fn rows(csv: &str) -> Vec<Vec<String>> {
    csv.lines()
        .map(|line| {
            line.split(',')
                .map(|cell| cell.trim_matches('"').to_owned())
                .collect()
        })
        .collect()
}

/// Numbers of an array.
pub(crate) fn numbers(value: &Value) -> Vec<f64> {
    let list = value.as_array().unwrap();
    list.iter().map(|number| number.as_f64().unwrap()).collect()
}

/// Asserts agreement to a relative tolerance.
#[track_caller]
pub(crate) fn close(what: &str, found: f64, expected: f64, relative: f64) {
    assert!(
        (found - expected).abs() <= relative * expected.abs(),
        "{what}: found {found}, expected {expected}"
    );
}
