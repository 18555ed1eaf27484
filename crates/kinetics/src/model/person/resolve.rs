//! Every covariate of a model over time: stated, derived, from the regimen, or by the policy for what is missing.

use super::derived;
use super::dose::Schedule;
use super::fact::{CovariateFact, canonical_name};
use super::population::{as_covariate, elapses, facts_of, range_findings, stated_value};
use super::{Findings, Person};
use crate::model::{Covariate, CovariateUnit, IfMissing, Limit, Model, PopulationQuantity, RenalEquation};
use crate::refusal::{Refusal, RefusalCode};
use crate::structure::ParameterName;

/// Where a covariate's value comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Origin {
    /// Stated by someone.
    Stated(String),
    /// Computed from others by a named equation.
    Derived(&'static str),
    /// From the regimen in force.
    Regimen,
    /// The default of the model.
    Default,
}

/// A covariate as used.
#[derive(Debug, Clone, PartialEq)]
pub struct CovariateUsed {
    /// The model's name of it.
    pub name: String,
    /// Unit.
    pub unit: &'static str,
    /// Its values, each from a time on (h), neighbours different.
    pub values: Vec<(f64, f64)>,
    /// Where it comes from.
    pub origin: Origin,
    /// What the reader must know of it; empty: nothing.
    pub note: String,
}

/// Values of all covariates from a time on, in the model's order.
#[derive(Debug, Clone, PartialEq)]
pub struct CovariateKnot {
    /// From when (h).
    pub from_h: f64,
    /// The values.
    pub values: Vec<f64>,
}

/// A wider spread for want of a genotype.
#[derive(Debug, Clone, PartialEq)]
pub enum SpreadOverride {
    /// The spread the model states for the unknown genotype.
    Stated {
        /// The parameter.
        parameter: ParameterName,
        /// Standard deviation of its natural log.
        sd_log: f64,
    },
    /// A mix of values of one covariate by frequency.
    Mixture {
        /// Position of the covariate.
        covariate: usize,
        /// Frequencies of 0, 1 and 2, summing to 1.
        frequencies: [f64; 3],
    },
}

/// All covariates of a person for a model.
#[derive(Debug, Clone, PartialEq)]
pub struct Resolved {
    /// Values over time; at least one.
    pub knots: Vec<CovariateKnot>,
    /// The same by covariate, for the record.
    pub used: Vec<CovariateUsed>,
    /// Spreads that differ from the model's.
    pub spread: Vec<SpreadOverride>,
    /// What was found wanting.
    pub findings: Findings,
}

/// Resolves every covariate between two times (h).
///
/// Values hold from their time on, the first also before; quantities that elapse (postnatal age, days on the drug)
/// advance by days. `findings.refusals` that stop the estimate mean that the knots must not be used.
#[must_use]
pub fn resolve(model: &Model, person: &Person, schedule: &Schedule, from_h: f64, to_h: f64) -> Resolved {
    let mut findings = Findings::default();
    let mut spread = Vec::new();
    let times = knot_times(model, person, schedule, from_h, to_h);
    let mut columns: Vec<Vec<f64>> = Vec::new();
    let mut used = Vec::new();
    for (index, covariate) in model.covariates.iter().enumerate() {
        let column = column(
            model,
            person,
            schedule,
            covariate,
            index,
            &times,
            &mut findings,
            &mut spread,
        );
        let (values, origin, note) = column;
        if covariate.unit != CovariateUnit::Flag && covariate.unit != CovariateUnit::Copies {
            for bound in [
                values.iter().copied().reduce(f64::min),
                values.iter().copied().reduce(f64::max),
            ] {
                if let Some(value) = bound.filter(|_| origin != Origin::Default) {
                    let range = [covariate.low, covariate.high];
                    range_findings(
                        &covariate.name,
                        value,
                        range,
                        covariate.unit.text(),
                        &mut findings,
                    );
                }
            }
        }
        used.push(CovariateUsed {
            name: covariate.name.clone(),
            unit: covariate.unit.text(),
            values: changes(&times, &values),
            origin,
            note,
        });
        columns.push(values);
    }
    exclusive_flags(model, &mut columns, &mut findings);
    let mut knots: Vec<CovariateKnot> = Vec::new();
    for (at, from_h) in times.iter().enumerate() {
        let values: Vec<f64> = columns.iter().map(|column| column[at]).collect();
        if knots.last().is_none_or(|last| last.values != values) {
            knots.push(CovariateKnot {
                from_h: *from_h,
                values,
            });
        }
    }
    if findings
        .refusals
        .iter()
        .all(|refusal| refusal.code.stops() < crate::refusal::Stops::Estimate)
    {
        limits(model, &knots, &mut findings);
    }
    findings.refusals.dedup();
    Resolved {
        knots,
        used,
        spread,
        findings,
    }
}

fn changes(times: &[f64], values: &[f64]) -> Vec<(f64, f64)> {
    let mut found: Vec<(f64, f64)> = Vec::new();
    for (time, value) in times.iter().zip(values) {
        if found
            .last()
            .is_none_or(|(_, last)| last.to_bits() != value.to_bits())
        {
            found.push((*time, *value));
        }
    }
    found
}

/// When anything can change: a fact begins, a regimen begins, a day of a quantity that elapses begins.
fn knot_times(model: &Model, person: &Person, schedule: &Schedule, from_h: f64, to_h: f64) -> Vec<f64> {
    let mut times = vec![from_h];
    times.extend(person.facts.iter().filter_map(|fact| fact.from_h));
    if model
        .covariates
        .iter()
        .any(|covariate| covariate.if_missing == IfMissing::FromRegimen)
    {
        times.extend(schedule.rates.iter().map(|rate| rate.from_h));
    }
    let in_formulas = |index: usize| {
        model
            .parameters
            .iter()
            .any(|parameter| parameter.formula.covariates().contains(&index))
    };
    let advances = model
        .covariates
        .iter()
        .enumerate()
        .any(|(index, covariate)| elapses(&canonical_name(&covariate.name)) && in_formulas(index));
    if advances {
        // A year of days at most: beyond, a day changes nothing that a month does not.
        let step = (24.0_f64).max((to_h - from_h) / 366.0);
        let mut at = from_h + step;
        while at < to_h {
            times.push(at);
            at += step;
        }
    }
    times.retain(|time| time.is_finite() && *time >= from_h && *time <= to_h.max(from_h));
    times.sort_by(f64::total_cmp);
    times.dedup();
    times
}

type Column = (Vec<f64>, Origin, String);

#[expect(
    clippy::too_many_arguments,
    reason = "one step of one loop, named for reading"
)]
fn column(
    model: &Model,
    person: &Person,
    schedule: &Schedule,
    covariate: &Covariate,
    index: usize,
    times: &[f64],
    findings: &mut Findings,
    spread: &mut Vec<SpreadOverride>,
) -> Column {
    let mut values = Vec::with_capacity(times.len());
    let mut origin = Origin::Default;
    for (at, time) in times.iter().enumerate() {
        // Quantities that elapse are taken in the middle of their day.
        let middle = if elapses(&canonical_name(&covariate.name)) {
            times
                .get(at + 1)
                .map_or(*time, |next| f64::midpoint(*time, *next))
        } else {
            *time
        };
        match known_value(person, schedule, covariate, middle) {
            Ok(Some((value, from))) => {
                values.push(value);
                origin = from;
            }
            Ok(None) => {
                let note = missing(model, person, covariate, index, findings, spread);
                let value = match &covariate.if_missing {
                    IfMissing::GenotypeUnknown(unknown) => unknown.value,
                    _ => covariate.default,
                };
                return (vec![value; times.len()], Origin::Default, note);
            }
            Err(refusal) => {
                findings.refusals.push(refusal);
                return (
                    vec![covariate.default; times.len()],
                    Origin::Default,
                    String::new(),
                );
            }
        }
    }
    let note = match &origin {
        Origin::Derived(equation) => (*equation).to_owned(),
        _ => String::new(),
    };
    (values, origin, note)
}

fn known_value(
    person: &Person,
    schedule: &Schedule,
    covariate: &Covariate,
    at_h: f64,
) -> Result<Option<(f64, Origin)>, Refusal> {
    if covariate.if_missing == IfMissing::FromRegimen {
        return from_regimen(person, schedule, covariate, at_h);
    }
    if let Some(found) = derived_value(person, covariate, at_h)? {
        return Ok(Some(found));
    }
    if canonical_name(&covariate.name) == "days_on_drug" {
        return Ok(schedule.first_dose_h.map(|first| {
            (
                ((at_h - first) / 24.0).max(0.0),
                Origin::Derived("days since the first dose on record"),
            )
        }));
    }
    Ok(None)
}

/// A quantity stated, or computed from others that are.
pub(super) fn derived_value(
    person: &Person,
    covariate: &Covariate,
    at_h: f64,
) -> Result<Option<(f64, Origin)>, Refusal> {
    if let Some((value, origin)) = stated_value(person, covariate, at_h)? {
        return Ok(Some((value, Origin::Stated(origin))));
    }
    let known = |quantity: PopulationQuantity| {
        stated_value(person, &as_covariate(quantity), at_h).map(|found| found.map(|(value, _)| value))
    };
    let height = || measure(person, "height", CovariateUnit::Kilogram, at_h);
    let creatinine = || measure(person, "creatinine", CovariateUnit::MicromolePerLitre, at_h);
    let found = match canonical_name(&covariate.name).as_str() {
        "pma" => known(PopulationQuantity::GestationalAge)?
            .zip(known(PopulationQuantity::PostnatalAge)?)
            .map(|(ga, pna)| {
                let weeks = derived::postmenstrual_weeks(ga, pna);
                (weeks, "gestational age at birth + postnatal age")
            }),
        "pna" => known(PopulationQuantity::PostmenstrualAge)?
            .zip(known(PopulationQuantity::GestationalAge)?)
            .map(|(pma, ga)| {
                (
                    ((pma - ga) * 7.0).max(0.0),
                    "postmenstrual age - gestational age at birth",
                )
            }),
        "age" => known(PopulationQuantity::PostnatalAge)?.map(|days| (days / 365.25, "postnatal age")),
        "bsa" => height()?
            .zip(known(PopulationQuantity::Weight)?)
            .map(|(height, weight)| (derived::body_surface_m2(height, weight), "Mosteller 1987")),
        "clcr" if covariate.equation == Some(RenalEquation::CockcroftGault) => {
            let female = measure(person, "female", CovariateUnit::Flag, at_h)?;
            let (age, weight) = (
                known(PopulationQuantity::Age)?,
                known(PopulationQuantity::Weight)?,
            );
            age.zip(weight)
                .zip(creatinine()?)
                .zip(female)
                .map(|(((age, weight), creatinine), female)| {
                    let value = derived::cockcroft_gault(age, weight, creatinine, female > 0.5);
                    (value, "Cockcroft and Gault 1976")
                })
        }
        "egfr" if covariate.equation == Some(RenalEquation::BedsideSchwartz) => {
            height()?.zip(creatinine()?).map(|(height, creatinine)| {
                (
                    derived::bedside_schwartz(height, creatinine),
                    "bedside Schwartz 2009",
                )
            })
        }
        _ => None,
    };
    Ok(found.map(|(value, equation)| (value, Origin::Derived(equation))))
}

/// A quantity no model has as its own covariate but equations need.
fn measure(person: &Person, name: &str, unit: CovariateUnit, at_h: f64) -> Result<Option<f64>, Refusal> {
    let mut covariate = as_covariate(PopulationQuantity::Weight);
    name.clone_into(&mut covariate.name);
    covariate.unit = unit;
    covariate.possible = match name {
        "height" => [25.0, 250.0],
        "female" => [0.0, 1.0],
        _ => [5.0, 2500.0],
    };
    if name == "height" {
        return height_cm(person, at_h, covariate.possible);
    }
    Ok(stated_value(person, &covariate, at_h)?.map(|(value, _)| value))
}

fn height_cm(person: &Person, at_h: f64, [least, most]: [f64; 2]) -> Result<Option<f64>, Refusal> {
    let facts = facts_of(person, "height");
    let reached = facts
        .iter()
        .take_while(|fact| fact.from_h.is_none_or(|from| from <= at_h))
        .count();
    let Some(CovariateFact { value, unit, .. }) = facts.get(reached.saturating_sub(1)) else {
        return Ok(None);
    };
    let cm = match unit.as_str() {
        "cm" => *value,
        "m" => value * 100.0,
        _ => {
            return Err(Refusal::new(
                RefusalCode::CovariateUnit,
                format!("height is given in {unit:?}, which is no unit of it"),
                "height in cm",
            ));
        }
    };
    if !(cm >= least && cm <= most) {
        return Err(Refusal::new(
            RefusalCode::CovariateImpossible,
            format!("height of {value} {unit} is not possible in a living person"),
            format!("height between {least} and {most} cm"),
        ));
    }
    Ok(Some(cm))
}

fn from_regimen(
    person: &Person,
    schedule: &Schedule,
    covariate: &Covariate,
    at_h: f64,
) -> Result<Option<(f64, Origin)>, Refusal> {
    let Some(rate) = schedule.rate_at(at_h) else {
        return Err(Refusal::new(
            RefusalCode::IntervalUnknown,
            format!(
                "{} follows from the regimen, and the interval is not known",
                covariate.name
            ),
            "the regimen: amount and interval",
        ));
    };
    if covariate.unit == CovariateUnit::Milligram {
        return Ok(Some((rate.single_mg, Origin::Regimen)));
    }
    match stated_value(person, &as_covariate(PopulationQuantity::Weight), at_h)? {
        Some((weight, _)) => Ok(Some((rate.mg_per_day / weight, Origin::Regimen))),
        None => Err(Refusal::new(
            RefusalCode::DoseWithoutWeight,
            format!("{} needs a weight, which is not known", covariate.name),
            "weight in kg",
        )),
    }
}

/// Applies the policy for a missing covariate; gives the note for the record.
fn missing(
    model: &Model,
    person: &Person,
    covariate: &Covariate,
    index: usize,
    findings: &mut Findings,
    spread: &mut Vec<SpreadOverride>,
) -> String {
    let (name, unit, default) = (&covariate.name, covariate.unit.text(), covariate.default);
    let lifted = format!("{name} in {unit}");
    match &covariate.if_missing {
        IfMissing::Refuse | IfMissing::FromRegimen => {
            findings.refusals.push(Refusal::new(
                RefusalCode::CovariateMissing,
                format!(
                    "{name} is not known and the model of {} cannot do without it",
                    model.drug
                ),
                lifted,
            ));
            "missing".to_owned()
        }
        IfMissing::Ask => {
            findings.refusals.push(Refusal::new(
                RefusalCode::CovariateUnanswered,
                format!("{name} is not answered: {}", covariate.if_missing_note),
                lifted,
            ));
            format!("not answered; {default} is shown")
        }
        IfMissing::DefaultWithWarning => {
            let sentence = format!("{name} is not known: the model's {default} {unit} stands for it");
            findings.caution(sentence.clone());
            sentence
        }
        IfMissing::Default | IfMissing::TwoOrMoreOf(_) => format!("not stated: taken as {default}"),
        IfMissing::GenotypeUnknown(unknown) => {
            spread.push(SpreadOverride::Stated {
                parameter: unknown.parameter,
                sd_log: unknown.sd_log,
            });
            let sentence = format!(
                "{name} is not determined: {} is used with a wider spread of {} ({} on the log scale)",
                unknown.value, unknown.parameter, unknown.sd_log
            );
            findings.caution(sentence.clone());
            sentence
        }
        IfMissing::GenotypeMixture => genotype_mixture(person, covariate, index, findings, spread),
    }
}

fn genotype_mixture(
    person: &Person,
    covariate: &Covariate,
    index: usize,
    findings: &mut Findings,
    spread: &mut Vec<SpreadOverride>,
) -> String {
    let name = &covariate.name;
    let usable = person.genotype_frequencies.filter(|frequencies| {
        let sum: f64 = frequencies.iter().sum();
        frequencies.iter().all(|f| *f >= 0.0) && (sum - 1.0).abs() < 1e-6
    });
    if let Some(frequencies) = usable {
        spread.push(SpreadOverride::Mixture {
            covariate: index,
            frequencies,
        });
        let sentence = format!(
            "{name} is not determined: a mix of {} by local frequencies {frequencies:?}, with the wider spread of the mix",
            covariate.meaning.as_deref().unwrap_or("0, 1 and 2 copies"),
        );
        findings.caution(sentence.clone());
        return sentence;
    }
    findings.refusals.push(Refusal::new(
        RefusalCode::CovariateUnanswered,
        format!("{name} is not determined and no local frequencies (summing to 1) are stated"),
        format!("{name}, or the local frequencies of 0, 1 and 2 copies in the method"),
    ));
    format!("not determined; {} is shown", covariate.default)
}

/// Flags that one flag stands for: two or more of them are that flag, and they count as 0 then.
fn exclusive_flags(model: &Model, columns: &mut [Vec<f64>], findings: &mut Findings) {
    for (index, covariate) in model.covariates.iter().enumerate() {
        let IfMissing::TwoOrMoreOf(singles) = &covariate.if_missing else {
            continue;
        };
        for at in 0..columns[index].len() {
            let count = singles
                .iter()
                .filter(|single| columns[**single][at] > 0.5)
                .count();
            if count >= 2 || columns[index][at] > 0.5 {
                columns[index][at] = 1.0;
                for single in singles {
                    columns[*single][at] = 0.0;
                }
                findings.caution(format!("{} is 1: the single flags count as 0", covariate.name));
            }
        }
    }
}

/// The model's own warnings and refusals.
fn limits(model: &Model, knots: &[CovariateKnot], findings: &mut Findings) {
    let holds = |limit: &Limit| {
        knots
            .iter()
            .any(|knot| limit.when.holds(&knot.values).unwrap_or(true))
    };
    for limit in model.guards.warn.iter().filter(|limit| holds(limit)) {
        findings.caution(limit.because.clone());
    }
    for limit in model.guards.refuse.iter().filter(|limit| holds(limit)) {
        findings.refusals.push(Refusal::new(
            RefusalCode::ModelLimit,
            limit.because.clone(),
            format!("a person of whom `{}` is not true", limit.when.text()),
        ));
    }
}
