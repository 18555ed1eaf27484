//! How often 90 % intervals hold the truth, over thousands of simulated patients of every structure:
//! `cargo run --release -p spotwright-kinetics --example calibration [PATIENTS]`.

#![expect(clippy::print_stdout, reason = "an example prints")]

#[path = "../tests/it/simulated_patients.rs"]
mod simulated_patients;

use simulated_patients::{calibrate, kinds};

fn main() {
    let patients = std::env::args()
        .nth(1)
        .and_then(|n| n.parse().ok())
        .unwrap_or(2000);
    println!(
        "{patients} patients a kind; coverage of 90 % intervals and chi-squared (9 degrees) of the ranks"
    );
    println!("level: concentration later than the data; area: over one later interval");
    for (i, kind) in kinds().iter().enumerate() {
        let found = calibrate(kind, patients, 1000, 7_000 + i as u64);
        println!(
            "{:58} level {:5.1} % (chi2 {:5.1})  area {:5.1} % (chi2 {:5.1})  chains {:3} refused {:3} least effective {:4.0}",
            kind.name,
            found.coverage(0),
            found.chi_squared(0),
            found.coverage(1),
            found.chi_squared(1),
            found.by_chains,
            found.refused,
            found.least_effective
        );
        if found.refused > 0 {
            println!("    refused: {}", found.refusal);
        }
    }
}
