//! `[integration]` and `[limits]`: defaults, and what the method changes.

use super::section::Section;
use crate::bounds;
use crate::nearest::nearest;
use crate::problem::{FormatProblemCode, Problems, quoted};
use crate::table::Bounds;
use serde_json::{Map, Value};
use spotwright_domain::method::{IntegrationSettings, LimitOverride, Limits};
use toml::de::DeValue;

/// The rule behind each group of limits.
pub const LIMIT_RULES: [(&str, &str); 10] = [
    ("calibration", "M10-05, M10-22"),
    ("control", "M10-20, M10-23"),
    ("interference", "M10-02"),
    ("carry_over", "M10-12, PR-24; share of sample: common practice"),
    ("internal_standard", "M10-34; numbers: common practice"),
    ("identity", "C62-2, EV-55"),
    ("peak", "PR-30, PR-34, PR-35; common practice"),
    ("system_suitability", "M10-35; common practice"),
    ("duplicate", "repeatability limit 1.96·√2"),
    ("incurred_repeat", "M10-36, M10-37"),
];

/// The settings, defaults filled in.
pub(super) fn integration(top: &Section<'_>, problems: &mut Problems) -> Option<IntegrationSettings> {
    let defaults = IntegrationSettings::default();
    if !top.has("integration") {
        return Some(defaults);
    }
    let mut settings = fields(&defaults);
    let section = top.section("integration", "integration", problems)?;
    section.refuse_unknown(settings.clone().keys().map(String::as_str), problems);
    for (key, value) in &mut settings {
        if !section.has(key) {
            continue;
        }
        let number = section.number(key, bounds::integration(key), problems)?;
        if key == "minimum_points" {
            *value = Value::from(whole(&section, key, number, problems)?);
        } else {
            *value = Value::from(number);
        }
    }
    serde_json::from_value(Value::Object(settings)).ok()
}

fn whole(section: &Section<'_>, key: &str, number: f64, problems: &mut Problems) -> Option<u64> {
    if number.fract() > 0.0 {
        problems.push(
            section
                .problem(key, FormatProblemCode::NumberNotWhole)
                .expected("a whole number"),
        );
        return None;
    }
    // Within bounds far below 2^53, and whole.
    Some(number as u64)
}

/// The limits, defaults filled in, and those that differ.
pub(super) fn limits(top: &Section<'_>, problems: &mut Problems) -> (Option<Limits>, Vec<LimitOverride>) {
    if !top.has("limits") {
        return (Some(Limits::default()), Vec::new());
    }
    let Some(section) = top.section("limits", "limits", problems) else {
        return (None, Vec::new());
    };
    let before = problems.count();
    let reason = section.text("reason", problems);
    let mut groups = fields(&Limits::default());
    let group_names: Vec<&str> = LIMIT_RULES.iter().map(|(group, _)| *group).collect();
    for (key, value) in section.table {
        let name = key.get_ref().as_ref();
        if name == "reason" {
            continue;
        }
        let Some(Value::Object(group)) = groups.get_mut(name) else {
            problems.push(
                section
                    .source
                    .problem(FormatProblemCode::KeyUnknown, key.span())
                    .field(&format!("limits.{name}"))
                    .found(format!("the key {}", quoted(name)))
                    .expected(format!(
                        "a group of limits ({}) or `reason`",
                        group_names.join(", ")
                    ))
                    .nearest(nearest(name, group_names.iter().copied())),
            );
            continue;
        };
        let DeValue::Table(table) = value.get_ref() else {
            problems.push(
                section
                    .source
                    .problem(FormatProblemCode::ValueKind, value.span())
                    .field(&format!("limits.{name}"))
                    .expected(format!("a table [limits.{name}]")),
            );
            continue;
        };
        for (limit, value) in table {
            let limit_name = limit.get_ref().as_ref();
            let field = format!("limits.{name}.{limit_name}");
            if !group.contains_key(limit_name) {
                let known: Vec<&str> = group.keys().map(String::as_str).collect();
                problems.push(
                    section
                        .source
                        .problem(FormatProblemCode::KeyUnknown, limit.span())
                        .field(&field)
                        .found(format!("the key {}", quoted(limit_name)))
                        .expected(format!("a limit of [limits.{name}] ({})", known.join(", ")))
                        .nearest(nearest(limit_name, known.iter().copied())),
                );
                continue;
            }
            let bounds = limit_bounds(limit_name);
            let Some(number) = section.number_of(value, &field, bounds, problems) else {
                continue;
            };
            if is_count(limit_name) && number.fract() > 0.0 {
                problems.push(
                    section
                        .source
                        .problem(FormatProblemCode::NumberNotWhole, value.span())
                        .field(&field)
                        .expected(bounds.words),
                );
                continue;
            }
            group.insert(limit_name.to_owned(), Value::from(number));
        }
    }
    if problems.count() > before {
        return (None, Vec::new());
    }
    let Ok(limits) = serde_json::from_value::<Limits>(Value::Object(groups)) else {
        return (None, Vec::new());
    };
    let overrides: Vec<LimitOverride> = Limits::default()
        .entries()
        .into_iter()
        .zip(limits.entries())
        .filter(|((_, default), (_, value))| default.total_cmp(value).is_ne())
        .map(|((name, default), (_, value))| LimitOverride {
            name,
            default,
            value,
            reason: reason.unwrap_or_default().to_owned(),
        })
        .collect();
    if let (Some(first), None) = (overrides.first(), reason) {
        problems.push(
            top.problem("limits", FormatProblemCode::ReasonMissing)
                .field("limits.reason")
                .found(format!(
                    "`{}` changed from {} to {} without a reason",
                    first.name, first.default, first.value
                ))
                .expected("`reason` in [limits]")
                .help("A limit that differs from its default needs a reason."),
        );
        return (None, Vec::new());
    }
    let standard = &limits.internal_standard;
    if standard.min_share_of_mean_pct >= standard.max_share_of_mean_pct {
        problems.push(
            top.problem("limits", FormatProblemCode::NumberOutOfRange)
                .field("limits.internal_standard.min_share_of_mean_pct")
                .found(format!("{}", standard.min_share_of_mean_pct))
                .expected(format!(
                    "less than `max_share_of_mean_pct`, {}",
                    standard.max_share_of_mean_pct
                )),
        );
    }
    (Some(limits), overrides)
}

fn is_count(limit: &str) -> bool {
    matches!(limit, "min_levels" | "min_per_level" | "min_injections")
}

fn limit_bounds(limit: &str) -> Bounds {
    if is_count(limit) {
        bounds::LIMIT_COUNT
    } else if limit.starts_with("min_") && limit.ends_with("_pct") || limit.starts_with("share_") {
        bounds::LIMIT_SHARE_PCT
    } else {
        bounds::LIMIT
    }
}

/// The fields of a settings type by name.
pub(super) fn fields<T: serde::Serialize>(settings: &T) -> Map<String, Value> {
    match serde_json::to_value(settings) {
        Ok(Value::Object(fields)) => fields,
        _ => Map::new(),
    }
}
