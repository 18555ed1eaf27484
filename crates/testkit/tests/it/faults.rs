//! Every planted fault is named; nothing sound is rejected.

use crate::runs::{clean, demo, one_fault_each};
use spotwright_simulate::Fault;
use spotwright_testkit::comparison::Comparison;
use std::collections::BTreeSet;

fn all() -> [(&'static str, &'static Comparison); 3] {
    [
        ("clean runs", clean()),
        ("demo days", demo()),
        ("one fault each", one_fault_each()),
    ]
}

#[test]
fn every_planted_fault_is_named() {
    for (what, comparison) in [("demo days", demo()), ("one fault each", one_fault_each())] {
        let missed: Vec<String> = comparison
            .faults
            .iter()
            .filter(|fault| !fault.named)
            .map(|fault| {
                format!(
                    "{} {} at {:?}: expected {}, found {:?}",
                    fault.run, fault.fault, fault.orders, fault.expected, fault.found
                )
            })
            .collect();
        assert!(
            missed.is_empty(),
            "{what}: {} of {} faults not named:\n{}",
            missed.len(),
            comparison.faults.len(),
            missed.join("\n")
        );
    }
    let known: BTreeSet<&str> = Fault::one_of_each().iter().map(|fault| fault.kind()).collect();
    let planted: BTreeSet<&str> = one_fault_each()
        .faults
        .iter()
        .map(|fault| fault.fault.as_str())
        .collect();
    assert_eq!(planted, known);
}

#[test]
fn nothing_sound_is_rejected() {
    for (what, comparison) in all() {
        assert!(
            comparison.patient_results > 500,
            "{what}: {}",
            comparison.patient_results
        );
        // ICH M10 3.3.1 (M10-26): where the dilution controls fail, which one of these runs has planted, samples diluted
        // by that factor are measured again, sound as they may be.
        let rejected: Vec<&str> = comparison
            .false_rejections
            .iter()
            .map(String::as_str)
            .filter(|line| !(what == "one fault each" && line.contains("\"dilution-control-fails\"")))
            .collect();
        assert!(
            rejected.is_empty(),
            "{what}: {}:\n{}",
            rejected.len(),
            rejected.join("\n")
        );
    }
}

#[test]
fn runs_are_accepted_and_rejected_as_they_should_be() {
    for (what, comparison) in all() {
        let wrong = &comparison.wrong_acceptances;
        assert!(wrong.is_empty(), "{what}: {}:\n{}", wrong.len(), wrong.join("\n"));
    }
}

#[test]
fn named_cases_are_the_right_ones() {
    for (what, comparison) in all() {
        let wrong = &comparison.wrong_cases;
        assert!(wrong.is_empty(), "{what}: {}:\n{}", wrong.len(), wrong.join("\n"));
    }
}
