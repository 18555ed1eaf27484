//! `[spot]` and `[photo]`: what is allowed of spots and of photographs of cards, and what the method changes.

use super::limits::fields;
use super::section::Section;
use crate::bounds;
use crate::problem::{FormatProblemCode, Problems};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;
use spotwright_domain::card::{PhotoLimits, SpotLimits};
use spotwright_domain::method::LimitOverride;

/// What a method allows of cards.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct CardLimits {
    /// Of spots.
    pub spot: SpotLimits,
    /// Of photographs.
    pub photo: PhotoLimits,
    /// Which differ from the defaults, named `spot.…` and `photo.…`.
    pub overrides: Vec<LimitOverride>,
}

/// The limits, defaults filled in. `None`: problems.
pub(super) fn card_limits(top: &Section<'_>, problems: &mut Problems) -> Option<CardLimits> {
    let mut overrides = Vec::new();
    let spot = table("spot", top, &mut overrides, problems);
    let photo = table("photo", top, &mut overrides, problems);
    Some(CardLimits {
        spot: spot?,
        photo: photo?,
        overrides,
    })
}

fn table<T: Default + Serialize + DeserializeOwned>(
    name: &'static str,
    top: &Section<'_>,
    overrides: &mut Vec<LimitOverride>,
    problems: &mut Problems,
) -> Option<T> {
    if !top.has(name) {
        return Some(T::default());
    }
    let section = top.section(name, name, problems)?;
    let before = problems.count();
    let reason = section.text("reason", problems);
    let defaults = fields(&T::default());
    section.refuse_unknown(defaults.keys().map(String::as_str).chain(["reason"]), problems);
    let mut values = defaults.clone();
    let mut changed = Vec::new();
    for (key, default) in &defaults {
        if !section.has(key) {
            continue;
        }
        let number = section.number(key, bounds::LIMIT, problems);
        if let (Some(number), Some(default)) = (number, default.as_f64()) {
            values.insert(key.clone(), Value::from(number));
            if number.total_cmp(&default).is_ne() {
                changed.push((format!("{name}.{key}"), default, number));
            }
        }
    }
    if let (Some((key, default, value)), None) = (changed.first(), reason) {
        problems.push(
            top.problem(name, FormatProblemCode::ReasonMissing)
                .field(&format!("{name}.reason"))
                .found(format!(
                    "`{key}` changed from {default} to {value} without a reason"
                ))
                .expected(format!("`reason` in [{name}]"))
                .help("A limit that differs from its default needs a reason."),
        );
    }
    if problems.count() > before {
        return None;
    }
    overrides.extend(changed.into_iter().map(|(name, default, value)| LimitOverride {
        name,
        default,
        value,
        reason: reason.unwrap_or_default().to_owned(),
    }));
    serde_json::from_value(Value::Object(values)).ok()
}
