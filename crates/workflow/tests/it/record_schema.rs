//! `results.json` is what its published schema says, and `docs/results.md` lists what it may hold.

use crate::days::demo;
use crate::schema::problems;
use serde_json::{Value, json};
use spotwright_domain::conversion::ConversionCode;
use spotwright_domain::reason::ReasonCode;
use std::collections::BTreeSet;

const SCHEMA: &str = include_str!("../../../../docs/schema/results.schema.json");
const PAGE: &str = include_str!("../../../../docs/results.md");

fn schema() -> Value {
    serde_json::from_str(SCHEMA).unwrap()
}

#[test]
fn results_are_what_the_schema_says() {
    let found = problems(&schema(), &demo().results);
    assert!(
        found.is_empty(),
        "{} problems, first {:?}",
        found.len(),
        &found[..found.len().min(3)]
    );
}

/// The schema must be able to say no: one change each, at places the demo day has.
#[test]
fn the_schema_refuses_what_is_not_so() {
    let schema = schema();
    let whole = &demo().results;
    let mut small = whole.clone();
    small["runs"] = json!([whole["runs"][0]]);
    small["runs"][0]["injection_records"] = json!([whole["runs"][0]["injection_records"][60]]);
    assert_eq!(problems(&schema, &small), Vec::<String>::new());
    let changes: [(&str, Value); 9] = [
        ("/schema", json!("spotwright-results/2")),
        ("/runs/0/acceptance", json!("perhaps")),
        ("/runs/0/analytes/0/unit", json!("ug/dL")),
        ("/runs/0/method_sha256", json!("25fb")),
        ("/runs/0/roles/0", json!(["conditioning"])),
        ("/runs/0/injection_records/0/order", json!(0)),
        (
            "/runs/0/injection_records/0/results/0/concentration",
            json!({"case": "measured"}),
        ),
        (
            "/runs/0/injection_records/0/results/0/concentration",
            json!({"case": "not-computable", "value": 1.0}),
        ),
        (
            "/runs/0/injection_records/0/transitions/0/outcome",
            json!("maybe"),
        ),
    ];
    for (place, value) in changes {
        let mut changed = small.clone();
        *changed.pointer_mut(place).unwrap() = value;
        assert!(!problems(&schema, &changed).is_empty(), "{place} was not refused");
    }
    for place in [
        "/runs/0",
        "/runs/0/injection_records/0",
        "/runs/0/injection_records/0/transitions/0",
    ] {
        let keys: Vec<String> = small
            .pointer(place)
            .unwrap()
            .as_object()
            .unwrap()
            .keys()
            .cloned()
            .collect();
        for key in keys {
            let mut changed = small.clone();
            changed
                .pointer_mut(place)
                .unwrap()
                .as_object_mut()
                .unwrap()
                .remove(&key);
            assert!(
                !problems(&schema, &changed).is_empty(),
                "{place} without {key} was not refused"
            );
        }
        let mut changed = small.clone();
        changed.pointer_mut(place).unwrap()["surprise"] = json!(1);
        assert!(
            !problems(&schema, &changed).is_empty(),
            "a surprise in {place} was not refused"
        );
    }
}

/// Words in the first cell of each row of the table between two marks.
fn listed(name: &str) -> Vec<String> {
    let page = PAGE.replace('\r', "");
    let begin = format!("<!-- {name}: begin -->\n");
    let (_, rest) = page
        .split_once(&begin)
        .unwrap_or_else(|| panic!("no table {name}"));
    let (table, _) = rest.split_once(&format!("<!-- {name}: end -->")).unwrap();
    table
        .lines()
        .filter_map(|line| line.strip_prefix("| `")?.split('`').next().map(str::to_owned))
        .collect()
}

fn words(schema: &Value, definition: &str) -> Vec<String> {
    schema["$defs"][definition]["enum"]
        .as_array()
        .unwrap()
        .iter()
        .map(|word| word.as_str().unwrap().to_owned())
        .collect()
}

#[test]
fn page_and_schema_list_every_reason() {
    let all: Vec<&str> = ReasonCode::ALL.iter().map(|code| code.as_str()).collect();
    let as_set = |words: &[String]| words.iter().cloned().collect::<BTreeSet<String>>();
    let expected: BTreeSet<String> = all.iter().map(|code| (*code).to_owned()).collect();
    for (what, found) in [
        ("docs/results.md", listed("reasons")),
        ("the schema", words(&schema(), "reasonCode")),
    ] {
        let set = as_set(&found);
        let lacking: Vec<&String> = expected.difference(&set).collect();
        let beyond: Vec<&String> = set.difference(&expected).collect();
        assert!(
            lacking.is_empty() && beyond.is_empty(),
            "{what} lacks {lacking:?} and has {beyond:?}"
        );
        assert_eq!(found.len(), all.len(), "{what} lists one twice");
    }
}

#[test]
fn the_page_lists_the_words_of_the_schema() {
    let schema = schema();
    for (table, definition) in [
        ("acceptances", "acceptance"),
        ("verdicts", "verdict"),
        ("next steps", "nextStep"),
        ("severities", "severity"),
    ] {
        assert_eq!(listed(table), words(&schema, definition), "{table}");
    }
    let cases: Vec<String> = schema["$defs"]["concentration"]["oneOf"]
        .as_array()
        .unwrap()
        .iter()
        .map(|case| case["properties"]["case"]["const"].as_str().unwrap().to_owned())
        .collect();
    assert_eq!(listed("cases"), cases);
    let cases: Vec<String> = schema["$defs"]["convertedCase"]["oneOf"]
        .as_array()
        .unwrap()
        .iter()
        .map(|case| case["properties"]["case"]["const"].as_str().unwrap().to_owned())
        .collect();
    assert_eq!(listed("converted cases"), cases);
    let codes: Vec<String> = ConversionCode::ALL
        .iter()
        .map(|code| code.as_str().to_owned())
        .collect();
    assert_eq!(listed("conversion codes"), codes);
    assert_eq!(words(&schema, "conversionCode"), codes);
}

#[test]
fn the_page_lists_the_columns_of_the_table() {
    let table = std::fs::read_to_string(demo().folder.join("results/results.csv")).unwrap();
    let columns: Vec<String> = table
        .lines()
        .next()
        .unwrap()
        .split(',')
        .map(str::to_owned)
        .collect();
    assert_eq!(listed("columns"), columns);
}

/// Rules given with a reason in the demo day stand in that reason's row of the page.
#[test]
fn the_page_names_the_rules_that_are_given() {
    fn walk(value: &Value, given: &mut BTreeSet<(String, String)>) {
        match value {
            Value::Object(map) => {
                if let (Some(code), Some(rule)) = (map.get("code"), map.get("rule")) {
                    given.insert((
                        code.as_str().unwrap().to_owned(),
                        rule.as_str().unwrap().to_owned(),
                    ));
                }
                map.values().for_each(|inner| walk(inner, given));
            }
            Value::Array(list) => list.iter().for_each(|inner| walk(inner, given)),
            _ => {}
        }
    }
    let mut given = BTreeSet::new();
    walk(&demo().results, &mut given);
    assert!(given.len() > 25);
    for (code, rule) in given {
        let row = PAGE
            .lines()
            .find(|line| line.starts_with(&format!("| `{code}` |")))
            .unwrap_or_else(|| panic!("no row for {code}"));
        let rules = row.split('|').nth(2).unwrap();
        assert!(
            rules.split(',').any(|known| known.trim() == rule),
            "{code} is given with {rule}; the page says {rules}"
        );
    }
}
