//! The documents say what the program does.

use crate::broken_days;
use serde_json::Value;
use spotwright_domain::card::{PhotoLimits, SpotLimits};
use spotwright_domain::method::{IntegrationSettings, Limits};
use spotwright_exchange::{FormatWarningCode, LIMIT_RULES, METHOD_TABLES, open_method};
use std::collections::BTreeSet;

const FORMATS: &str = include_str!("../../../../docs/formats.md");
const SCHEMA: &str = include_str!("../../../../docs/schema/method.schema.json");

/// Tests read the page with LF line ends, however it was checked out.
fn formats() -> String {
    FORMATS.replace('\r', "")
}

#[test]
fn the_page_shows_every_broken_day_in_these_words() {
    let page = formats();
    let (_, rest) = page.split_once("<!-- broken days: begin -->\n").unwrap();
    let (table, _) = rest.split_once("<!-- broken days: end -->").unwrap();
    let fresh = broken_days::table();
    let differs = table
        .lines()
        .zip(fresh.lines())
        .find(|(page, fresh)| page != fresh);
    assert!(
        table == fresh,
        "docs/formats.md differs from the program, first here: {differs:#?}\n\
         Put the output of `cargo run -p spotwright-exchange --example bad_input_table` between the marks."
    );
    assert!(broken_days::all().len() >= 36);
}

#[test]
fn the_page_lists_every_limit_with_default_and_rule() {
    let page = formats();
    let rows: Vec<Vec<&str>> = page
        .lines()
        .filter(|line| line.starts_with("| `") && line.contains('.'))
        .map(|line| line.split('|').map(str::trim).skip(1).take(3).collect())
        .collect();
    for (name, default) in Limits::default().entries() {
        let group = name.split('.').next().unwrap();
        let rule = LIMIT_RULES.iter().find(|(of, _)| *of == group).unwrap().1;
        let row = [format!("`{name}`"), default.to_string(), rule.to_owned()];
        assert!(
            rows.iter().any(|found| found[..] == row),
            "docs/formats.md lacks {row:?}"
        );
    }
}

#[test]
fn the_page_lists_every_integration_setting_with_its_default() {
    let page = formats();
    let Value::Object(settings) = serde_json::to_value(IntegrationSettings::default()).unwrap() else {
        panic!("settings are a table")
    };
    for (key, default) in settings {
        let default = default
            .as_f64()
            .map_or("none".to_owned(), |number| number.to_string());
        let row = format!("| `{key}` | {default} |");
        assert!(page.contains(&row), "docs/formats.md lacks {row}");
    }
}

#[test]
fn the_page_lists_every_warning() {
    let page = formats();
    for code in FormatWarningCode::ALL {
        assert!(
            page.contains(&format!("| `{code}` |")),
            "docs/formats.md lacks {code}"
        );
    }
}

#[test]
fn the_page_s_example_method_is_a_method() {
    let page = formats();
    let (_, rest) = page.split_once("```toml\n").unwrap();
    let (example, _) = rest.split_once("```").unwrap();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("method.toml");
    std::fs::write(&path, example).unwrap();
    let file = open_method(&path).unwrap_or_else(|problems| panic!("{}", problems[0]));
    assert_eq!(file.method.id.as_str(), "immunosuppressants");
}

fn schema() -> Value {
    serde_json::from_str(SCHEMA).unwrap()
}

/// The part of the schema for a table, by its dotted path.
fn table<'s>(schema: &'s Value, path: &str) -> &'s Value {
    path.split('.')
        .filter(|part| !part.is_empty())
        .fold(schema, |at, part| {
            let property = &at["properties"][part];
            let property = property.get("items").unwrap_or(property);
            match property["$ref"].as_str() {
                Some(reference) => schema.pointer(reference.trim_start_matches('#')).unwrap(),
                None => property,
            }
        })
}

fn names(of: &Value) -> BTreeSet<String> {
    of.as_object().unwrap().keys().cloned().collect()
}

#[test]
fn the_schema_has_the_keys_the_reader_reads() {
    let schema = schema();
    for of in METHOD_TABLES {
        let part = table(&schema, of.path);
        let keys: BTreeSet<String> = of.keys.iter().map(|key| key.name.to_owned()).collect();
        assert_eq!(names(&part["properties"]), keys, "keys of [{}]", of.path);
        let needed: BTreeSet<&str> = of
            .keys
            .iter()
            .filter(|key| key.needed)
            .map(|key| key.name)
            .collect();
        let required: BTreeSet<&str> = part["required"]
            .as_array()
            .into_iter()
            .flatten()
            .map(|name| name.as_str().unwrap())
            .collect();
        assert_eq!(required, needed, "needed keys of [{}]", of.path);
        assert_eq!(part["additionalProperties"], Value::Bool(false), "[{}]", of.path);
    }
}

#[test]
fn the_schema_has_the_limits_and_settings_with_their_defaults() {
    let schema = schema();
    let limits = table(&schema, "limits");
    let mut found = BTreeSet::new();
    for (group, part) in limits["properties"].as_object().unwrap() {
        if group == "reason" {
            continue;
        }
        assert_eq!(part["additionalProperties"], Value::Bool(false));
        for (name, limit) in part["properties"].as_object().unwrap() {
            found.insert((
                format!("{group}.{name}"),
                limit["default"].to_string().parse::<f64>().unwrap().to_bits(),
            ));
        }
    }
    let expected: BTreeSet<_> = Limits::default()
        .entries()
        .into_iter()
        .map(|(name, default)| (name, default.to_bits()))
        .collect();
    assert_eq!(found, expected);

    let settings = serde_json::to_value(IntegrationSettings::default()).unwrap();
    let integration = table(&schema, "integration");
    assert_eq!(names(&integration["properties"]), names(&settings));
    for (key, default) in settings.as_object().unwrap() {
        let shown = &integration["properties"][key]["default"];
        assert_eq!(shown.as_f64(), default.as_f64(), "{key}");
    }
}

#[test]
fn the_schema_has_the_limits_on_cards_with_their_defaults() {
    let schema = schema();
    let spot = serde_json::to_value(SpotLimits::default()).unwrap();
    let photo = serde_json::to_value(PhotoLimits::default()).unwrap();
    for (name, limits) in [("spot", spot), ("photo", photo)] {
        let mut keys = names(&limits);
        keys.insert("reason".to_owned());
        let part = table(&schema, name);
        assert_eq!(names(&part["properties"]), keys, "[{name}]");
        assert_eq!(part["additionalProperties"], Value::Bool(false));
        for (key, default) in limits.as_object().unwrap() {
            let shown = &part["properties"][key]["default"];
            assert_eq!(shown.as_f64(), default.as_f64(), "{key}");
        }
    }
}
