//! Incurred repeats whose original stands in an earlier run. ICH M10 (2022), section 5: repeat minus original,
//! against their mean, at most 20 %.

use crate::days::{codes, list, read_results, result, rows, run};
use serde_json::Value;
use spotwright_simulate::{DayPlan, write_day};
use spotwright_workflow::explain::explain;
use spotwright_workflow::run::RunOptions;
use std::collections::BTreeMap;
use std::path::Path;

const HEADER: [&str; 13] = [
    "run",
    "order",
    "method",
    "trace_file",
    "role",
    "level",
    "card",
    "spot",
    "dilution_factor",
    "rack_position",
    "injected_at",
    "repeat_of",
    "repeat_reason",
];

fn write(path: &Path, rows: &[BTreeMap<String, String>]) {
    let columns: Vec<&str> = HEADER
        .into_iter()
        .filter(|column| rows[0].contains_key(*column))
        .collect();
    assert_eq!(columns.len(), rows[0].len(), "{:?}", rows[0].keys());
    let mut writer = csv::Writer::from_path(path).unwrap();
    writer.write_record(&columns).unwrap();
    for row in rows {
        writer
            .write_record(columns.iter().map(|column| row[*column].as_str()))
            .unwrap();
    }
    writer.flush().unwrap();
}

fn value(result: &Value) -> f64 {
    result["concentration"]["value"]
        .as_f64()
        .unwrap_or_else(|| panic!("{result}"))
}

#[test]
fn a_repeat_is_held_against_its_original_in_the_run_before() {
    let elsewhere = tempfile::tempdir().unwrap();
    let day = elsewhere.path().join("two-runs");
    // Two runs of one method.
    write_day(&DayPlan::scale(11, 502), &day, &|_| {}).unwrap();
    let options = RunOptions {
        without_html: true,
        ..RunOptions::default()
    };
    run(&day, &options);
    let first = read_results(&day.join("results"));
    let runs: Vec<&str> = list(&first["runs"])
        .iter()
        .map(|run| run["run"].as_str().unwrap())
        .collect();
    let [one, two] = runs[..] else {
        panic!("two runs, not {runs:?}")
    };

    // In the first run: a card whose tacrolimus was measured, well within range.
    let original = list(&first["runs"][0]["injection_records"])
        .iter()
        .find(|injection| {
            let result = result(injection, "tacrolimus");
            injection["role"] == "patient"
                && result["verdict"] == "reportable"
                && result["concentration"]["case"] == "measured"
        })
        .unwrap();
    let original_id = original["id"].as_str().unwrap();
    let x = value(result(original, "tacrolimus"));
    // In the second run: two lines of people's samples become repeats of that card. One gets the original's trace (the
    // same extract in the next run), the other keeps its own trace, whose concentration differs a lot.
    let mut lines = rows(&day.join("injections.csv"));
    let repeated: Vec<String> = lines.iter().map(|line| line["repeat_of"].clone()).collect();
    let far = |injection: &&Value| {
        if repeated.iter().any(|id| injection["id"] == id.as_str()) {
            return false;
        }
        let found = result(injection, "tacrolimus")["concentration"]["value"].as_f64();
        injection["role"] == "patient" && found.is_some_and(|y| y > 1.6 * x || y < x / 1.6)
    };
    let mut second = list(&first["runs"][1]["injection_records"]).iter().filter(far);
    let (agrees, differs) = (second.next().unwrap(), second.next().unwrap());
    let source = original["trace_file"].as_str().unwrap();
    let target = agrees["trace_file"].as_str().unwrap();
    std::fs::copy(day.join("traces").join(source), day.join("traces").join(target)).unwrap();
    for (injection, spot) in [(agrees, "2"), (differs, "3")] {
        let order = injection["order"].to_string();
        let line = lines
            .iter_mut()
            .find(|line| line["run"] == two && line["order"] == order)
            .unwrap();
        for (column, text) in [
            ("role", "incurred-repeat"),
            ("card", original["card"].as_str().unwrap()),
            ("spot", spot),
            ("dilution_factor", "1"),
            ("repeat_of", original_id),
            ("repeat_reason", ""),
        ] {
            *line.get_mut(column).unwrap() = text.to_owned();
        }
    }
    write(&day.join("injections.csv"), &lines);

    run(&day, &options);
    let results = read_results(&day.join("results"));
    assert_eq!(
        value(result(
            crate::days::injection(&results, original_id),
            "tacrolimus"
        ))
        .to_bits(),
        x.to_bits(),
        "run {one} does not depend on run {two}"
    );
    for (injection, agree) in [(agrees, true), (differs, false)] {
        let id = injection["id"].as_str().unwrap();
        let repeat = crate::days::injection(&results, id);
        assert_eq!(repeat["repeat_of"], original_id);
        let found = result(repeat, "tacrolimus");
        let y = value(found);
        let difference = 100.0 * (y - x) / (0.5 * (x + y));
        assert_eq!(difference.abs() <= 20.0, agree, "{x} {y}");
        assert_eq!(
            !codes(found).contains(&"incurred-repeat-disagrees"),
            agree,
            "{found}"
        );
        if let Some(reason) = list(&found["reasons"])
            .iter()
            .find(|reason| reason["code"] == "incurred-repeat-disagrees")
        {
            assert_eq!(reason["rule"], "M10-37");
            assert!((reason["limit"].as_f64().unwrap() - 20.0).abs() < 1e-12);
            let measured = reason["measured"].as_f64().unwrap();
            assert!(
                (measured.abs() - difference.abs()).abs() < 1e-9,
                "{measured} {difference}"
            );
        }
        // The derivation knows the earlier run as well.
        let explained = explain(&day, found["id"].as_str().unwrap()).unwrap();
        assert_eq!(serde_json::to_value(&explained.record).unwrap(), *found);
    }
}
