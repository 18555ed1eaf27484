//! Days with damaged files, and days that cannot be run at all.

use crate::days::{codes, copy_of, demo, digests, files, injection, list, read_results, run};
use crate::in_and_out::assert_nothing_lost;
use spotwright_workflow::error::WorkflowError;
use spotwright_workflow::run::{RunOptions, Silent, run_day};
use std::path::Path;

fn only_numbers() -> RunOptions {
    RunOptions {
        without_html: true,
        ..RunOptions::default()
    }
}

#[test]
fn a_damaged_file_is_a_result_with_a_reason_whatever_its_role() {
    let elsewhere = tempfile::tempdir().unwrap();
    let day = demo();
    let copy = copy_of(&day.folder, elsewhere.path());
    let mut harmed = Vec::new();
    let roles = [
        "conditioning",
        "system-suitability",
        "double-blank",
        "zero",
        "calibrator",
        "carry-over-blank",
        "control",
        "dilution-control",
        "patient",
        "incurred-repeat",
    ];
    for (number, role) in roles.into_iter().enumerate() {
        let mut of_role = list(&day.results["runs"][0]["injection_records"]).iter();
        let line = of_role.find(|injection| injection["role"] == role).unwrap();
        let path = copy.join("traces").join(line["trace_file"].as_str().unwrap());
        let bytes = std::fs::read(&path).unwrap();
        let damaged = match number % 4 {
            0 => bytes[..bytes.len() / 2].to_vec(),
            1 => Vec::new(),
            2 => b"PK\x03\x04 this is no trace file".to_vec(),
            _ => [
                &bytes[..bytes.len() / 3],
                &[0_u8; 64],
                &bytes[bytes.len() / 3 + 64..],
            ]
            .concat(),
        };
        std::fs::write(path, damaged).unwrap();
        harmed.push(line["id"].as_str().unwrap());
    }
    run(&copy, &only_numbers());
    let results = read_results(&copy.join("results"));
    assert_nothing_lost(&copy, &results);
    for id in harmed {
        let found = injection(&results, id);
        assert!(codes(found).contains(&"trace-file-unreadable"), "{id}: {found}");
        for transition in list(&found["transitions"]) {
            assert_eq!(transition["outcome"], "not-found", "{id}");
            assert_eq!(transition["reason"], "file-unreadable", "{id}");
        }
        for result in list(&found["results"]) {
            let case = result["concentration"]["case"].as_str().unwrap();
            assert!(
                ["not-computable", "not-applicable"].contains(&case),
                "{id}: {case}"
            );
            let verdict = result["verdict"].as_str().unwrap();
            assert!(
                ["not-reportable", "not-applicable"].contains(&verdict),
                "{id}: {verdict}"
            );
        }
    }
    let run_reasons = codes(&results["runs"][0]);
    assert!(run_reasons.contains(&"trace-file-unreadable"), "{run_reasons:?}");
}

#[test]
fn a_run_leaves_the_raw_day_as_it_was() {
    let elsewhere = tempfile::tempdir().unwrap();
    let copy = copy_of(&demo().folder, elsewhere.path());
    let before = digests(&copy);
    assert!(before.len() > 600);
    run(&copy, &RunOptions::default());
    assert!(copy.join("results/index.html").exists());
    assert!(digests(&copy) == before, "the raw day was changed");
}

#[test]
fn a_day_that_cannot_be_run_leaves_earlier_results_untouched() {
    let elsewhere = tempfile::tempdir().unwrap();
    let copy = copy_of(&demo().folder, elsewhere.path());
    run(&copy, &only_numbers());
    let results = copy.join("results");
    let before = files(&results);
    let list = std::fs::read_to_string(copy.join("injections.csv")).unwrap();
    type Breaks = fn(&Path, &str);
    let breaks: [(&str, Breaks); 3] = [
        ("word-unknown", |copy, list| {
            std::fs::write(
                copy.join("injections.csv"),
                list.replace(",patient,", ",pateint,"),
            )
            .unwrap();
        }),
        ("trace-file-missing", |copy, _| {
            std::fs::remove_file(copy.join("traces/R03-050.mzML")).unwrap();
        }),
        ("file-missing", |copy, _| {
            std::fs::remove_file(copy.join("injections.csv")).unwrap();
        }),
    ];
    for (code, broken) in breaks {
        std::fs::write(copy.join("injections.csv"), &list).unwrap();
        broken(&copy, &list);
        match run_day(&copy, &only_numbers(), &Silent) {
            Err(WorkflowError::Day(problems)) => {
                assert_eq!(problems[0].code.as_str(), code, "{}", problems[0]);
            }
            other => panic!("{code}: {other:?}"),
        }
        assert!(files(&results) == before, "{code}: earlier results were touched");
        let beside: Vec<String> = std::fs::read_dir(&copy)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
            .filter(|name| name.contains("partial") || name.contains("old"))
            .collect();
        assert!(beside.is_empty(), "{code}: left behind {beside:?}");
    }
}

#[test]
fn a_folder_of_something_else_is_never_replaced() {
    let elsewhere = tempfile::tempdir().unwrap();
    let out = elsewhere.path().join("thesis");
    std::fs::create_dir(&out).unwrap();
    std::fs::write(out.join("chapter-1.txt"), "mine").unwrap();
    let options = RunOptions {
        out: Some(out.clone()),
        ..only_numbers()
    };
    let refused = run_day(&demo().folder, &options, &Silent);
    assert!(matches!(refused, Err(WorkflowError::File { .. })), "{refused:?}");
    assert_eq!(files(&out).len(), 1);
    assert_eq!(std::fs::read(out.join("chapter-1.txt")).unwrap(), b"mine");
}
