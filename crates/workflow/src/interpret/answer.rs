//! A person's case to the record behind the prescriber's page: estimate, posterior, fit, options or refusals.

use super::curve::band;
use super::estimate::{Estimated, estimate};
use super::person::{CaseLevel, LevelValue, PersonCase};
use super::shown::{
    covariates, doses, half_life, level_flags, models_used, option, parameters, remarks, target,
};
use spotwright_domain::concentration::ConcentrationUnit;
use spotwright_domain::digest::digest;
use spotwright_domain::interpretation::{
    EstimateShown, INTERPRETATION_VERSION, InterpretationRecord, InterpretationStatus, LevelUsed, RefusalNote,
};
use spotwright_domain::matrix::{Concentration, MatrixKind, Plasma, WholeBlood};
use spotwright_kinetics::model::Model;
use spotwright_kinetics::options::{
    AcceptedConcentration, AcceptedValue, Answer, DrugTable, InterpretableLevel, SystemicMatrix, TargetRange,
    Wanted, offer,
};
use spotwright_kinetics::refusal::{Refusal, RefusalCode, Stops};
use spotwright_kinetics::structure::ParameterName;

/// Options listed beside keeping the dose and repeating the level.
const MOST_OPTIONS: usize = 10;

/// Interprets a case. A refusal is an answer too: this never fails.
#[must_use]
pub fn interpret(case: &PersonCase) -> InterpretationRecord {
    match case.models.first().map(|(model, _)| model.matrix.kind) {
        Some(MatrixKind::WholeBlood) => answer::<WholeBlood>(case),
        Some(MatrixKind::Plasma) => answer::<Plasma>(case),
        _ => {
            let mut record = frame(case, None);
            let why = Refusal::new(
                RefusalCode::NoModel,
                format!("no kinetic model is named for {}", case.drug),
                "a model id in the method's [analyte.interpretation], or in the case",
            );
            refuse(&mut record, case.refusals.iter().chain([&why]));
            sealed(record)
        }
    }
}

fn answer<M: SystemicMatrix>(case: &PersonCase) -> InterpretationRecord {
    let mut refusals = case.refusals.clone();
    let levels = accepted::<M>(case, &mut refusals);
    let mut candidates: Vec<Estimated<'_, M>> = Vec::new();
    let mut stopped: Vec<Refusal> = Vec::new();
    for (model, prior) in &case.models {
        match estimate(case, model, *prior, &levels) {
            Ok(estimated) => candidates.push(estimated),
            Err(found) => stopped.extend(found),
        }
    }
    if levels.is_empty() {
        refusals.push(Refusal::new(
            RefusalCode::NoLevel,
            "no accepted level of this person could be used",
            "a level that may be reported, on the scale of the model's matrix",
        ));
    }
    let best = super::estimate::weigh(&mut candidates);
    let Some(best) = best.filter(|_| !levels.is_empty()) else {
        let model = case.models.first().map(|(model, _)| model);
        let mut record = frame(case, model);
        refuse(&mut record, refusals.iter().chain(&stopped));
        return sealed(record);
    };
    let lead = &candidates[best];
    let model = lead.case.model();
    let targets = targets(case, model);
    let wanted = Wanted {
        targets: targets.clone(),
        most_options: MOST_OPTIONS,
        seed: case.seed,
    };
    let offered = offer(&lead.case, &lead.evidence, &wanted);
    let mut record = frame(case, Some(model));
    record.models = models_used(&candidates, best);
    record.covariates = covariates(lead);
    record.doses = doses(lead);
    record.levels = case.levels.iter().map(|level| shown(level, model)).collect();
    complete_levels(&mut record, case, lead);
    record.target = targets.first().map(target);
    record.curve = band(lead);
    record.estimate = Some(EstimateShown {
        method: lead.method_sentence(),
        effective_draws: lead.evidence.effective_draws,
        parameters: parameters(lead),
        half_life_h: half_life(lead),
        remarks: remarks(&candidates, best),
    });
    record.options = offered.options.iter().map(option).collect();
    record.criterion = offered.criterion.to_owned();
    record.cautions = offered.cautions.clone();
    record.status = status(&refusals, &offered);
    notes(&mut record, refusals.iter().chain(&offered.refusals));
    if record.status != InterpretationStatus::Options {
        // Odds that a dose could be chosen by are no display of research either.
        record.options.clear();
    }
    sealed(record)
}

/// Levels of the model's matrix whose results stand. Everything else is refused by name.
fn accepted<M: SystemicMatrix>(case: &PersonCase, refusals: &mut Vec<Refusal>) -> Vec<InterpretableLevel<M>> {
    let mut levels = Vec::new();
    for level in &case.levels {
        let found = if level.matrix == M::KIND {
            concentration::<M>(level).and_then(|value| AcceptedConcentration::accept(level.verdict, value))
        } else {
            Err(Refusal::new(
                RefusalCode::WrongMatrix,
                format!("the level of {} is in {}", level.taken_at, words(level.matrix)),
                format!("a validated conversion to {}", words(M::KIND)),
            ))
        };
        match found {
            Ok(concentration) => levels.push(InterpretableLevel::new(level.time_h, concentration)),
            Err(refusal) => refusals.push(refusal),
        }
    }
    levels
}

fn concentration<M: SystemicMatrix>(level: &CaseLevel) -> Result<AcceptedValue<M>, Refusal> {
    let make = |value: f64, u: f64| {
        Concentration::<M>::new(value, u, level.unit).map_err(|error| {
            Refusal::new(
                RefusalCode::LevelRejected,
                format!("the level of {}: {error}", level.taken_at),
                "a level that is a number above zero",
            )
        })
    };
    Ok(match level.value {
        LevelValue::Quantified {
            value,
            standard_uncertainty,
            ..
        } => AcceptedValue::Quantified(make(value, standard_uncertainty)?),
        LevelValue::Below(limit) => AcceptedValue::BelowLimit(make(limit, 0.0)?),
        LevelValue::Above(limit) => AcceptedValue::AboveLimit(make(limit, 0.0)?),
    })
}

/// The case's own targets, or what the program stores for the drug: the usual indication's.
fn targets(case: &PersonCase, model: &Model) -> Vec<TargetRange> {
    let of_case: Vec<TargetRange> = case
        .targets
        .iter()
        .map(|target| in_model_unit(target, model))
        .collect();
    if !of_case.is_empty() {
        return of_case;
    }
    let table = DrugTable::embedded();
    let Some(drug) = table.drug(&model.drug) else {
        return Vec::new();
    };
    let Some(usual) = drug.targets.first() else {
        return Vec::new();
    };
    // Peak and trough of one indication belong together.
    drug.targets
        .iter()
        .filter(|target| target.indication == usual.indication)
        .cloned()
        .collect()
}

/// A target in the model's unit; one that cannot be converted stays as it is, and is refused by name later.
fn in_model_unit(target: &TargetRange, model: &Model) -> TargetRange {
    let table = DrugTable::embedded();
    let molar_mass = table.drug(&model.drug).and_then(|drug| drug.molar_mass);
    let unit = model.concentration_unit;
    let convert = |value: Option<f64>| {
        value
            .map(|value| target.unit.convert(value, unit, molar_mass))
            .transpose()
    };
    match (
        convert(target.low),
        convert(target.high),
        convert(target.toxic_above),
    ) {
        (Ok(low), Ok(high), Ok(toxic_above)) => TargetRange {
            low,
            high,
            toxic_above,
            unit,
            ..target.clone()
        },
        _ => target.clone(),
    }
}

fn status(refusals: &[Refusal], offered: &Answer) -> InterpretationStatus {
    let all = || refusals.iter().chain(&offered.refusals);
    let has = |codes: &[RefusalCode]| all().any(|refusal| codes.contains(&refusal.code));
    if all().any(|refusal| refusal.code.stops() == Stops::Estimate) {
        InterpretationStatus::Refused
    } else if has(&[RefusalCode::ModelLowConfidence, RefusalCode::ModelUnsigned]) {
        InterpretationStatus::ResearchDisplay
    } else if has(&[RefusalCode::ExposureOnly]) {
        InterpretationStatus::ExposureOnly
    } else if all().next().is_some() || offered.options.is_empty() {
        InterpretationStatus::Refused
    } else {
        InterpretationStatus::Options
    }
}

/// The record before anything is estimated.
fn frame(case: &PersonCase, model: Option<&Model>) -> InterpretationRecord {
    let first = case.levels.first();
    let unit = model
        .map(|model| model.concentration_unit)
        .or(first.map(|level| level.unit))
        .unwrap_or(ConcentrationUnit::MilligramPerLitre);
    InterpretationRecord {
        version: INTERPRETATION_VERSION,
        simulated: case.simulated,
        subject: case.subject.clone(),
        drug: case.drug.clone(),
        origin: case.origin.clone(),
        status: InterpretationStatus::Refused,
        refusals: Vec::new(),
        cautions: Vec::new(),
        matrix: model
            .map(|model| model.matrix.kind)
            .or(first.map(|level| level.matrix))
            .unwrap_or(MatrixKind::DriedBlood),
        unit,
        models: Vec::new(),
        covariates: Vec::new(),
        doses: Vec::new(),
        levels: match model {
            Some(model) => case.levels.iter().map(|level| shown(level, model)).collect(),
            None => Vec::new(),
        },
        target: None,
        estimate: None,
        curve: None,
        options: Vec::new(),
        criterion: String::new(),
        inputs_sha256: String::new(),
        seed: case.seed,
    }
}

/// A level in the record's unit, before the model has said anything of it.
fn shown(level: &CaseLevel, model: &Model) -> LevelUsed {
    let table = DrugTable::embedded();
    let molar_mass = table.drug(&model.drug).and_then(|drug| drug.molar_mass);
    let convert = |value: f64| {
        level
            .unit
            .convert(value, model.concentration_unit, molar_mass)
            .unwrap_or(value)
    };
    let (value, below_limit, interval_95) = match level.value {
        LevelValue::Quantified {
            value, interval_95, ..
        } => (value, false, interval_95),
        LevelValue::Below(limit) => (limit, true, [0.0, limit]),
        LevelValue::Above(limit) => (limit, false, [limit, limit]),
    };
    let mut origin = level.origin.clone();
    if matches!(level.value, LevelValue::Above(_)) {
        origin.push_str(" Above the range: the true level is higher.");
    }
    LevelUsed {
        time_h: level.time_h,
        taken_at: level.taken_at.clone(),
        hours_since_dose: None,
        value: convert(value),
        below_limit,
        interval_95: interval_95.map(convert),
        origin,
        predicted: None,
        prior_percentile: None,
        flags: Vec::new(),
    }
}

/// Adds what the estimate says of each level.
fn complete_levels<M: SystemicMatrix>(
    record: &mut InterpretationRecord,
    case: &PersonCase,
    lead: &Estimated<'_, M>,
) {
    record.levels.sort_by(|a, b| a.time_h.total_cmp(&b.time_h));
    for level in &mut record.levels {
        level.hours_since_dose = lead.case.hours_since_dose(level.time_h);
        let position = lead
            .case
            .problem()
            .observations
            .iter()
            .position(|observation| observation.time_h.to_bits() == level.time_h.to_bits());
        let fit = position.and_then(|position| lead.fit.levels.iter().find(|fit| fit.position == position));
        if let Some(fit) = fit {
            level.predicted = Some(fit.predicted);
            level.prior_percentile = Some(fit.prior_percentile);
            level.flags = level_flags(lead, fit);
        } else if case.refusals.is_empty() {
            level
                .flags
                .push("Not used for the estimate; the refusals say why.".to_owned());
        }
    }
}

fn refuse<'r>(record: &mut InterpretationRecord, refusals: impl Iterator<Item = &'r Refusal>) {
    record.status = InterpretationStatus::Refused;
    notes(record, refusals);
}

fn notes<'r>(record: &mut InterpretationRecord, refusals: impl Iterator<Item = &'r Refusal>) {
    for refusal in refusals {
        let note = RefusalNote {
            code: refusal.code.code().to_owned(),
            reason: sentence(&refusal.reason),
            lifted_by: sentence(&refusal.lifted_by),
        };
        if !record.refusals.contains(&note) {
            record.refusals.push(note);
        }
    }
}

/// Capital letter first, full stop last.
pub(super) fn sentence(text: &str) -> String {
    let mut letters = text.trim().chars();
    let mut sentence: String = letters
        .next()
        .map(|first| first.to_uppercase().chain(letters).collect())
        .unwrap_or_default();
    if !sentence.ends_with(['.', '!', '?']) {
        sentence.push('.');
    }
    sentence
}

fn words(matrix: MatrixKind) -> &'static str {
    match matrix {
        MatrixKind::DriedBlood => "dried blood",
        MatrixKind::WholeBlood => "whole blood",
        MatrixKind::Plasma => "plasma",
    }
}

/// Stamps the record with the digest of everything it was made of.
fn sealed(mut record: InterpretationRecord) -> InterpretationRecord {
    let models: Vec<&str> = record.models.iter().map(|model| model.sha256.as_str()).collect();
    let inputs = serde_json::json!({
        "subject": record.subject, "drug": record.drug, "origin": record.origin, "doses": record.doses,
        "levels": record.levels, "covariates": record.covariates, "target": record.target, "models": models,
        "seed": record.seed,
    });
    // Nothing of a record is NaN or infinite; if it were, the record carries no digest, and says so by its absence.
    record.inputs_sha256 = digest(&inputs).map_or_else(|_| String::new(), |digest| digest.to_string());
    record
}

/// A parameter's name in words.
pub(super) fn parameter_words(name: ParameterName) -> &'static str {
    match name {
        ParameterName::Clearance => "clearance",
        ParameterName::Volume => "volume of distribution",
        ParameterName::CentralVolume => "central volume",
        ParameterName::IntercompartmentalClearance => "clearance between compartments",
        ParameterName::PeripheralVolume => "peripheral volume",
        ParameterName::AbsorptionRate => "absorption rate",
        ParameterName::LagTime => "lag of absorption",
        ParameterName::Bioavailability => "bioavailability",
        ParameterName::RelativeBioavailability => "relative bioavailability",
        ParameterName::MaximumRate => "greatest elimination rate",
        ParameterName::MichaelisConstant => "level at half that rate",
        ParameterName::TransitRate => "transit rate",
    }
}
