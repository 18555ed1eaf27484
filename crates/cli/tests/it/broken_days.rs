//! Broken days as a person at a terminal sees them: file, line, the text, what was expected, the nearest valid name.

use crate::program::run_in;
use serde_json::Value;
use std::path::Path;

const FILES: [(&str, &str); 5] = [
    (
        "method.toml",
        include_str!("../../../exchange/tests/tiny-day/method.toml"),
    ),
    (
        "injections.csv",
        include_str!("../../../exchange/tests/tiny-day/injections.csv"),
    ),
    (
        "requests.csv",
        include_str!("../../../exchange/tests/tiny-day/requests.csv"),
    ),
    (
        "doses.csv",
        include_str!("../../../exchange/tests/tiny-day/doses.csv"),
    ),
    (
        "manual-limits.csv",
        include_str!("../../../exchange/tests/tiny-day/manual-limits.csv"),
    ),
];

/// Title, file, text, and what it becomes.
const BROKEN: [(&str, &str, &str, &str); 9] = [
    (
        "a column misspelt",
        "injections.csv",
        "rack_position",
        "Rack Position",
    ),
    (
        "an unknown role",
        "injections.csv",
        "5,05.mzML,calibrator",
        "5,05.mzML,calibrater",
    ),
    ("a trace file missing", "injections.csv", "5,05.mzML", "5,O5.mzML"),
    (
        "a clock without offset",
        "requests.csv",
        "07:40:00+01:00",
        "07:40:00",
    ),
    ("haematocrit in percent", "requests.csv", "0.42", "42"),
    ("a unit of dose", "doses.csv", ",mg,", ",µg,"),
    (
        "an unknown key",
        "method.toml",
        "retention_tolerance_min",
        "retention_tolerence_min",
    ),
    (
        "a number in quotation marks",
        "method.toml",
        "retention_time_min = 1.21",
        "retention_time_min = \"1.21 min\"",
    ),
    (
        "not TOML",
        "method.toml",
        "matrix = \"dried-blood\"",
        "matrix = dried-blood",
    ),
];

fn lay_out(folder: &Path) {
    for (name, text) in FILES {
        std::fs::write(folder.join(name), text).unwrap();
    }
    std::fs::create_dir(folder.join("traces")).unwrap();
    for number in 1..=12 {
        std::fs::write(folder.join(format!("traces/{number:02}.mzML")), "").unwrap();
    }
}

fn broken(file: &str, from: &str, to: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    lay_out(folder.path());
    let (_, text) = FILES.into_iter().find(|(name, _)| *name == file).unwrap();
    assert!(text.contains(from), "{file} holds no {from:?}");
    std::fs::write(folder.path().join(file), text.replacen(from, to, 1)).unwrap();
    folder
}

#[test]
fn the_line_and_the_place_are_shown() {
    let mut screens = String::new();
    for (title, file, from, to) in BROKEN {
        let folder = broken(file, from, to);
        for command in ["check", "run"] {
            let ended = run_in(folder.path(), &[command, "."]);
            assert_eq!(ended.code, 4, "{title}: {}", ended.err);
            assert_eq!(ended.out, "", "{title}");
            if command == "check" {
                screens.push_str(&format!("── {title}\n{}\n", ended.err));
            }
        }
        assert!(
            !folder.path().join("results").exists(),
            "{title}: something was left behind"
        );
    }
    insta::assert_snapshot!("broken_days", screens);
}

#[test]
fn json_gives_the_same_problem_to_a_program() {
    for (title, file, from, to) in BROKEN {
        let folder = broken(file, from, to);
        let ended = run_in(folder.path(), &["check", ".", "--json"]);
        assert_eq!(ended.code, 4, "{title}");
        let found: Value = serde_json::from_str(&ended.out).unwrap();
        assert_eq!(found["usable"], false, "{title}");
        let problem = &found["problems"][0];
        assert_eq!(problem["file"], file, "{title}");
        assert!(problem["line"].is_u64(), "{title}: {problem}");
        for key in ["code", "found", "expected", "message"] {
            assert!(problem[key].is_string(), "{title}: {key} of {problem}");
        }
    }
}

#[test]
fn every_problem_is_told_at_once() {
    let folder = tempfile::tempdir().unwrap();
    lay_out(folder.path());
    for (_, file, from, to) in [BROKEN[1], BROKEN[4], BROKEN[5]] {
        let path = folder.path().join(file);
        let text = std::fs::read_to_string(&path).unwrap();
        std::fs::write(path, text.replacen(from, to, 1)).unwrap();
    }
    let ended = run_in(folder.path(), &["check", "."]);
    assert_eq!(ended.code, 4);
    for file in ["injections.csv", "requests.csv", "doses.csv"] {
        assert!(ended.err.contains(file), "{}", ended.err);
    }
    assert!(
        ended
            .err
            .contains("problems in the day's files: nothing was computed."),
        "{}",
        ended.err
    );
}
