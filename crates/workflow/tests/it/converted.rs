//! Conversions of a whole day: what is converted, what is refused, and that tables, records and explanations agree.

use crate::days::demo;
use serde_json::Value;
use spotwright_workflow::explain::explain;
use std::collections::{BTreeMap, BTreeSet};

fn results() -> impl Iterator<Item = &'static Value> {
    demo().results["runs"]
        .as_array()
        .unwrap()
        .iter()
        .flat_map(|run| run["injection_records"].as_array().unwrap())
        .flat_map(|injection| injection["results"].as_array().unwrap())
}

/// SAFE-01 (rejected run released, wrong matrix): no path from a result that must not be reported to a converted value.
#[test]
fn only_what_may_be_reported_is_converted() {
    let mut outcomes: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for result in results() {
        let reportable = matches!(
            result["verdict"].as_str().unwrap(),
            "reportable" | "reportable-with-comment"
        );
        let conversion = &result["conversion"];
        if !reportable || result["role"] != "patient" {
            assert!(conversion.is_null(), "{}", result["id"]);
            continue;
        }
        if conversion.is_null() {
            // Neither a conversion nor a range in the method.
            assert!(matches!(
                result["analyte"].as_str().unwrap(),
                "ivermectin" | "albendazole-sulfoxide"
            ));
            continue;
        }
        let kind = conversion["outcome"]["kind"].as_str().unwrap();
        outcomes
            .entry(result["analyte"].as_str().unwrap().to_owned())
            .or_default()
            .insert(kind.to_owned());
        if kind == "converted" {
            assert_ne!(conversion["matrix_reported"], "dried-blood");
            assert_eq!(conversion["matrix_reported"], conversion["target"]["matrix"]);
        } else {
            assert_eq!(conversion["matrix_reported"], "dried-blood");
            assert!(conversion["outcome"]["refusal"]["lift"].as_str().unwrap().len() > 10);
        }
        // Value and range in one unit.
        assert_eq!(conversion["target"]["unit"], result["unit"]);
    }
    // Spot and plasma of vancomycin do not predict one another (J Chromatogr B 2020;1137:121897).
    assert_eq!(outcomes["vancomycin"], BTreeSet::from(["refused".to_owned()]));
    assert_eq!(
        outcomes["dolutegravir"],
        BTreeSet::from(["measured-only".to_owned()])
    );
    for analyte in ["tacrolimus", "efavirenz", "amikacin", "lamotrigine"] {
        assert!(outcomes[analyte].contains("converted"), "{analyte}");
    }
}

/// Efavirenz by hand, from each record's own haematocrit: C/(1 − H)·0.995 (Kromdijk 2012).
#[test]
fn values_and_limits_follow_from_the_record() {
    let mut seen = 0;
    for result in results().filter(|result| result["analyte"] == "efavirenz") {
        let conversion = &result["conversion"];
        let Some(value) = conversion["outcome"]["concentration"]["value"].as_f64() else {
            continue;
        };
        let measured = result["concentration"]["value"].as_f64().unwrap();
        let h = conversion["haematocrit"]["value"].as_f64().unwrap();
        assert!((value / (measured / (1.0 - h) * 0.995) - 1.0).abs() < 1e-12);
        let ends = &conversion["outcome"]["concentration"]["interval_95"];
        assert!(ends[0].as_f64().unwrap() < value && value < ends[1].as_f64().unwrap());
        let sources: Vec<&str> = conversion["budget"]
            .as_array()
            .unwrap()
            .iter()
            .map(|term| term["source"].as_str().unwrap())
            .collect();
        assert_eq!(
            sources,
            ["measurement", "haematocrit", "fraction-bound", "residual"]
        );
        // The run's limits move with the person.
        let range = conversion["lloq"].as_f64().unwrap()..=conversion["uloq"].as_f64().unwrap();
        assert!(range.contains(&value));
        seen += 1;
    }
    assert!(seen > 5, "{seen}");
}

#[test]
fn the_table_holds_the_same_values_as_the_records() {
    let table = std::fs::read_to_string(demo().folder.join("results/results.csv")).unwrap();
    let mut reader = csv::Reader::from_reader(table.as_bytes());
    let columns = reader.headers().unwrap().clone();
    let place = |name: &str| columns.iter().position(|column| column == name).unwrap();
    let (id, case, value) = (place("result"), place("reported_case"), place("reported_value"));
    let of: BTreeMap<&str, &Value> = results()
        .map(|result| (result["id"].as_str().unwrap(), result))
        .collect();
    for row in reader.records() {
        let row = row.unwrap();
        let conversion = &of[&row[id]]["conversion"];
        let expected = &conversion["outcome"]["concentration"]["value"];
        if conversion.is_null() {
            assert_eq!(&row[case], "");
        }
        match (expected.as_f64(), &row[case]) {
            (Some(expected), "measured") => {
                assert_eq!(row[value].parse::<f64>().unwrap().to_bits(), expected.to_bits());
            }
            _ => assert_eq!(&row[value], ""),
        }
    }
}

#[test]
fn an_explanation_ends_on_the_scale_of_the_range() {
    let result = results()
        .find(|result| {
            result["analyte"] == "efavirenz" && result["conversion"]["outcome"]["kind"] == "converted"
        })
        .unwrap();
    let explained = explain(&demo().folder, result["id"].as_str().unwrap()).unwrap();
    let step = explained.steps.last().unwrap();
    assert_eq!(step.title, "On the scale of the target range");
    let text = step.lines.join("\n");
    for word in [
        "efavirenz-spot-to-plasma",
        "Haematocrit",
        "plasma-fraction",
        "Target: level 1 to 4 mg/L",
    ] {
        assert!(text.contains(word), "{word} in {text}");
    }
    assert_eq!(
        serde_json::to_value(&explained.record.conversion).unwrap(),
        result["conversion"]
    );
}
