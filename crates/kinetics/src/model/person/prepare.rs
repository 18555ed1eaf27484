//! Model and person together: typical values over time, random effects, residual error, dose history.

use super::dose::{DoseStatement, Schedule, schedule};
use super::population::{as_covariate, population_findings, stated_value};
use super::resolve::{Resolved, SpreadOverride, resolve};
use super::{Findings, Person};
use crate::likelihood::{OccasionEffect, RandomEffects};
use crate::model::{CovariateUnit, IfMissing, Model, ModelParameter, PopulationQuantity};
use crate::refusal::{Refusal, RefusalCode, Stops};
use crate::structure::{BetweenKnots, ParameterName, ParameterTimeline, Parameters, TimelineKnot};

/// Everything of a person that does not depend on a level.
#[derive(Debug, Clone, PartialEq)]
pub struct Prepared {
    /// Typical values over time.
    pub typical: ParameterTimeline,
    /// Random effects; occasions are the caller's.
    pub effects: RandomEffects,
    /// Doses.
    pub schedule: Schedule,
    /// Covariates.
    pub resolved: Resolved,
    /// Weight at the end (kg), when known.
    pub weight_kg: Option<f64>,
    /// What was found wanting; none of it stops an estimate.
    pub findings: Findings,
}

/// Prepares a person for a model until `to_h`, the time of the decision or of the last level, whichever is later.
///
/// # Errors
/// Every refusal that stops the estimate: doses that are none, covariates missing or impossible, typical values that
/// cannot be computed.
pub fn prepare(
    model: &Model,
    person: &Person,
    doses: &[DoseStatement],
    to_h: f64,
) -> Result<Prepared, Vec<Refusal>> {
    if !to_h.is_finite() {
        let refusal = Refusal::new(
            RefusalCode::TimeUnknown,
            "the time of the decision is not known",
            "the time of the decision",
        );
        return Err(vec![refusal]);
    }
    let weight = as_covariate(PopulationQuantity::Weight);
    let weight_at = |at_h: f64| {
        stated_value(person, &weight, at_h)
            .ok()
            .flatten()
            .map(|(kg, _)| kg)
    };
    let mut refusals = Vec::new();
    let schedule = schedule(model, doses, &weight_at, to_h).unwrap_or_else(|found| {
        refusals = found;
        Schedule::default()
    });
    let from_h = schedule.begins_h().unwrap_or(to_h).min(to_h);
    let doses_fine = refusals.is_empty();
    let resolved = resolve(model, person, &schedule, from_h, to_h);
    let mut findings = resolved.findings.clone();
    findings.add(population_findings(model, person, to_h));
    findings.refusals.dedup();
    // Without a history what follows from the regimen is not missing, but unknown for a reason already told.
    let of_regimen = |refusal: &Refusal| refusal.code == RefusalCode::IntervalUnknown;
    refusals.extend(
        findings
            .refusals
            .iter()
            .filter(|refusal| refusal.code.stops() == Stops::Estimate || of_regimen(refusal))
            .filter(|refusal| doses_fine || !of_regimen(refusal))
            .cloned(),
    );
    let mut seen: Vec<Refusal> = Vec::new();
    refusals.retain(|refusal| {
        let new = !seen.contains(refusal);
        seen.push(refusal.clone());
        new
    });
    if !refusals.is_empty() {
        return Err(refusals);
    }
    let typical = timeline(model, &resolved)?;
    let effects = effects(model, &resolved);
    Ok(Prepared {
        typical,
        effects,
        schedule,
        weight_kg: weight_at(to_h),
        resolved,
        findings,
    })
}

fn timeline(model: &Model, resolved: &Resolved) -> Result<ParameterTimeline, Vec<Refusal>> {
    let mut knots: Vec<TimelineKnot> = Vec::new();
    for knot in &resolved.knots {
        let values = typical_values(model, &knot.values, &resolved.spread)?;
        if knots.last().is_none_or(|last| last.values != values) {
            knots.push(TimelineKnot {
                from_h: knot.from_h,
                values,
            });
        }
    }
    Ok(ParameterTimeline {
        knots,
        between: BetweenKnots::Constant,
    })
}

/// Typical values for covariate values in the model's order; a genotype mix gives the geometric mean.
///
/// # Errors
/// A formula without a value, or with one no body has, for these covariates.
pub(crate) fn typical_values(
    model: &Model,
    covariates: &[f64],
    spread: &[SpreadOverride],
) -> Result<Parameters, Vec<Refusal>> {
    let mut values = Parameters::new();
    for parameter in &model.parameters {
        let value = mixed(parameter, covariates, spread).map_err(|why| {
            vec![Refusal::new(
                RefusalCode::TypicalValue,
                format!(
                    "{} of the model of {} has no possible value here: {why}",
                    parameter.name, model.drug
                ),
                "covariates inside the model's population",
            )]
        })?;
        values.set(parameter.name, value.0);
    }
    Ok(values)
}

/// Typical values at the end of the history under another regimen: covariates that follow from the regimen change, the
/// others stay. `None` for a weight that a covariate needs keeps the running regimen's value.
pub(crate) fn typical_for_regimen(
    model: &Model,
    resolved: &Resolved,
    weight_kg: Option<f64>,
    single_mg: f64,
    mg_per_day: f64,
) -> Result<Parameters, Vec<Refusal>> {
    let mut covariates = resolved
        .knots
        .last()
        .map_or_else(|| model.defaults(), |knot| knot.values.clone());
    for (at, covariate) in model.covariates.iter().enumerate() {
        if covariate.if_missing != IfMissing::FromRegimen {
            continue;
        }
        if covariate.unit == CovariateUnit::Milligram {
            covariates[at] = single_mg;
        } else if let Some(weight) = weight_kg {
            covariates[at] = mg_per_day / weight;
        }
    }
    typical_values(model, &covariates, &resolved.spread)
}

/// Geometric mean and variance of the log of a parameter over a genotype mix; without one the value itself and 0.
fn mixed(
    parameter: &ModelParameter,
    covariates: &[f64],
    spread: &[SpreadOverride],
) -> Result<(f64, f64), String> {
    let value = |covariates: &[f64]| {
        let value = parameter
            .formula
            .value(covariates)
            .map_err(|error| error.to_string())?;
        if value <= 0.0 {
            return Err(format!("{value} {}", parameter.unit));
        }
        Ok(value * parameter.to_core_unit)
    };
    let mix = spread.iter().find_map(|spread| match spread {
        SpreadOverride::Mixture {
            covariate,
            frequencies,
        } if parameter.formula.covariates().contains(covariate) => Some((*covariate, *frequencies)),
        _ => None,
    });
    let Some((index, frequencies)) = mix else {
        return value(covariates).map(|value| (value, 0.0));
    };
    let mut logs = [0.0; 3];
    for (copies, log) in logs.iter_mut().enumerate() {
        let mut changed = covariates.to_vec();
        changed[index] = copies as f64;
        *log = libm::log(value(&changed)?);
    }
    let mean: f64 = logs.iter().zip(frequencies).map(|(log, f)| f * log).sum();
    let variance: f64 = logs
        .iter()
        .zip(frequencies)
        .map(|(log, f)| f * (log - mean) * (log - mean))
        .sum();
    Ok((libm::exp(mean), variance))
}

fn effects(model: &Model, resolved: &Resolved) -> RandomEffects {
    let last = resolved.knots.last().map_or(&[][..], |knot| &knot.values);
    let mut sd_log: Vec<(ParameterName, f64)> = Vec::new();
    for parameter in &model.parameters {
        let mut sd = parameter.sd_log_between_subject;
        for spread in &resolved.spread {
            if let SpreadOverride::Stated {
                parameter: name,
                sd_log,
            } = spread
                && *name == parameter.name
            {
                sd = sd.max(*sd_log);
            }
        }
        let variance = mixed(parameter, last, &resolved.spread).map_or(0.0, |(_, variance)| variance);
        sd_log.push((parameter.name, (sd * sd + variance).sqrt()));
    }
    let correlations: Vec<(ParameterName, ParameterName, f64)> = model
        .correlations
        .iter()
        .map(|correlation| (correlation.between[0], correlation.between[1], correlation.r))
        .collect();
    let mut effects = RandomEffects::between_subjects(&sd_log, &correlations);
    effects.between_occasion = model
        .parameters
        .iter()
        .filter(|parameter| parameter.sd_log_between_occasion > 0.0)
        .map(|parameter| OccasionEffect {
            parameter: parameter.name,
            sd_log: parameter.sd_log_between_occasion,
        })
        .collect();
    effects
}
