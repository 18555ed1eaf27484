//! Whether a person is among those a model was built on.

use super::fact::{canonical_name, in_model_unit};
use super::resolve::derived_value;
use super::{CovariateFact, Findings, Person};
use crate::model::{Covariate, CovariateUnit, IfMissing, Model, PopulationQuantity};
use crate::refusal::{Refusal, RefusalCode};

/// How far beyond a limit is too far: a fifth of the limit itself. A range from 18 to 75 years warns from 14.4 to 18 and
/// from 75 to 90, and refuses below 14.4 and above 90; a limit of 0 has no room below.
pub const OUTSIDE_BY: f64 = 0.2;

/// Where a value lies against a range.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Place {
    Inside,
    Near,
    Outside,
}

pub(super) fn place(value: f64, low: f64, high: f64) -> Place {
    // A limit is met by numbers that were typed in decimals: the last bits are no difference.
    let slack = 1e-12 * high.abs().max(low.abs());
    if value >= low - slack && value <= high + slack {
        Place::Inside
    } else if value >= low - OUTSIDE_BY * low.abs() - slack && value <= high + OUTSIDE_BY * high.abs() + slack
    {
        Place::Near
    } else {
        Place::Outside
    }
}

pub(super) fn range_findings(
    what: &str,
    value: f64,
    [low, high]: [f64; 2],
    unit: &str,
    findings: &mut Findings,
) {
    let sentence =
        format!("{what} of {value} {unit} lies outside the model's population ({low} to {high} {unit})");
    match place(value, low, high) {
        Place::Inside => {}
        Place::Near => findings.caution(sentence),
        Place::Outside => findings.refusals.push(Refusal::new(
            RefusalCode::OutsidePopulation,
            format!("{sentence} by more than a fifth of the limit"),
            "a model built on such people",
        )),
    }
}

/// A quantity of the population as a covariate, so that facts about it are read the same way.
pub(super) fn as_covariate(quantity: PopulationQuantity) -> Covariate {
    let (name, unit, possible) = match quantity {
        PopulationQuantity::Age => ("age_y", CovariateUnit::Year, [0.0, 125.0]),
        PopulationQuantity::PostnatalAge => ("pna_days", CovariateUnit::Day, [0.0, 45_000.0]),
        PopulationQuantity::PostmenstrualAge => ("pma_weeks", CovariateUnit::Week, [21.0, 7000.0]),
        PopulationQuantity::GestationalAge => ("ga_weeks", CovariateUnit::Week, [21.0, 45.0]),
        PopulationQuantity::Weight => ("weight_kg", CovariateUnit::Kilogram, [0.2, 350.0]),
        PopulationQuantity::BirthWeight => ("birth_weight_kg", CovariateUnit::Kilogram, [0.2, 7.0]),
    };
    Covariate {
        name: name.to_owned(),
        unit,
        meaning: None,
        default: possible[0],
        low: possible[0],
        high: possible[1],
        possible,
        equation: None,
        if_missing: IfMissing::Refuse,
        if_missing_note: String::new(),
    }
}

/// Findings about the population at a time (h), apart from covariates of the model, which have their own ranges.
#[must_use]
pub fn population_findings(model: &Model, person: &Person, at_h: f64) -> Findings {
    let mut findings = Findings::default();
    for range in &model.population.ranges {
        let covariate = as_covariate(range.quantity);
        let unit = covariate.unit.text();
        let is_own = model
            .covariates
            .iter()
            .any(|own| canonical_name(&own.name) == canonical_name(&covariate.name));
        match derived_value(person, &covariate, at_h) {
            Ok(Some((value, _))) => {
                range_findings(
                    &covariate.name,
                    value,
                    [range.low, range.high],
                    unit,
                    &mut findings,
                );
            }
            // A covariate of the model that is missing is told by its own policy.
            Ok(None) if is_own => {}
            Err(_) if is_own => {}
            Ok(None) => findings.refusals.push(Refusal::new(
                RefusalCode::PopulationUnknown,
                format!(
                    "{} is not known, and the model was built on {} to {} {unit}",
                    covariate.name, range.low, range.high
                ),
                format!("{} in {unit}", covariate.name),
            )),
            Err(refusal) => findings.refusals.push(refusal),
        }
    }
    stops(model, person, &mut findings);
    findings
}

/// Interacting drugs and states outside the model.
fn stops(model: &Model, person: &Person, findings: &mut Findings) {
    let lists = [
        (
            &model.guards.stop_drugs,
            &person.other_drugs,
            RefusalCode::InteractingDrug,
            "other drugs",
        ),
        (
            &model.guards.stop_states,
            &person.states,
            RefusalCode::StateOutsideModel,
            "the person's state",
        ),
    ];
    for (stop, stated, code, what) in lists {
        if stop.is_empty() {
            continue;
        }
        match stated {
            None => findings.caution(format!(
                "Not stated: {what}. No advice holds beside: {}",
                stop.join(", ")
            )),
            Some(stated) => {
                for found in stop
                    .iter()
                    .filter(|word| stated.iter().any(|said| same_word(said, word)))
                {
                    findings.refusals.push(Refusal::new(
                        code,
                        format!("{found}: the model of {} knows nothing of it", model.drug),
                        "a specialist's decision without this model",
                    ));
                }
            }
        }
    }
}

fn same_word(said: &str, word: &str) -> bool {
    let fold = |text: &str| {
        text.to_lowercase()
            .chars()
            .filter(|c| c.is_alphanumeric())
            .collect::<String>()
    };
    fold(said) == fold(word)
}

/// The facts about one quantity, in order of time.
pub(super) fn facts_of<'p>(person: &'p Person, canonical: &str) -> Vec<&'p CovariateFact> {
    let mut facts: Vec<&CovariateFact> = person
        .facts
        .iter()
        .filter(|fact| canonical_name(&fact.name) == canonical)
        .collect();
    facts.sort_by(|a, b| {
        a.from_h
            .unwrap_or(f64::NEG_INFINITY)
            .total_cmp(&b.from_h.unwrap_or(f64::NEG_INFINITY))
    });
    facts
}

/// A fact in the unit wanted at a time: the last one before it, or the first; quantities that elapse go on by
/// themselves from the time of the fact (hour 0 when it has none).
pub(super) fn stated_value(
    person: &Person,
    covariate: &Covariate,
    at_h: f64,
) -> Result<Option<(f64, String)>, Refusal> {
    let canonical = canonical_name(&covariate.name);
    let facts = facts_of(person, &canonical);
    let reached = facts
        .iter()
        .take_while(|fact| fact.from_h.is_none_or(|from| from <= at_h))
        .count();
    let Some(fact) = facts.get(reached.saturating_sub(1)) else {
        return Ok(None);
    };
    let value = in_model_unit(fact, covariate)?;
    let since_h = at_h - fact.from_h.unwrap_or(0.0);
    let value = match (elapses(&canonical), covariate.unit) {
        (true, CovariateUnit::Day) => value + since_h / 24.0,
        (true, CovariateUnit::Week) => value + since_h / 168.0,
        _ => value,
    };
    Ok(Some((value.max(covariate.possible[0]), fact.origin.clone())))
}

/// Whether a quantity grows with the clock. Gestational age at birth does not.
pub(super) fn elapses(canonical: &str) -> bool {
    matches!(canonical, "pna" | "pma" | "days_on_drug" | "days_after_tx")
}
