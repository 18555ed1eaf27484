//! The patterns of an internal standard that limits of 50–150 % miss (EV-56, EV-57): drift, step, samples unlike calibrators and
//! controls, and an area that follows the analyte's concentration.

use crate::input::RunInput;
use crate::limit::at_most;
use crate::sentence::{against, reason, signed_pct, stated};
use crate::series::{Step, Trend, logarithms};
use spotwright_domain::method::InternalStandardLimits;
use spotwright_domain::reason::{Reason, ReasonCode, Severity};
use spotwright_numerics::regression_line::fit_line;
use spotwright_numerics::robust::{median, median_absolute_deviation, theil_sen};
use spotwright_numerics::special::erfc;
use std::collections::BTreeMap;

/// A pattern is named only when chance gives it in fewer than one run of ten thousand, and its size is above the limit.
pub(crate) const CHANCE: f64 = 1e-4;
/// The same for the change with concentration, which rests on few calibrators.
const CHANCE_FEW: f64 = 1e-3;
/// Most points per group a line is put through.
const MOST_KNOWN: usize = 300;

/// Areas of found peaks along the run.
pub(crate) struct Series {
    pub(crate) places: Vec<f64>,
    pub(crate) positions: Vec<usize>,
    pub(crate) areas: Vec<f64>,
}

/// What is known of an analyte for the change with concentration: nominal by position, for accepted calibrators and passing
/// controls.
pub(crate) struct KnownConcentrations<'a> {
    pub(crate) index: usize,
    pub(crate) analyte: &'a str,
    pub(crate) nominals: BTreeMap<usize, f64>,
}

pub(crate) fn drift_reason(drift: Option<Trend>, limits: &InternalStandardLimits) -> Option<Reason> {
    let drift = drift.filter(|d| d.p_value < CHANCE && !at_most(d.change_pct.abs(), limits.max_drift_pct))?;
    Some(reason(
        ReasonCode::InternalStandardDrift,
        "M10-34",
        Severity::Comment,
        against(drift.change_pct, limits.max_drift_pct, "%"),
        format!(
            "The internal standard changes by {} along the run, {} % is worth a look: compare the first and last controls before trusting late samples.",
            signed_pct(drift.change_pct),
            stated(limits.max_drift_pct)
        ),
    ))
}

pub(crate) fn step_reason(
    jump: Option<Step>,
    carriers: &Series,
    input: &RunInput<'_>,
    limits: &InternalStandardLimits,
) -> Option<Reason> {
    let jump = jump.filter(|j| j.p_value < CHANCE && !at_most(j.step_pct.abs(), limits.max_step_pct))?;
    Some(reason(
        ReasonCode::InternalStandardStep,
        "M10-34",
        Severity::Comment,
        against(jump.step_pct, limits.max_step_pct, "%"),
        format!(
            "The internal standard steps by {} at injection {}, {} % is worth a look: look for a changed spray bottle, solvent or source there.",
            signed_pct(jump.step_pct),
            order_of(input, carriers, jump.first_after),
            stated(limits.max_step_pct)
        ),
    ))
}

pub(crate) fn group_reason(group: GroupDifference, limits: &InternalStandardLimits) -> Option<Reason> {
    let difference = 100.0 * libm::expm1(group.log);
    if group.p_value >= CHANCE || at_most(difference.abs(), limits.max_group_difference_pct) {
        return None;
    }
    Some(reason(
        ReasonCode::InternalStandardSamplesUnlike,
        "M10-34",
        Severity::Comment,
        against(difference, limits.max_group_difference_pct, "%"),
        format!(
            "The samples' internal standard lies {} from that of calibrators and controls, {} % is worth a look: check that samples and calibrators got the same standard, and look for a matrix effect.",
            signed_pct(difference),
            stated(limits.max_group_difference_pct)
        ),
    ))
}

/// Regression of the levelled, drift-free logarithm of area on the nominal concentration.
pub(crate) fn concentration_reason(
    known: &KnownConcentrations<'_>,
    carriers: &Series,
    level: &[f64],
    drift_pct: Option<f64>,
    limits: &InternalStandardLimits,
) -> Option<Reason> {
    let span = carriers.places.last()? - carriers.places.first()?;
    let slope = drift_pct.map_or(0.0, |change| libm::log1p(change / 100.0) / span.max(1.0));
    let (mut x, mut y) = (Vec::new(), Vec::new());
    for ((position, place), area) in carriers.positions.iter().zip(&carriers.places).zip(level) {
        if let Some(nominal) = known.nominals.get(position) {
            x.push(*nominal);
            y.push(libm::log(*area) - slope * place);
        }
    }
    if x.len() < 6 {
        return None;
    }
    let line = fit_line(&x, &y).ok()?;
    let range =
        x.iter().fold(f64::NEG_INFINITY, |m, v| m.max(*v)) - x.iter().fold(f64::INFINITY, |m, v| m.min(*v));
    let change = 100.0 * libm::expm1(line.slope * range);
    if line.slope_p_value >= CHANCE_FEW || at_most(change.abs(), limits.max_change_with_concentration_pct) {
        return None;
    }
    let (code, advice) = if change > 0.0 {
        (
            ReasonCode::InternalStandardRisesWithConcentration,
            "look for the analyte's isotopes or an impurity in the internal standard's transition",
        )
    } else {
        (
            ReasonCode::InternalStandardFallsWithConcentration,
            "look for suppression by the analyte or a saturated source",
        )
    };
    Some(reason(
        code,
        "EV-57",
        Severity::Comment,
        against(change, limits.max_change_with_concentration_pct, "%"),
        format!(
            "The internal standard changes by {} from the lowest to the highest {} level, {} % is worth a look: {advice}.",
            signed_pct(change),
            known.analyte,
            stated(limits.max_change_with_concentration_pct)
        ),
    ))
}

#[derive(Debug, Clone, Copy)]
pub(crate) struct GroupDifference {
    /// Logarithm of samples' over calibrators' and controls' area.
    pub(crate) log: f64,
    pub(crate) p_value: f64,
}

/// Samples against the line through calibrators and controls, so that drift does not count as a difference.
pub(crate) fn group_difference(reference: &Series, samples: &Series) -> Option<GroupDifference> {
    let thin = reference.places.len().div_ceil(MOST_KNOWN).max(1);
    let places: Vec<f64> = reference.places.iter().copied().step_by(thin).collect();
    let areas: Vec<f64> = reference.areas.iter().copied().step_by(thin).collect();
    let logs = logarithms(&areas)?;
    if logs.len() < 6 || samples.areas.len() < 6 {
        return None;
    }
    let line = theil_sen(&places, &logs).ok()?;
    let rest = |places: &[f64], logs: &[f64]| -> Vec<f64> {
        places
            .iter()
            .zip(logs)
            .map(|(place, log)| log - line.intercept - line.slope * place)
            .collect()
    };
    let of_known = rest(&places, &logs);
    let of_samples = rest(&samples.places, &logarithms(&samples.areas)?);
    let log = median(&of_samples).ok()? - median(&of_known).ok()?;
    let error = |values: &[f64]| -> Option<f64> {
        let scale = median_absolute_deviation(values).ok()?;
        Some(std::f64::consts::FRAC_PI_2 * scale * scale / values.len() as f64)
    };
    // The line's own uncertainty: as much again as the calibrators' and controls' median.
    let error = (2.0 * error(&of_known)? + error(&of_samples)?).sqrt();
    let p_value = if error > 0.0 {
        erfc(log.abs() / error / std::f64::consts::SQRT_2)
    } else {
        f64::from(log.abs() <= 0.0)
    };
    log.is_finite().then_some(GroupDifference { log, p_value })
}

pub(crate) fn order_of(input: &RunInput<'_>, series: &Series, index: usize) -> u32 {
    series
        .positions
        .get(index)
        .map_or(0, |position| input.injections[*position].injection.order)
}
