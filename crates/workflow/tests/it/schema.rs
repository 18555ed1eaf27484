//! Just enough of JSON Schema (2020-12) to hold `results.json` against its published schema. A keyword that is not
//! known here is a panic, so that nothing passes because it was passed over.

use serde_json::Value;

/// Everything that is wrong with a value, by its place.
pub(crate) fn problems(schema: &Value, value: &Value) -> Vec<String> {
    let mut found = Vec::new();
    check(schema, schema, value, "", &mut found);
    found
}

fn check(root: &Value, schema: &Value, value: &Value, at: &str, found: &mut Vec<String>) {
    for (keyword, rule) in schema.as_object().expect("a schema is an object") {
        let complaint = match keyword.as_str() {
            "$schema" | "$id" | "$defs" | "title" | "description" | "properties" | "prefixItems" => None,
            "$ref" => {
                let path = rule.as_str().unwrap().trim_start_matches('#');
                let target = root.pointer(path).unwrap_or_else(|| panic!("no {path}"));
                check(root, target, value, at, found);
                None
            }
            "type" => {
                let kinds: Vec<&str> = match rule {
                    Value::String(kind) => vec![kind],
                    _ => rule
                        .as_array()
                        .unwrap()
                        .iter()
                        .map(|kind| kind.as_str().unwrap())
                        .collect(),
                };
                (!kinds.iter().any(|kind| is(kind, value))).then(|| format!("is no {}", kinds.join(" or ")))
            }
            "const" => (value != rule).then(|| format!("is not {rule}")),
            "enum" => (!rule.as_array().unwrap().contains(value)).then(|| format!("is not of {rule}")),
            "required" => rule
                .as_array()
                .unwrap()
                .iter()
                .find(|key| value.is_object() && value.get(key.as_str().unwrap()).is_none())
                .map(|key| format!("lacks {key}")),
            "additionalProperties" => {
                assert_eq!(*rule, Value::Bool(false));
                let known = &schema["properties"];
                let keys = value.as_object().into_iter().flatten().map(|(key, _)| key);
                keys.clone()
                    .find(|key| known.get(key.as_str()).is_none())
                    .map(|key| format!("has {key}, which the schema does not know"))
            }
            "items" => {
                for (place, item) in value.as_array().into_iter().flatten().enumerate() {
                    check(root, rule, item, &format!("{at}/{place}"), found);
                }
                None
            }
            "allOf" => {
                for part in rule.as_array().unwrap() {
                    check(root, part, value, at, found);
                }
                None
            }
            "oneOf" => one_of(root, rule.as_array().unwrap(), value),
            "minItems" | "maxItems" => bound(keyword, rule, value.as_array().map(|list| list.len() as f64)),
            "minLength" | "maxLength" => bound(
                keyword,
                rule,
                value.as_str().map(|text| text.chars().count() as f64),
            ),
            "minimum" | "maximum" => bound(keyword, rule, value.as_f64()),
            "exclusiveMinimum" => value
                .as_f64()
                .filter(|number| *number <= rule.as_f64().unwrap())
                .map(|number| format!("{number} is not above {rule}")),
            other => panic!("keyword {other} is not known here"),
        };
        found.extend(complaint.map(|complaint| format!("{at} {complaint}")));
    }
    for (key, part) in schema["properties"].as_object().into_iter().flatten() {
        if let Some(inner) = value.get(key) {
            check(root, part, inner, &format!("{at}/{key}"), found);
        }
    }
    let items = value.as_array().into_iter().flatten();
    for (place, (part, item)) in schema["prefixItems"]
        .as_array()
        .into_iter()
        .flatten()
        .zip(items)
        .enumerate()
    {
        check(root, part, item, &format!("{at}/{place}"), found);
    }
}

fn one_of(root: &Value, parts: &[Value], value: &Value) -> Option<String> {
    let tried: Vec<Vec<String>> = parts
        .iter()
        .map(|part| {
            let mut found = Vec::new();
            check(root, part, value, "", &mut found);
            found
        })
        .collect();
    match tried.iter().filter(|found| found.is_empty()).count() {
        1 => None,
        0 => Some(format!("fits none of {}: {tried:?}", parts.len())),
        n => Some(format!("fits {n} of {}", parts.len())),
    }
}

fn bound(keyword: &str, rule: &Value, size: Option<f64>) -> Option<String> {
    let (size, limit) = (size?, rule.as_f64().unwrap());
    let outside = if keyword.starts_with("min") {
        size < limit
    } else {
        size > limit
    };
    outside.then(|| format!("{size} breaks {keyword} {limit}"))
}

fn is(kind: &str, value: &Value) -> bool {
    match kind {
        "object" => value.is_object(),
        "array" => value.is_array(),
        "string" => value.is_string(),
        "number" => value.is_number(),
        "integer" => value.is_u64() || value.is_i64(),
        "boolean" => value.is_boolean(),
        "null" => value.is_null(),
        other => panic!("no type {other}"),
    }
}
