//! A laboratory day's accepted, converted results to persons' cases: one case a person and drug.

use super::answer::interpret;
use super::assemble::{
    Axis, doubts, earlier_level, fact, facts_of_request, in_order, models, statement, target,
};
use super::person::{CaseLevel, LevelValue, PersonCase};
use crate::error::WorkflowError;
use crate::judged_run::JudgedRun;
use crate::memory::Memory;
use crate::run::{Progress, with_threads};
use rayon::prelude::*;
use spotwright_domain::conversion::{ConversionOutcome, ConversionRecord, ConvertedCase, HaematocritOrigin};
use spotwright_domain::identifier::SubjectId;
use spotwright_domain::injection::SampleRole;
use spotwright_domain::interpretation::InterpretationRecord;
use spotwright_domain::method::Analyte;
use spotwright_domain::record::{ResultRecord, ResultVerdict};
use spotwright_domain::request::Request;
use spotwright_exchange::{Day, moment_unix_s, open_day};
use spotwright_kinetics::model::Model;
use spotwright_kinetics::model::person::{CovariateFact, Person};
use spotwright_kinetics::refusal::{Refusal, RefusalCode};
use std::collections::BTreeMap;
use std::path::Path;

/// Seed of a day's draws: the same day gives the same bits.
const SEED: u64 = 1;

/// Measures, judges, converts and interprets a day. One record a person and drug, in order of subject and drug; also
/// for a person whose results cannot be interpreted, with the refusal.
///
/// # Errors
/// When the day's files are wrong, or the computer fails.
pub fn interpret_day(
    folder: &Path,
    own: &[Model],
    threads: Option<usize>,
    progress: &dyn Progress,
) -> Result<Vec<InterpretationRecord>, WorkflowError> {
    with_threads(threads, || {
        let day = open_day(folder).map_err(WorkflowError::Day)?;
        let cases = cases(&day, own, progress)?;
        Ok(cases.par_iter().map(interpret).collect())
    })?
}

/// What a day holds of one person and drug.
struct Gathered {
    analyte: Analyte,
    /// Card and its results, in order of measurement.
    results: Vec<(Request, ResultRecord)>,
}

fn cases(day: &Day, own: &[Model], progress: &dyn Progress) -> Result<Vec<PersonCase>, WorkflowError> {
    let mut people: BTreeMap<(SubjectId, String), Gathered> = BTreeMap::new();
    let mut memory = Memory::of(day)?;
    progress.begin(day.summary.injections as u64);
    for run in day.runs() {
        let run = run.map_err(|problem| WorkflowError::Day(vec![problem]))?;
        let judged = JudgedRun::make(day, run, false, &memory, &|n| progress.advance(n))?;
        memory.remember(&judged);
        gather(day, &judged, &mut people);
    }
    Ok(people
        .into_iter()
        .filter(|(_, gathered)| gathered.analyte.interpretation.is_some())
        .map(|((subject, _), gathered)| case(day, &subject, &gathered, own))
        .collect())
}

/// Adds a run's patient results that a clinic asked for.
fn gather(day: &Day, judged: &JudgedRun, people: &mut BTreeMap<(SubjectId, String), Gathered>) {
    for position in 0..judged.measured.injections.len() {
        let injection = &judged.measured.injections[position].injection;
        if injection.role != SampleRole::Patient {
            continue;
        }
        let Some(request) = injection.card.as_ref().and_then(|card| day.requests.get(card)) else {
            continue;
        };
        let results = judged.with_conversions(position, judged.results_of(position));
        for (analyte, result) in results.into_iter().enumerate() {
            let of = &judged.method.analytes[analyte];
            let asked = request.analytes.is_empty() || request.analytes.contains(&of.name);
            if !asked {
                continue;
            }
            people
                .entry((request.subject.clone(), of.name.to_string()))
                .or_insert_with(|| Gathered {
                    analyte: of.clone(),
                    results: Vec::new(),
                })
                .results
                .push((request.clone(), result));
        }
    }
}

fn case(day: &Day, subject: &SubjectId, gathered: &Gathered, own: &[Model]) -> PersonCase {
    let drug = gathered.analyte.name.to_string();
    let doses: Vec<_> = day
        .doses
        .of(subject)
        .filter(|dose| dose.drug == gathered.analyte.name)
        .filter_map(|dose| {
            let given = moment_unix_s(&dose.given_at)?;
            let until = dose.until.as_deref().and_then(moment_unix_s);
            Some((dose, given, until))
        })
        .collect();
    let earlier: Vec<_> = day
        .levels
        .of(subject)
        .filter(|level| level.drug == gathered.analyte.name)
        .collect();
    let collected = gathered
        .results
        .iter()
        .filter_map(|(request, _)| Some((request.collected_at.as_deref()?, request.collected_at_unix_s?)));
    let instants = doses
        .iter()
        .map(|(dose, given, _)| (dose.given_at.as_str(), *given))
        .chain(
            earlier
                .iter()
                .map(|level| (level.taken_at.as_str(), level.taken_at_unix_s)),
        )
        .chain(collected.clone());
    let axis = Axis::from_first(instants);
    let mut case = PersonCase {
        subject: subject.to_string(),
        drug: drug.clone(),
        simulated: day.simulated,
        origin: axis.as_ref().map_or_else(String::new, Axis::origin),
        doses: Vec::new(),
        person: Person::default(),
        levels: Vec::new(),
        decision_h: 0.0,
        models: gathered
            .analyte
            .interpretation
            .as_ref()
            .map(|of| models(&drug, std::slice::from_ref(&of.model), own))
            .unwrap_or_default(),
        targets: gathered.analyte.target.iter().filter_map(target).collect(),
        refusals: Vec::new(),
        seed: SEED,
    };
    case.refusals.extend(doubts(
        doses.iter().map(|(dose, _, _)| dose),
        gathered.analyte.target.as_ref(),
    ));
    let Some(axis) = axis else {
        case.refusals.push(Refusal::new(
            RefusalCode::TimeUnknown,
            "neither a dose nor the time of collection is on record",
            "the times of doses and of collection",
        ));
        return case;
    };
    case.decision_h = collected
        .map(|(_, seconds)| axis.hours(seconds))
        .fold(0.0, f64::max);
    case.doses = doses
        .iter()
        .filter_map(|(dose, given, until)| statement(dose, *given, *until, false, &axis))
        .collect();
    case.levels = earlier.iter().map(|level| earlier_level(level, &axis)).collect();
    let mut facts: Vec<CovariateFact> = day
        .covariates
        .of(subject)
        .map(|covariate| fact(&covariate, &axis))
        .collect();
    if let Some((request, _)) = gathered.results.last() {
        let more = facts_of_request(request, &facts);
        facts.extend(more);
    }
    case.person.facts = facts;
    add_levels(&mut case, gathered, &axis);
    in_order(case)
}

/// One level a card: the first spot whose result stands and converts. Cards that give none are refused by name.
fn add_levels(case: &mut PersonCase, gathered: &Gathered, axis: &Axis) {
    let mut by_card: BTreeMap<&str, Vec<&(Request, ResultRecord)>> = BTreeMap::new();
    for each in &gathered.results {
        by_card.entry(each.0.card.as_str()).or_default().push(each);
    }
    for (card, results) in by_card {
        let taken = results
            .iter()
            .find_map(|(request, result)| level(request, result, axis).ok());
        match taken {
            Some(mut level) => {
                let further = results
                    .iter()
                    .filter(|(_, result)| is_reportable(result.verdict))
                    .count()
                    .saturating_sub(1);
                if further > 0 {
                    level
                        .origin
                        .push_str(" Another spot of the card was measured too.");
                }
                case.levels.push(level);
            }
            None => {
                // Without any result there would be no card here.
                if let Some(refusal) = results
                    .first()
                    .and_then(|(request, result)| level(request, result, axis).err())
                {
                    case.refusals.push(Refusal::new(
                        refusal.code,
                        format!("card {card}: {}", refusal.reason),
                        refusal.lifted_by,
                    ));
                }
            }
        }
    }
}

fn is_reportable(verdict: ResultVerdict) -> bool {
    matches!(
        verdict,
        ResultVerdict::Reportable | ResultVerdict::ReportableWithComment
    )
}

fn level(request: &Request, result: &ResultRecord, axis: &Axis) -> Result<CaseLevel, Refusal> {
    let refused = |code, reason: String, lift: &str| Err(Refusal::new(code, reason, lift));
    if !is_reportable(result.verdict) {
        let why: Vec<&str> = result.reasons.iter().map(|reason| reason.text.as_str()).collect();
        return refused(
            RefusalCode::LevelRejected,
            format!("its result may not be reported. {}", why.join(" ")),
            "a second spot, a repeat or a new card",
        );
    }
    let Some(conversion) = &result.conversion else {
        return refused(
            RefusalCode::WrongMatrix,
            "its result was not converted: the method has no conversion".to_owned(),
            "a validated conversion in the method",
        );
    };
    let (Some(taken_at), Some(taken_s)) = (&request.collected_at, request.collected_at_unix_s) else {
        return refused(
            RefusalCode::TimeUnknown,
            "the time of collection is not on record".to_owned(),
            "the time of collection, asked for at the clinic",
        );
    };
    let case = match &conversion.outcome {
        ConversionOutcome::Converted { concentration } => concentration,
        ConversionOutcome::MeasuredOnly { refusal } | ConversionOutcome::Refused { refusal } => {
            return refused(
                RefusalCode::WrongMatrix,
                refusal.text.clone(),
                refusal.code.lift(),
            );
        }
    };
    let value = match case {
        ConvertedCase::Measured {
            value,
            standard_uncertainty,
            interval_95,
            ..
        } => LevelValue::Quantified {
            value: *value,
            standard_uncertainty: *standard_uncertainty,
            interval_95: *interval_95,
        },
        ConvertedCase::BelowLloq { limit, .. } => LevelValue::Below(*limit),
        ConvertedCase::AboveUloq { limit } => LevelValue::Above(*limit),
        ConvertedCase::AtLeast { .. } => {
            return refused(
                RefusalCode::LevelNotComputable,
                "only a lower bound of its level is known: the card is older than validated".to_owned(),
                "a fresh card",
            );
        }
    };
    Ok(CaseLevel {
        time_h: axis.hours(taken_s),
        taken_at: taken_at.clone(),
        verdict: result.verdict,
        matrix: conversion.matrix_reported,
        unit: conversion.unit,
        value,
        origin: origin(request, conversion),
    })
}

/// What was measured and how it was converted, in a sentence (PR-44, CONV-09).
fn origin(request: &Request, conversion: &ConversionRecord) -> String {
    let by = conversion.conversion.as_ref().map_or_else(
        || "as measured".to_owned(),
        |by| format!("by {} {}", by.id, by.version),
    );
    let haematocrit = conversion.haematocrit.map_or_else(String::new, |used| {
        format!(
            ", haematocrit {:.2} ({})",
            used.haematocrit.value,
            match used.origin {
                HaematocritOrigin::Clinic => "clinic",
                HaematocritOrigin::Spot => "from the spot",
                HaematocritOrigin::Default => "method's default",
            }
        )
    });
    format!(
        "Card {}, {}, to {} {by}{haematocrit}.",
        request.card,
        conversion.matrix_measured.as_str(),
        conversion.matrix_reported.as_str()
    )
}
