//! One person's levels before a model: the only place where a level meets a dose history.

use super::level::{AcceptedValue, InterpretableLevel, SystemicMatrix};
use super::target::{Drug, DrugTable};
use crate::likelihood::{Level, Observation, Problem};
use crate::model::person::{DoseStatement, Findings, Person, Prepared, Running, prepare, resolve};
use crate::model::{AdviceStanding, Model, WhyNotForAdvice};
use crate::refusal::{Refusal, RefusalCode};
use crate::structure::{DoseHistory, ParameterTimeline, Parameters, predict};
use spotwright_domain::matrix::Concentration;
use std::marker::PhantomData;

/// A person, a model, doses and accepted levels of the model's matrix.
#[derive(Debug, Clone)]
pub struct Case<'m, M: SystemicMatrix> {
    model: &'m Model,
    drug: Option<Drug>,
    prepared: Prepared,
    problem: Problem,
    decision_h: f64,
    findings: Findings,
    person: Person,
    matrix: PhantomData<M>,
}

/// Levels of one person further apart than this belong to different occasions (h). Common practice, no source.
const OCCASION_GAP_H: f64 = 48.0;
/// A level this near the next dose is its trough (h): standard sampling windows allow half an hour.
const TROUGH_WINDOW_H: f64 = 0.5;
/// Change of the predicted level within half an hour that is worth a caution.
const TIMING_CAUTION: f64 = 0.1;

impl<'m, M: SystemicMatrix> Case<'m, M> {
    /// Puts a case together; `decision_h` is when the next dose is decided on (h on the axis of doses and levels).
    ///
    /// # Errors
    /// Every refusal that stops the estimate.
    pub fn new(
        model: &'m Model,
        person: &Person,
        doses: &[DoseStatement],
        levels: &[InterpretableLevel<M>],
        decision_h: f64,
    ) -> Result<Self, Vec<Refusal>> {
        let mut refusals = Vec::new();
        if M::KIND != model.matrix.kind {
            refusals.push(Refusal::new(
                RefusalCode::WrongMatrix,
                format!(
                    "the level is on the scale of {:?} and the model of {} was built in {:?}",
                    M::KIND,
                    model.drug,
                    model.matrix.kind
                ),
                "a level converted to the model's matrix by a validated conversion",
            ));
        }
        let drug = DrugTable::embedded().drug(&model.drug).cloned();
        let last = levels
            .iter()
            .map(InterpretableLevel::time_h)
            .fold(decision_h, f64::max);
        let prepared = prepare(model, person, doses, last);
        let begins = prepared
            .as_ref()
            .ok()
            .and_then(|prepared| prepared.schedule.begins_h());
        let mut observations = Vec::new();
        for level in levels {
            match observation(model, drug.as_ref(), level, begins) {
                Ok(observation) => observations.push(observation),
                Err(refusal) => refusals.push(refusal),
            }
        }
        let mut prepared = match prepared {
            Ok(prepared) if refusals.is_empty() => prepared,
            Ok(_) => return Err(refusals),
            Err(mut found) => {
                found.extend(refusals);
                return Err(found);
            }
        };
        observations.sort_by(|a, b| a.time_h.total_cmp(&b.time_h));
        prepared.effects.occasion_starts_h = occasions(&observations);
        let problem = Problem {
            structure: model.structure,
            typical: prepared.typical.clone(),
            effects: prepared.effects.clone(),
            residual: model.residual,
            history: prepared.schedule.history.clone(),
            observations,
        };
        let mut case = Self {
            model,
            drug,
            findings: prepared.findings.clone(),
            prepared,
            problem,
            decision_h,
            person: person.clone(),
            matrix: PhantomData,
        };
        case.add_findings();
        Ok(case)
    }

    /// The estimation problem of this case.
    #[must_use]
    pub fn problem(&self) -> &Problem {
        &self.problem
    }

    /// The model.
    #[must_use]
    pub fn model(&self) -> &Model {
        self.model
    }

    /// Facts, doses and covariates as used.
    #[must_use]
    pub fn prepared(&self) -> &Prepared {
        &self.prepared
    }

    /// When the next dose is decided on (h).
    #[must_use]
    pub fn decision_h(&self) -> f64 {
        self.decision_h
    }

    /// The drug's molar mass, plausible levels and targets; `None`: none stored.
    #[must_use]
    pub fn drug(&self) -> Option<&Drug> {
        self.drug.as_ref()
    }

    /// The regimen now running; `None`: its interval is not known.
    #[must_use]
    pub fn running(&self) -> Option<&Running> {
        self.prepared.schedule.running.as_ref()
    }

    /// What was found wanting so far; none of it stops the estimate.
    #[must_use]
    pub fn findings(&self) -> &Findings {
        &self.findings
    }

    fn add_findings(&mut self) {
        self.standing();
        self.lead_in();
        if self.problem.observations.is_empty() {
            self.findings.refusals.push(Refusal::new(
                RefusalCode::NoLevel,
                "there is no accepted level to interpret",
                "an accepted, converted level",
            ));
        }
        if self.running().is_none() {
            self.findings.refusals.push(Refusal::new(
                RefusalCode::IntervalUnknown,
                "the interval between doses is not known",
                "the regimen: amount and interval",
            ));
        }
        if self.model.guards.exposure_only {
            self.findings.refusals.push(Refusal::new(
                RefusalCode::ExposureOnly,
                format!(
                    "{} has no target range: exposure is reported and no dose proposed",
                    self.model.drug
                ),
                "nothing: programme rules decide",
            ));
        }
        for rule in &self.model.guards.rules {
            self.findings.caution(rule.clone());
        }
        self.timing();
    }

    /// Whether the model may advise at all.
    fn standing(&mut self) {
        let AdviceStanding::ResearchOnly {
            reasons,
            valid_signatures,
            void_signatures,
        } = self.model.advice_standing()
        else {
            return;
        };
        let void = match void_signatures.len() {
            0 => String::new(),
            count => format!("; {count} under facts that have changed since"),
        };
        for reason in reasons {
            let (code, said) = match reason {
                WhyNotForAdvice::LowConfidence => (
                    RefusalCode::ModelLowConfidence,
                    "the model's confidence is low".to_owned(),
                ),
                WhyNotForAdvice::UnverifiedClearance { said } => (
                    RefusalCode::ModelUnsigned,
                    format!("a number of the model's clearance was not read in its source ({said})"),
                ),
            };
            self.findings.refusals.push(Refusal::new(
                code,
                format!("{said}: research display only"),
                format!(
                    "two named people's signatures under the model file ({valid_signatures} valid{void})"
                ),
            ));
        }
    }

    /// Lead-in and titration rules outrank any computed dose.
    fn lead_in(&mut self) {
        if let Some(days) = self.model.guards.advice_from_day {
            let on_drug = self.model.covariate("days_on_drug").and_then(|(at, _)| {
                // At the decision: the timeline has no knot there when no formula asks for the days.
                let now = self.decision_h;
                let resolved = resolve(self.model, &self.person, &self.prepared.schedule, now, now);
                resolved.knots.last().map(|knot| knot.values[at])
            });
            // An unchanged dose: since the running regimen began, when that is on record.
            let unchanged = self
                .running()
                .and_then(|running| running.began_h)
                .map(|began| (self.decision_h - began) / 24.0)
                .filter(|_| self.model.guards.advice_needs_unchanged_dose);
            for (what, found) in [("on the drug", on_drug), ("on this dose", unchanged)] {
                if let Some(found) = found.filter(|found| *found < days) {
                    self.findings.refusals.push(Refusal::new(
                        RefusalCode::LeadIn,
                        format!("day {found:.0} {what}: no steady-state advice before day {days}"),
                        format!("a level on or after day {days} {what}"),
                    ));
                }
            }
        }
        if let Some(rule) = &self.model.dosing.titration {
            let over = self.person.states.as_ref().is_some_and(|states| {
                states
                    .iter()
                    .any(|state| state.eq_ignore_ascii_case("maintenance"))
            });
            if !over {
                self.findings.refusals.push(Refusal::new(
                    RefusalCode::Titration,
                    format!("it is not said that titration is over ({rule})"),
                    "the state `maintenance` stated for this person",
                ));
            }
        }
    }

    /// A level that is no trough, and what half an hour would change.
    fn timing(&mut self) {
        let Some(running) = self.running().copied() else {
            return;
        };
        let times: Vec<f64> = self.problem.observations.iter().map(|o| o.time_h).collect();
        let mut sentences = Vec::new();
        for time_h in times {
            let Some(since) = self.hours_since_dose(time_h) else {
                continue;
            };
            let left = running.interval_h - since;
            if left > TROUGH_WINDOW_H {
                sentences.push(format!(
                    "The level at {time_h} h was taken {since:.1} h after a dose, {left:.1} h before the next: it is no trough and is read as what it is"
                ));
            } else if left < -TROUGH_WINDOW_H {
                sentences.push(format!(
                    "The level at {time_h} h was taken {since:.1} h after a dose, {:.1} h later than the next was due: it lies below a trough",
                    -left
                ));
            }
            if let Some(change) = self.half_hour(time_h).filter(|change| *change > TIMING_CAUTION) {
                sentences.push(format!(
                    "Half an hour more or less at {time_h} h would change the expected level by {:.0} %",
                    change * 100.0
                ));
            }
        }
        for sentence in sentences {
            self.findings.caution(sentence);
        }
    }

    /// Hours from the last dose before a time to that time.
    #[must_use]
    pub fn hours_since_dose(&self, time_h: f64) -> Option<f64> {
        let history = &self.prepared.schedule.history;
        let steady = history.steady_state.map(|steady| {
            let since = time_h - steady.dose.time_h;
            if since > 0.0 {
                steady.dose.time_h
            } else {
                // A sample at a dose's own time was taken before it.
                steady.dose.time_h - steady.interval_h * libm::floor(1.0 - since / steady.interval_h)
            }
        });
        history
            .doses
            .iter()
            .map(|dose| dose.time_h)
            .filter(|dose| *dose < time_h)
            .chain(steady)
            .reduce(f64::max)
            .map(|dose| time_h - dose)
    }

    /// Greatest relative change of the typical person's level half an hour before and after.
    fn half_hour(&self, time_h: f64) -> Option<f64> {
        let problem = &self.problem;
        // A sample drawn before a dose would still have been drawn before it.
        let next = problem.history.doses.iter().map(|dose| dose.time_h);
        let later = next.filter(|dose| *dose >= time_h).fold(time_h + 0.5, f64::min);
        let times = [time_h - 0.5, time_h, later];
        let found = predict(&problem.structure, &problem.typical, &problem.history, &times).ok()?;
        let change = |other: f64| (other / found[1] - 1.0).abs();
        (found[1] > 0.0).then(|| change(found[0]).max(change(found[2])))
    }

    /// Typical values at the decision, for a dose and a day's amount when those are covariates.
    pub(crate) fn typical_for(&self, single_mg: f64, mg_per_day: f64) -> Result<Parameters, Vec<Refusal>> {
        crate::model::person::typical_for_regimen(
            self.model,
            &self.prepared.resolved,
            self.prepared.weight_kg,
            single_mg,
            mg_per_day,
        )
    }

    /// The history until now as a timeline of its own, for what is left of it later.
    pub(crate) fn history(&self) -> (&ParameterTimeline, &DoseHistory) {
        (&self.problem.typical, &self.problem.history)
    }
}

fn observation<M: SystemicMatrix>(
    model: &Model,
    drug: Option<&Drug>,
    level: &InterpretableLevel<M>,
    begins_h: Option<f64>,
) -> Result<Observation, Refusal> {
    let time_h = level.time_h();
    if !time_h.is_finite() {
        return Err(Refusal::new(
            RefusalCode::TimeUnknown,
            "a level has no sampling time",
            "the time the sample was taken",
        ));
    }
    if let Some(begins) = begins_h.filter(|begins| time_h <= *begins) {
        return Err(Refusal::new(
            RefusalCode::LevelBeforeFirstDose,
            format!("the level at {time_h} h was taken before the first dose at {begins} h"),
            "the doses before it, or its true time",
        ));
    }
    let in_model_unit = |concentration: &Concentration<M>| {
        let molar_mass = drug.and_then(|drug| drug.molar_mass);
        concentration
            .in_unit(model.concentration_unit, molar_mass)
            .map_err(|error| {
                Refusal::new(
                    RefusalCode::LevelUnit,
                    error.to_string(),
                    "the level in a mass unit",
                )
            })
    };
    let observation = match level.value() {
        AcceptedValue::Quantified(concentration) => {
            if let Some(drug) = drug {
                drug.level_unit(concentration.value(), Some(concentration.unit().ucum()))?;
            }
            let converted = in_model_unit(concentration)?;
            if converted.value() <= 0.0 {
                return Err(Refusal::new(
                    RefusalCode::LevelNotComputable,
                    format!(
                        "a level of {} at {time_h} h is no quantified level",
                        converted.value()
                    ),
                    "the limit of quantification it lies below",
                ));
            }
            let mut observation = Observation::quantified(time_h, converted.value());
            let u = converted.standard_uncertainty();
            observation.extra_variance = u * u;
            observation
        }
        AcceptedValue::BelowLimit(limit) => {
            Observation::below_limit(time_h, positive_limit(in_model_unit(limit)?.value(), time_h)?)
        }
        AcceptedValue::AboveLimit(limit) => Observation::new(
            time_h,
            Level::AboveLimit {
                upper_limit: positive_limit(in_model_unit(limit)?.value(), time_h)?,
            },
        ),
    };
    Ok(observation)
}

fn positive_limit(limit: f64, time_h: f64) -> Result<f64, Refusal> {
    if limit > 0.0 {
        return Ok(limit);
    }
    Err(Refusal::new(
        RefusalCode::LevelNotComputable,
        format!("the limit of the level at {time_h} h is {limit}"),
        "a limit above 0",
    ))
}

/// An occasion begins halfway between levels that are far apart.
fn occasions(observations: &[Observation]) -> Vec<f64> {
    let Some(first) = observations.first() else {
        return Vec::new();
    };
    // The first occasion also holds before its start.
    let mut starts = vec![first.time_h];
    for pair in observations.windows(2) {
        if pair[1].time_h - pair[0].time_h > OCCASION_GAP_H {
            starts.push(f64::midpoint(pair[0].time_h, pair[1].time_h));
        }
    }
    if starts.len() == 1 { Vec::new() } else { starts }
}
