//! For tests and benches only: what the program finds, held against simulated truth.
//!
//! The truth comes from a simulator that shares no formula with the code it tests. Agreement shows that the program
//! computes what it says it does, never that a laboratory's method is fit.

pub mod cards;
pub mod comparison;
pub mod faults;
pub mod truth;

use spotwright_simulate::{DayPlan, write_day};
use spotwright_workflow::run::{RunOptions, Silent, run_day};
use std::path::Path;

/// Writes a simulated day into `folder`, runs it without reports and compares it with its truth.
///
/// # Panics
/// When simulating or running fails: a test cannot go on then.
#[must_use]
pub fn simulate_and_compare(plan: &DayPlan, folder: &Path) -> comparison::Comparison {
    write_day(plan, folder, &|_| {}).expect("a simulated day can be written");
    let options = RunOptions {
        without_html: true,
        ..RunOptions::default()
    };
    run_day(folder, &options, &Silent).expect("a simulated day can be run");
    comparison::compare(folder).expect("results and truth can be read")
}
