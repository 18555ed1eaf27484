//! Planted faults, and whether the program named them.

use crate::truth::{Day, list, text};
use serde_json::Value;
use std::collections::BTreeSet;

/// A planted fault and what became of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FaultOutcome {
    /// The run.
    pub run: String,
    /// The fault's word.
    pub fault: String,
    /// Where.
    pub orders: Vec<u64>,
    /// The reason that must be given.
    pub expected: String,
    /// Whether it was, at the fault's place: in an injection it meets, or for the run, analyte or internal standard.
    pub named: bool,
    /// The reasons given there.
    pub found: Vec<String>,
}

pub(crate) fn of_run(day: &Day, truth: &Value) -> Vec<FaultOutcome> {
    list(&truth["faults"])
        .iter()
        .map(|fault| outcome(day, truth, fault))
        .collect()
}

fn outcome(day: &Day, truth: &Value, fault: &Value) -> FaultOutcome {
    let run = text(&truth["run"]);
    let record = &day.run_records[run];
    let orders: Vec<u64> = list(&fault["orders"]).iter().filter_map(Value::as_u64).collect();
    let mut found: BTreeSet<String> = BTreeSet::new();
    for order in &orders {
        if let Some((_, injection)) = day.injections.get(&format!("{run}/{order}")) {
            found.extend(codes(injection));
            for result in list(&injection["results"]) {
                let about = &fault["analyte"];
                if about.is_null() || *about == result["analyte"] {
                    found.extend(codes(result));
                }
            }
        }
    }
    found.extend(codes(record));
    for group in list(&record["analytes"])
        .iter()
        .chain(list(&record["internal_standards"]))
    {
        let about = &fault["analyte"];
        if about.is_null() || group["analyte"].is_null() || group["analyte"] == *about {
            found.extend(codes(group));
        }
    }
    let expected = text(&fault["expected_reasons"][0]).to_owned();
    FaultOutcome {
        run: run.to_owned(),
        fault: text(&fault["fault"]).to_owned(),
        orders,
        named: found.contains(&expected),
        expected,
        found: found.into_iter().collect(),
    }
}

fn codes(of: &Value) -> Vec<String> {
    list(&of["reasons"])
        .iter()
        .map(|reason| text(&reason["code"]).to_owned())
        .collect()
}
