//! Measures the program against simulated truth: `cargo run --release -p spotwright-testkit --example accuracy`.
//! Arguments: number of clean runs, number of demo days, first seed (default 20 2 1).
#![allow(clippy::print_stdout, reason = "an example talks on the terminal")]

use spotwright_simulate::DayPlan;
use spotwright_testkit::comparison::{Comparison, bias_pct, coverage_pct, median_absolute_pct};
use spotwright_testkit::simulate_and_compare;

fn main() {
    let numbers: Vec<u64> = std::env::args()
        .skip(1)
        .filter_map(|argument| argument.parse().ok())
        .collect();
    let [clean, demo, seed] = [0, 1, 2].map(|place| numbers.get(place).copied().unwrap_or([20, 2, 1][place]));
    let folder = tempfile::tempdir().unwrap();
    let mut all = Comparison::default();
    for number in 0..clean {
        all.absorb(simulate_and_compare(
            &DayPlan::clean(seed + number),
            &folder.path().join("day"),
        ));
    }
    print("clean runs", &all);
    let mut all = Comparison::default();
    for number in 0..demo {
        let plan = DayPlan {
            seed: seed + number,
            ..DayPlan::demo()
        };
        all.absorb(simulate_and_compare(&plan, &folder.path().join("day")));
    }
    print("demo days", &all);
}

fn print(what: &str, all: &Comparison) {
    println!(
        "== {what}: {} injections, {} patient results",
        all.injections, all.patient_results
    );
    for (name, low, high) in [
        ("S/N 8-13", 8.0, 13.0),
        ("13-50", 13.0, 50.0),
        ("50-1000", 50.0, 1e3),
        ("1000-", 1e3, 1e9),
    ] {
        let of = || {
            all.areas
                .iter()
                .filter(move |area| area.signal_to_noise >= low && area.signal_to_noise < high)
        };
        let (covered, count) = coverage_pct(of());
        println!(
            "areas {name:>9}: n {count:6}, median |error| {:.2} %, bias {:.2} ± {:.2} %, 95 % intervals cover {covered:.1} %",
            median_absolute_pct(of()).unwrap_or(f64::NAN),
            bias_pct(of()).map_or(f64::NAN, |b| b.0),
            bias_pct(of()).map_or(f64::NAN, |b| b.1),
        );
    }
    for (name, low, high) in [
        ("1-1.5 LLOQ", 1.0, 1.5),
        ("1.5-5", 1.5, 5.0),
        ("5-30", 5.0, 30.0),
        ("30-", 30.0, 1e9),
        ("all", 1.0, 1e9),
    ] {
        let of = || {
            all.concentrations
                .iter()
                .filter(move |of| of.over_lloq >= low && of.over_lloq < high)
        };
        let (covered, count) = coverage_pct(of());
        println!(
            "concentrations {name:>10}: n {count:6}, bias {:.2} ± {:.2} %, 95 % intervals cover {covered:.1} %",
            bias_pct(of()).map_or(f64::NAN, |b| b.0),
            bias_pct(of()).map_or(f64::NAN, |b| b.1),
        );
    }
    let missed: Vec<_> = all.faults.iter().filter(|fault| !fault.named).collect();
    println!("faults: {} planted, {} not named", all.faults.len(), missed.len());
    for fault in missed.iter().take(30) {
        println!(
            "  {}: {} at {:?}, expected {}, found {:?}",
            fault.run, fault.fault, fault.orders, fault.expected, fault.found
        );
    }
    for (title, lines) in [
        ("wrong acceptances", &all.wrong_acceptances),
        ("false rejections", &all.false_rejections),
        ("wrong cases", &all.wrong_cases),
        ("comments on clean runs", &all.comments_on_clean_runs),
    ] {
        println!("{title}: {}", lines.len());
        for line in lines.iter().take(12) {
            println!("  {}", line.chars().take(300).collect::<String>());
        }
    }
}
