//! Reading reference files, and agreement in digits.

use std::path::{Path, PathBuf};

/// The workspace root.
pub(crate) fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

pub(crate) fn strd(file: &str) -> String {
    let path = root().join("corpus/strd").join(file);
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// All numbers of a line, words left out; a trailing `.` or `D` exponents do not occur in these files.
pub(crate) fn numbers(line: &str) -> Vec<f64> {
    line.split_whitespace()
        .filter_map(|word| word.parse().ok())
        .collect()
}

/// The number after `label` on the first line that starts with it.
pub(crate) fn labelled(text: &str, label: &str) -> f64 {
    text.lines()
        .filter_map(|line| line.trim_start().strip_prefix(label))
        .find_map(|rest| numbers(rest).first().copied())
        .unwrap_or_else(|| panic!("no line starts with {label}"))
}

/// Rows of numbers from line `from` (1 is the first).
pub(crate) fn rows_from(text: &str, from: usize) -> Vec<Vec<f64>> {
    text.lines()
        .skip(from - 1)
        .map(numbers)
        .filter(|row| !row.is_empty())
        .collect()
}

/// Log relative error: the number of correct significant digits, at most 15 (B. D. `McCullough`, Amer. Statist. 52 (1998)
/// 358-366).
pub(crate) fn digits(found: f64, certified: f64) -> f64 {
    let error = if certified.abs() > 0.0 {
        ((found - certified) / certified).abs()
    } else {
        found.abs()
    };
    if error > 0.0 {
        (-libm::log10(error)).min(15.0)
    } else {
        15.0
    }
}

/// Fewest correct digits over a list.
pub(crate) fn fewest_digits(found: &[f64], certified: &[f64]) -> f64 {
    assert_eq!(found.len(), certified.len(), "lists compared");
    found
        .iter()
        .zip(certified)
        .fold(15.0, |least: f64, (f, c)| least.min(digits(*f, *c)))
}

#[track_caller]
pub(crate) fn assert_digits(what: &str, found: f64, certified: f64, at_least: f64) {
    let reached = digits(found, certified);
    println!("{what}: {found:e}, reference {certified:e}, {reached:.1} digits");
    assert!(
        reached >= at_least,
        "{what}: {found:e} agrees with {certified:e} to {reached:.1} digits, {at_least} asked"
    );
}
