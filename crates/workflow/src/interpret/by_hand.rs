//! A case file to a person's case.

use super::assemble::{Axis, doubts, earlier_level, fact, in_order, models, statement, target};
use super::person::PersonCase;
use spotwright_domain::case::CaseFile;
use spotwright_kinetics::model::Model;
use spotwright_kinetics::model::person::Person;

/// Seed of the draws of a case written by hand.
const SEED: u64 = 1;

/// The person of a case file; `own` are the laboratory's model files.
#[must_use]
pub fn person_of(file: &CaseFile, own: &[Model]) -> PersonCase {
    let doses = file
        .doses
        .iter()
        .map(|dose| (dose.dose.given_at.as_str(), dose.given_at_unix_s));
    let levels = file
        .levels
        .iter()
        .map(|level| (level.taken_at.as_str(), level.taken_at_unix_s));
    let axis = Axis::from_first(doses.chain(levels));
    let last_level = file.levels.iter().map(|level| level.taken_at_unix_s).max();
    let decision_s = file
        .decide_at
        .as_ref()
        .map(|(_, seconds)| *seconds)
        .or(last_level);
    let hours = |seconds: Option<i64>| match (&axis, seconds) {
        (Some(axis), Some(seconds)) => axis.hours(seconds),
        _ => 0.0,
    };
    let mut case = PersonCase {
        subject: file.subject.clone(),
        drug: file.drug.clone(),
        simulated: file.simulated,
        origin: axis.as_ref().map_or_else(String::new, Axis::origin),
        doses: Vec::new(),
        person: Person {
            facts: Vec::new(),
            other_drugs: file.other_drugs.clone(),
            states: file.states.clone(),
            genotype_frequencies: None,
        },
        levels: Vec::new(),
        decision_h: hours(decision_s),
        models: models(&file.drug, &file.models, own),
        targets: file.target.iter().filter_map(target).collect(),
        refusals: doubts(file.doses.iter().map(|dose| &dose.dose), file.target.as_ref()),
        seed: SEED,
    };
    if let Some(axis) = &axis {
        case.doses = file
            .doses
            .iter()
            .filter_map(|dose| {
                statement(
                    &dose.dose,
                    dose.given_at_unix_s,
                    dose.until_unix_s,
                    dose.running,
                    axis,
                )
            })
            .collect();
        case.levels = file
            .levels
            .iter()
            .map(|level| earlier_level(level, axis))
            .collect();
        case.person.facts = file
            .covariates
            .iter()
            .map(|covariate| {
                let mut fact = fact(covariate, axis);
                fact.origin = "stated".to_owned();
                fact
            })
            .collect();
    }
    in_order(case)
}
