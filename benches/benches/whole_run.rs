//! A whole day in this process: 100 injections of 12 transitions from files on disk to written results, one thread.
//!
//! `cargo bench -p spotwright-benches`; the items a second are injections.

use divan::Bencher;
use divan::counter::ItemsCount;
use spotwright_simulate::{DayPlan, write_day};
use spotwright_workflow::run::{RunOptions, Silent, run_day};

const INJECTIONS: u64 = 100;

fn main() {
    divan::main();
}

#[divan::bench(args = [true, false], sample_count = 30)]
fn run_a_day(bencher: Bencher, html: bool) {
    let scratch = tempfile::tempdir().unwrap();
    let day = scratch.path().join("day");
    write_day(&DayPlan::scale(1, INJECTIONS), &day, &|_| ()).unwrap();
    let options = RunOptions {
        out: Some(scratch.path().join("results")),
        threads: Some(1),
        without_html: !html,
    };
    bencher
        .counter(ItemsCount::new(INJECTIONS))
        .bench_local(|| run_day(&day, &options, &Silent).unwrap());
}
