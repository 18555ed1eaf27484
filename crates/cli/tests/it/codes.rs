//! How the program ends: 0 accepted, 1 the computer failed, 2 usage, 3 rejected, 4 bad input (docs/results.md).

use crate::program::{clean, corpus, demo, run_in, spotwright};
use serde_json::Value;
use std::path::Path;
use std::process::Stdio;

fn json(text: &str) -> Value {
    serde_json::from_str(text).unwrap_or_else(|error| panic!("{error}: {text}"))
}

#[test]
fn the_demonstration_ends_well_and_its_day_does_not() {
    let (folder, said) = demo();
    assert_eq!(said.code, 0, "{}", said.err);
    assert_eq!(said.err, "");
    let elsewhere = tempfile::tempdir().unwrap();
    let out = elsewhere.path().join("out").display().to_string();
    let ended = run_in(folder, &["run", "demo-day", "--out", &out, "--no-html"]);
    assert_eq!(ended.code, 3);
    assert_eq!(ended.err, "");
    assert!(ended.out.contains("rejected"));
    assert!(!Path::new(&out).join("index.html").exists());
}

#[test]
fn a_clean_day_is_accepted_and_quiet_means_silent() {
    let elsewhere = tempfile::tempdir().unwrap();
    let out = elsewhere.path().join("out").display().to_string();
    let ended = run_in(clean(), &["run", "clean-day", "--out", &out, "--quiet"]);
    assert_eq!((ended.code, ended.out.as_str(), ended.err.as_str()), (0, "", ""));
    assert!(Path::new(&out).join("index.html").exists());
}

#[test]
fn json_is_json_and_says_what_the_text_says() {
    let elsewhere = tempfile::tempdir().unwrap();
    let out = elsewhere.path().join("out").display().to_string();
    let ended = run_in(clean(), &["run", "clean-day", "--out", &out, "--json"]);
    assert_eq!(ended.code, 0);
    assert_eq!(ended.err, "");
    let summary = json(&ended.out);
    assert_eq!(summary["any_rejected"], false);
    assert_eq!(summary["simulated"], true);
    assert_eq!(summary["runs"].as_array().unwrap().len(), 1);
    for file in ["results_json", "results_csv"] {
        assert!(Path::new(summary[file].as_str().unwrap()).exists(), "{file}");
    }
    for report in summary["reports"].as_array().unwrap() {
        assert!(Path::new(report.as_str().unwrap()).exists());
    }
}

#[test]
fn results_do_not_depend_on_threads() {
    let elsewhere = tempfile::tempdir().unwrap();
    let results = ["1", "3"].map(|threads| {
        let out = elsewhere.path().join(threads).join("results");
        let ended = run_in(
            clean(),
            &[
                "run",
                "clean-day",
                "--out",
                out.to_str().unwrap(),
                "--quiet",
                "--no-html",
                "--threads",
                threads,
            ],
        );
        assert_eq!(ended.code, 0, "{}", ended.err);
        std::fs::read(out.join("results.json")).unwrap()
    });
    assert!(results[0] == results[1]);
}

#[test]
fn usage_is_two() {
    let folder = tempfile::tempdir().unwrap();
    let wrong: [&[&str]; 8] = [
        &[],
        &["measure"],
        &["run"],
        &["run", "day", "--fast"],
        &["run", "day", "--json", "--quiet"],
        &["run", "day", "--threads", "many"],
        &["traces"],
        &["curve", "table.csv", "--only", "batch"],
    ];
    for arguments in wrong {
        let ended = run_in(folder.path(), arguments);
        assert_eq!(ended.code, 2, "{arguments:?}: {}", ended.err);
        assert_eq!(ended.out, "", "{arguments:?}");
        // A wrong value is told alone; a wrong shape with the right one.
        let helps = ["Usage: spotwright", "For more information, try '--help'."];
        assert!(
            helps.iter().any(|help| ended.err.contains(help)),
            "{arguments:?}: {}",
            ended.err
        );
    }
}

#[test]
fn bad_input_is_four_and_nothing_is_left_behind() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir(folder.path().join("empty")).unwrap();
    std::fs::write(folder.path().join("table.csv"), "x,y\n1,2\n").unwrap();
    let wrong: [&[&str]; 8] = [
        &["run", "no-such-day"],
        &["run", "empty"],
        &["check", "empty"],
        &["explain", "R01/1/tacrolimus"],
        &["explain", "R01/1/tacrolimus", "--day", "empty"],
        &["traces", "no-such-file.mzML"],
        &["curve", "no-such-table.csv"],
        &["curve", "table.csv"],
    ];
    for arguments in wrong {
        let ended = run_in(folder.path(), arguments);
        assert_eq!(ended.code, 4, "{arguments:?}: {}", ended.err);
        assert!(!ended.err.is_empty(), "{arguments:?} says nothing");
    }
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 2);
    assert_eq!(std::fs::read_dir(folder.path().join("empty")).unwrap().count(), 0);
}

#[test]
fn a_place_that_cannot_be_written_is_one() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("a-file");
    std::fs::write(&file, "here").unwrap();
    let below = file.join("results").display().to_string();
    let day = clean().join("clean-day").display().to_string();
    for arguments in [
        vec!["run", &day, "--out", &below],
        vec!["demo", "--out", &below],
        vec!["simulate", "--out", &below],
    ] {
        let ended = run_in(folder.path(), &arguments);
        assert_eq!(ended.code, 1, "{arguments:?}: {}", ended.err);
        assert!(ended.err.contains("a-file"), "{arguments:?}: {}", ended.err);
    }
    assert_eq!(std::fs::read(&file).unwrap(), b"here");
}

#[test]
fn a_folder_of_something_else_is_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let thesis = folder.path().join("thesis");
    std::fs::create_dir(&thesis).unwrap();
    std::fs::write(thesis.join("chapter-1.txt"), "mine").unwrap();
    let day = clean().join("clean-day").display().to_string();
    for arguments in [
        ["run", &day, "--out", "thesis"].as_slice(),
        &["demo", "--out", "thesis"],
    ] {
        let ended = run_in(folder.path(), arguments);
        assert_ne!(ended.code, 0, "{arguments:?}");
        assert!(ended.err.contains("thesis"), "{}", ended.err);
        assert_eq!(std::fs::read_dir(&thesis).unwrap().count(), 1);
    }
}

#[test]
fn check_tells_a_sound_day_from_one_with_a_damaged_file() {
    let ended = run_in(clean(), &["check", "clean-day"]);
    assert_eq!(ended.code, 0, "{}{}", ended.out, ended.err);
    assert!(
        ended
            .out
            .ends_with("This day can be run. Nothing was computed.\n"),
        "{}",
        ended.out
    );
    let found = json(&run_in(clean(), &["check", "clean-day", "--json"]).out);
    assert_eq!(found["usable"], true);
    assert_eq!(found["traces"], json("[]"));

    let (folder, _) = demo();
    let ended = run_in(folder, &["check", "demo-day", "--json"]);
    assert_eq!(ended.code, 4);
    let unusable: Vec<Value> = json(&ended.out)["traces"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|finding| finding["unusable"] == true)
        .cloned()
        .collect();
    assert_eq!(unusable.len(), 1, "{unusable:?}");
}

#[test]
fn explain_finds_the_day_it_stands_in_or_beside() {
    let (folder, _) = demo();
    let name = "R01/20/tacrolimus";
    let beside = run_in(folder, &["explain", name]);
    let inside = run_in(&folder.join("demo-day"), &["explain", name]);
    let named = run_in(
        folder.parent().unwrap(),
        &["explain", name, "--day", "demo/demo-day"],
    );
    assert_eq!(beside.code, 0, "{}", beside.err);
    assert_eq!(beside.out, inside.out);
    assert_eq!(beside.out, named.out);
    let explanation = json(&run_in(folder, &["explain", name, "--json"]).out);
    assert_eq!(explanation["result"], name);
    assert!(explanation["steps"].as_array().unwrap().len() >= 8);
    let unknown = run_in(folder, &["explain", "R01/20/tacrolimuss"]);
    assert_eq!(unknown.code, 4);
    assert!(unknown.err.contains("tacrolimus, ciclosporin"), "{}", unknown.err);
}

#[test]
fn a_closed_pipe_ends_the_program_quietly() {
    let file = corpus("spyogenes_xic_106chrom.mzML");
    let mut child = spotwright(Path::new("."))
        .args(["traces", "--json"])
        .args([&file; 20])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // Nobody reads: the pipe closes while the program still writes.
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    assert_eq!(String::from_utf8_lossy(&output.stderr), "");
}
