//! A study from its folder to a fitted model, and profiles without a model.

use crate::program::run_in;
use std::path::{Path, PathBuf};

fn study() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/study")
}

fn copied() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for file in ["model.toml", "observations.csv", "covariates.csv"] {
        std::fs::copy(study().join(file), folder.path().join(file)).unwrap();
    }
    folder
}

/// Simulated with CL 4 L/h, V 45 L, ka 2.5 per hour, spreads 0.25 and 0.15.
#[test]
fn a_study_is_estimated_and_its_results_written() {
    let folder = copied();
    let ended = run_in(folder.path(), &["population", "."]);
    assert_eq!(ended.code, 0, "{}", ended.err);
    insta::assert_snapshot!("population", ended.out);
    let results = folder.path().join("results");
    let fitted = std::fs::read_to_string(results.join("fitted.toml")).unwrap();
    assert!(fitted.contains("confidence = \"low\"") && fitted.contains("from 16 persons"));
    let record = std::fs::read_to_string(results.join("population.json")).unwrap();
    let record: serde_json::Value = serde_json::from_str(&record).unwrap();
    let truth = [
        ("cl_70kg", 4.0),
        ("v_70kg", 45.0),
        ("absorption", 2.5),
        ("sd_log CL", 0.25),
        ("sd_log V", 0.15),
    ];
    for (name, value) in truth {
        let estimates = record["estimates"].as_array().unwrap();
        let estimate = estimates
            .iter()
            .find(|estimate| estimate["name"] == name)
            .unwrap();
        let number = |key: &str| estimate[key].as_f64().unwrap();
        assert!(
            (number("value") - value).abs() < 3.0 * number("standard_error"),
            "{estimate}"
        );
    }
    let figure = std::fs::read_to_string(results.join("vpc.svg")).unwrap();
    assert!(figure.starts_with("<svg xmlns") && figure.ends_with("</svg>"));
    // The fitted model starts a study of its own; results are replaced.
    std::fs::copy(results.join("fitted.toml"), folder.path().join("model.toml")).unwrap();
    let again = run_in(
        folder.path(),
        &["population", ".", "--starts", "1", "--simulated-studies", "100"],
    );
    assert_eq!(again.code, 0, "{}", again.err);
}

#[test]
fn profiles_are_analysed_without_a_model() {
    let folder = copied();
    let ended = run_in(folder.path(), &["noncompartmental", "observations.csv"]);
    assert_eq!(ended.code, 0, "{}", ended.err);
    insta::assert_snapshot!("noncompartmental", ended.out);
}

#[test]
fn what_is_wrong_with_a_study_is_said() {
    let folder = copied();
    let path = |file: &str| folder.path().join(file);
    let observations = std::fs::read_to_string(path("observations.csv")).unwrap();
    let said = |file: &str, text: &str| {
        let before = std::fs::read_to_string(path(file)).unwrap();
        std::fs::write(path(file), text).unwrap();
        let ended = run_in(folder.path(), &["population", "."]);
        std::fs::write(path(file), before).unwrap();
        assert_eq!(ended.code, 4, "{}", ended.out);
        assert!(!folder.path().join("results").exists());
        ended.err
    };
    let mut all = String::new();
    all.push_str(&said(
        "observations.csv",
        &observations.replacen("mg,oral", ",oral", 1),
    ));
    all.push_str(&said(
        "observations.csv",
        &observations.replacen("P01,0.5,", "P01,-0.5,", 1),
    ));
    all.push_str(&said(
        "observations.csv",
        &observations.replacen("P01,1.5,", "P01,0.5,", 1),
    ));
    let covariates = std::fs::read_to_string(path("covariates.csv")).unwrap();
    all.push_str(&said(
        "covariates.csv",
        &covariates.replacen("weight_kg", "wieght_kg", 1),
    ));
    let model = std::fs::read_to_string(path("model.toml")).unwrap();
    all.push_str(&said(
        "model.toml",
        &model.replacen("start = 3.0", "start = -3.0", 1),
    ));
    all.push_str(&said(
        "model.toml",
        &model.replacen("dose_unit = \"mg\"", "dose_unti = \"mg\"", 1),
    ));
    insta::assert_snapshot!("broken_studies", all);
}
