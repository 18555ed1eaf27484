//! Limits a person set: used, recorded with the automatic area beside, and told.

use crate::days::{codes, copy_of, demo, injection, injections, list, read_results, result, run};
use serde_json::Value;
use spotwright_mzml::{ReadOptions, Scratch, parse_bytes};
use spotwright_workflow::run::RunOptions;

fn quantifier<'r>(injection: &'r Value, name: &str) -> &'r Value {
    list(&injection["transitions"])
        .iter()
        .find(|transition| transition["name"] == name)
        .unwrap()
}

fn number(of: &Value, key: &str) -> f64 {
    of[key].as_f64().unwrap_or_else(|| panic!("{key} of {of}"))
}

#[test]
fn limits_set_by_hand_are_used_and_the_automatic_area_stays_beside() {
    let day = demo();
    let wanted = |injection: &Value| {
        let peak = quantifier(injection, "tacrolimus");
        injection["role"] == "patient"
            && result(injection, "tacrolimus")["verdict"] == "reportable"
            && peak["outcome"] == "found"
            && number(peak, "signal_to_noise") > 50.0
    };
    let (_, before) = injections(&day.results)
        .find(|(run, injection)| run["run"] == "R01" && wanted(injection))
        .unwrap();
    let id = before["id"].as_str().unwrap();
    let automatic = quantifier(before, "tacrolimus");
    let (start, end) = (
        number(automatic, "start_min") + 0.012,
        number(automatic, "end_min") - 0.03,
    );

    let elsewhere = tempfile::tempdir().unwrap();
    let copy = copy_of(&day.folder, elsewhere.path());
    let order = before["order"].as_u64().unwrap();
    std::fs::write(
        copy.join("manual-limits.csv"),
        format!(
            "run,order,transition,start_min,end_min,reason,person\n\
             R01,{order},tacrolimus,{start},{end},shoulder of a neighbour left out,second reader\n"
        ),
    )
    .unwrap();
    let options = RunOptions {
        without_html: true,
        ..RunOptions::default()
    };
    run(&copy, &options);
    let results = read_results(&copy.join("results"));
    let after = injection(&results, id);
    let manual = quantifier(after, "tacrolimus");
    let how = &manual["integration"]["manual"];
    assert_eq!(how["reason"], "shoulder of a neighbour left out");
    assert_eq!(how["automatic_area_counts_s"], automatic["area_counts_s"]);
    // The record states the first and last recorded point between the limits a person set; points are 0.42 s apart.
    let (first, last) = (number(manual, "start_min"), number(manual, "end_min"));
    assert!(first >= start && first < start + 0.008, "{first} {start}");
    assert!(last <= end && last > end - 0.008, "{last} {end}");
    assert!(codes(result(after, "tacrolimus")).contains(&"manual-integration"));

    // The area again, from the raw points alone: trapezoids between the limits, less the straight line that the record
    // states (trapezoid rule; any textbook of numerical analysis).
    let bytes = std::fs::read(copy.join("traces").join(after["trace_file"].as_str().unwrap())).unwrap();
    let file = parse_bytes(&bytes, &ReadOptions::default(), &mut Scratch::default()).unwrap();
    let trace = file
        .traces
        .iter()
        .find(|trace| {
            let at = |window: Option<spotwright_domain::trace::IsolationWindow>, key| {
                window.is_some_and(|window| (window.target_mz - number(manual, key)).abs() < 0.2)
            };
            at(trace.precursor, "precursor_mz") && at(trace.product, "product_mz")
        })
        .unwrap();
    let line = |time: f64| {
        let (low, high) = (
            number(manual, "baseline_start_counts"),
            number(manual, "baseline_end_counts"),
        );
        low + (high - low) * (time - first) / (last - first)
    };
    let points: Vec<(f64, f64)> = trace
        .time_min
        .iter()
        .zip(&trace.intensity)
        .filter(|(time, _)| **time >= start && **time <= end)
        .map(|(time, counts)| (*time, counts - line(*time)))
        .collect();
    let area: f64 = points
        .windows(2)
        .map(|pair| 30.0 * (pair[1].0 - pair[0].0) * (pair[0].1 + pair[1].1))
        .sum();
    let found = number(manual, "area_counts_s");
    assert!((found / area - 1.0).abs() < 1e-6, "{found} against {area}");
    assert!(
        found < number(automatic, "area_counts_s"),
        "narrower limits hold less"
    );

    // Nobody else's result moves.
    for (_, other) in injections(&results) {
        if other["id"] != id {
            let unchanged = injection(&day.results, other["id"].as_str().unwrap());
            assert_eq!(other["transitions"], unchanged["transitions"], "{}", other["id"]);
        }
    }
}
