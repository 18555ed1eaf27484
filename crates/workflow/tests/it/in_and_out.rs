//! Nothing is dropped: every line of the injection list comes out once, with a result for every analyte.

use crate::days::{demo, injections, list, rows};
use serde_json::Value;
use spotwright_exchange::open_method;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Holds results against the day's own tables.
pub(crate) fn assert_nothing_lost(folder: &Path, results: &Value) {
    let mut listed: BTreeMap<String, BTreeMap<String, String>> = rows(&folder.join("injections.csv"))
        .into_iter()
        .map(|row| (format!("{}/{}", row["run"], row["order"]), row))
        .collect();
    let lines = listed.len();
    let mut found = 0;
    let mut names = BTreeSet::new();
    for (run, injection) in injections(results) {
        let id = injection["id"].as_str().unwrap();
        let row = listed
            .remove(id)
            .unwrap_or_else(|| panic!("{id} stands in the results twice, or not in the list"));
        for key in ["trace_file", "role"] {
            assert_eq!(injection[key].as_str(), Some(row[key].as_str()), "{id} {key}");
        }
        for key in ["level", "card"] {
            assert_eq!(injection[key].as_str().unwrap_or(""), row[key], "{id} {key}");
        }
        let method = folder.join("methods").join(format!("{}.toml", row["method"]));
        let method = open_method(&method).unwrap().method;
        let analytes: Vec<&str> = method.analytes.iter().map(|of| of.name.as_str()).collect();
        let got: Vec<&str> = list(&injection["results"])
            .iter()
            .map(|result| result["analyte"].as_str().unwrap())
            .collect();
        assert_eq!(got, analytes, "{id}");
        assert_eq!(
            list(&injection["transitions"]).len(),
            method.transitions().len(),
            "{id}"
        );
        for result in list(&injection["results"]) {
            assert!(names.insert(result["id"].as_str().unwrap().to_owned()));
        }
        assert_eq!(run["run"], injection["run"]);
        found += 1;
    }
    assert!(
        listed.is_empty(),
        "not in the results: {:?}",
        listed.keys().collect::<Vec<_>>()
    );
    assert_eq!(found, lines);
    for run in list(&results["runs"]) {
        let injections = list(&run["injection_records"]).len() as u64;
        assert_eq!(run["injections"].as_u64(), Some(injections));
        let roles: u64 = list(&run["roles"])
            .iter()
            .map(|role| role[1].as_u64().unwrap())
            .sum();
        assert_eq!(roles, injections);
    }
}

#[test]
fn every_line_of_the_list_comes_out_once_with_a_result_for_every_analyte() {
    let day = demo();
    assert_nothing_lost(&day.folder, &day.results);
}

#[test]
fn the_table_holds_what_the_json_holds() {
    let day = demo();
    let table = rows(&day.folder.join("results/results.csv"));
    let results: Vec<(&Value, &Value)> = injections(&day.results)
        .flat_map(|(_, injection)| {
            list(&injection["results"])
                .iter()
                .map(move |result| (injection, result))
        })
        .collect();
    assert_eq!(table.len(), results.len());
    for (row, (injection, result)) in table.iter().zip(results) {
        assert_eq!(row["result"], result["id"].as_str().unwrap());
        assert_eq!(row["role"], injection["role"].as_str().unwrap());
        assert_eq!(row["case"], result["concentration"]["case"].as_str().unwrap());
        assert_eq!(row["verdict"], result["verdict"].as_str().unwrap());
        assert_eq!(row["next_step"], result["next_step"].as_str().unwrap());
        // The shortest text that reads back to the same double: nothing is rounded on the way.
        let number = |text: &str| text.parse::<f64>().ok();
        // What must not be reported has no number in the table; the JSON keeps it beside its reasons.
        let held_back = row["verdict"] == "not-reportable";
        let value = result["concentration"]["value"].as_f64().filter(|_| !held_back);
        assert_eq!(number(&row["value"]), value);
        assert_eq!(number(&row["area_ratio"]), result["area_ratio"].as_f64());
        assert_eq!(
            row["reasons"].split_whitespace().collect::<Vec<_>>(),
            crate::days::codes(result)
        );
    }
}

/// Cases that hold a number hold a finite one; the others hold none (no quiet numbers).
#[test]
fn no_number_is_quiet() {
    for (_, injection) in injections(&demo().results) {
        for result in list(&injection["results"]) {
            let concentration = &result["concentration"];
            let keys: Vec<&str> = concentration
                .as_object()
                .unwrap()
                .keys()
                .map(String::as_str)
                .collect();
            match concentration["case"].as_str().unwrap() {
                "measured" => {
                    let number = |value: &Value| value.as_f64().unwrap();
                    let value = number(&concentration["value"]);
                    let u = number(&concentration["standard_uncertainty"]);
                    let (low, high) = (
                        number(&concentration["interval_95"][0]),
                        number(&concentration["interval_95"][1]),
                    );
                    assert!(value > 0.0 && u > 0.0 && low < value && value < high, "{result}");
                }
                "below-lloq" => assert!(concentration["lloq"].as_f64().unwrap() > 0.0),
                "above-uloq" => assert!(concentration["uloq"].as_f64().unwrap() > 0.0),
                "not-computable" | "not-applicable" => assert_eq!(keys, ["case"]),
                other => panic!("unknown case {other}"),
            }
            if result["verdict"] == "not-reportable" {
                assert!(!list(&result["reasons"]).is_empty(), "{result}");
            }
        }
    }
}
