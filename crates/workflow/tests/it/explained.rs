//! `explain` computes again from raw bytes and must come to what `results.json` holds.

use crate::days::{demo, injections, list};
use serde_json::Value;
use spotwright_domain::injection::SampleRole;
use spotwright_workflow::error::WorkflowError;
use spotwright_workflow::explain::{Explanation, explain};

fn explained(id: &str) -> Explanation {
    explain(&demo().folder, id).unwrap_or_else(|error| panic!("{id}: {error}"))
}

fn agree(result: &Value) -> Explanation {
    let id = result["id"].as_str().unwrap();
    let explanation = explained(id);
    assert_eq!(explanation.result, id);
    assert_eq!(
        serde_json::to_value(&explanation.record).unwrap(),
        *result,
        "{id}"
    );
    let mut steps = explanation.steps.iter();
    let verdict = steps.find(|step| step.title == "The verdict").unwrap();
    for reason in list(&result["reasons"]) {
        let (code, rule) = (reason["code"].as_str().unwrap(), reason["rule"].as_str().unwrap());
        let mark = format!("[{code}; {rule}]");
        let told = verdict.lines.iter().filter(|line| line.ends_with(&mark)).count();
        assert!(told >= 1, "{id}: {mark} is not told in {:?}", verdict.lines);
    }
    let mut lines = verdict.lines.clone();
    lines.sort();
    lines.dedup();
    assert_eq!(lines.len(), verdict.lines.len(), "{id}: a reason is told twice");
    explanation
}

#[test]
fn a_result_of_every_role_is_explained_as_it_was_judged() {
    let results = &demo().results;
    for role in SampleRole::ALL {
        let mut of_role = injections(results).filter(|(_, injection)| injection["role"] == role.as_str());
        let (_, injection) = of_role.next().unwrap_or_else(|| panic!("no {}", role.as_str()));
        for result in list(&injection["results"]).iter().take(2) {
            agree(result);
        }
    }
}

#[test]
fn what_cannot_be_measured_is_explained_too() {
    let results = &demo().results;
    for code in [
        "trace-file-unreadable",
        "trace-missing",
        "internal-standard-absent",
        "peak-missing",
    ] {
        let mut with = injections(results).flat_map(|(_, injection)| list(&injection["results"]));
        let result =
            with.find(|result| result["role"] == "patient" && crate::days::codes(result).contains(&code));
        let explanation = agree(result.unwrap_or_else(|| panic!("no patient's result with {code}")));
        let text = format!("{:?}", explanation.steps);
        assert!(text.contains(code), "{text}");
    }
}

#[test]
fn a_measured_result_s_steps_lead_to_its_number() {
    let mut patients = injections(&demo().results)
        .filter(|(_, injection)| injection["role"] == "patient")
        .flat_map(|(_, injection)| list(&injection["results"]));
    let result = patients.find(|result| result["verdict"] == "reportable").unwrap();
    let explanation = agree(result);
    let titles: Vec<&str> = explanation.steps.iter().map(|step| step.title.as_str()).collect();
    assert_eq!(
        titles,
        [
            "The sample",
            "The internal standard's peak",
            "The analyte's peak",
            "The area ratio",
            "The curve",
            "Read back from the curve",
            "Its uncertainty",
            "Its identity",
            "The run",
            "The verdict",
            "On the scale of the target range",
        ]
    );
    // The steps by hand: ratio over the curve, from the run's own coefficients.
    let run = list(&demo().results["runs"])
        .iter()
        .find(|run| {
            result["id"]
                .as_str()
                .unwrap()
                .starts_with(run["run"].as_str().unwrap())
        })
        .unwrap();
    let analyte = list(&run["analytes"])
        .iter()
        .find(|of| of["analyte"] == result["analyte"])
        .unwrap();
    let calibration = &analyte["calibration"];
    assert_eq!(calibration["model"], "linear");
    let c = |k: usize| calibration["coefficients"][k].as_f64().unwrap();
    let by_hand = (result["area_ratio"].as_f64().unwrap() - c(0)) / c(1);
    let found = result["concentration"]["value"].as_f64().unwrap();
    assert!((found / by_hand - 1.0).abs() < 1e-12, "{found} {by_hand}");
    // GUM (JCGM 100:2008), equation 10 for independent terms: squares of the budget add up.
    let squares: f64 = list(&result["budget"])
        .iter()
        .map(|term| term["standard_uncertainty"].as_f64().unwrap())
        .map(|u| u * u)
        .sum();
    let u = result["concentration"]["standard_uncertainty"].as_f64().unwrap();
    assert!((squares.sqrt() / u - 1.0).abs() < 1e-9, "{} {u}", squares.sqrt());
}

#[test]
fn a_result_that_is_not_there_is_refused_with_the_names_there_are() {
    for (name, hint) in [
        ("R09/1/tacrolimus", "R01, R02, R03, R04, R05"),
        ("R01/999/tacrolimus", "120 injections"),
        ("R01/20/tacrolimuss", "tacrolimus, ciclosporin"),
        ("R01/20", "run/order/analyte"),
    ] {
        let refused = explain(&demo().folder, name).unwrap_err();
        assert!(matches!(refused, WorkflowError::NoSuchResult { .. }));
        let text = refused.to_string();
        assert!(text.contains(name) && text.contains(hint), "{text}");
    }
}
