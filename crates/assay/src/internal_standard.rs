//! The internal standard along the run (M10-34, EV-56, EV-57): its limits, and the four patterns that limits of 50–150 % miss:
//! drift, step, samples unlike calibrators and controls, and an area that follows the analyte's concentration.

use crate::input::RunInput;
use crate::limit::{at_least, at_most};
use crate::response_ratio::usable_area;
use crate::run::{Run, is_sample};
use crate::sentence::{against, figures, reason, signed_pct, stated};
use crate::series::{logarithms, step, trend};
use spotwright_domain::injection::SampleRole;
use spotwright_domain::method::InternalStandardLimits;
use spotwright_domain::reason::{Reason, ReasonCode, Severity};
use spotwright_domain::record::{InternalStandardRecord, StepRecord};
use spotwright_numerics::regression_line::fit_line;
use spotwright_numerics::robust::{median, median_absolute_deviation, moving_median, theil_sen};
use spotwright_numerics::special::erfc;
use spotwright_numerics::summary::{coefficient_of_variation, mean};
use std::collections::BTreeMap;

/// A pattern is named only when chance gives it in fewer than one run of ten thousand, and its size is above the limit.
const CHANCE: f64 = 1e-4;
/// The same for the change with concentration, which rests on few calibrators.
const CHANCE_FEW: f64 = 1e-3;
/// A sample further from its neighbours than this many robust standard deviations is unlike them.
const UNLIKE: f64 = 5.0;
/// Neighbours on each side a sample is compared with.
const NEIGHBOURS: usize = 10;
/// Most points per group a line is put through.
const MOST_KNOWN: usize = 300;

/// One internal standard in one run.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct StandardFacts {
    /// Its reasons are those of every analyte read against the standard, then those of single ones.
    pub(crate) record: InternalStandardRecord,
    /// How many of the record's reasons concern every analyte.
    common: usize,
    /// Analyte of each of the record's other reasons.
    of_analyte: Vec<usize>,
    pub(crate) mean_area: Option<f64>,
    /// By position: difference of a sample's logarithm of area from the median of its neighbours, in robust standard
    /// deviations; `None`: not a sample, no peak, or too few samples.
    pub(crate) unlike_neighbours: Vec<Option<f64>>,
    /// Median width at half height over calibrators and controls (s).
    pub(crate) width_s: Option<f64>,
}

/// What is known of an analyte for the change with concentration: nominal by position, for accepted calibrators and passing
/// controls.
pub(crate) struct KnownConcentrations<'a> {
    pub(crate) index: usize,
    pub(crate) analyte: &'a str,
    pub(crate) nominals: BTreeMap<usize, f64>,
}

impl StandardFacts {
    /// The record's reasons that concern an analyte.
    pub(crate) fn reasons_for(&self, analyte: usize) -> Vec<Reason> {
        let (common, single) = self.record.reasons.split_at(self.common);
        let own = single
            .iter()
            .zip(&self.of_analyte)
            .filter(|(_, of)| **of == analyte)
            .map(|(reason, _)| reason);
        common.iter().chain(own).cloned().collect()
    }
}

struct Series {
    places: Vec<f64>,
    positions: Vec<usize>,
    areas: Vec<f64>,
}

/// Whether an internal-standard area is within its limits around the mean of accepted calibrators and controls (M10-34).
#[must_use]
pub fn within_limits(area: f64, mean_area: f64, limits: &InternalStandardLimits) -> bool {
    let share = 100.0 * area / mean_area;
    at_least(share, limits.min_share_of_mean_pct) && at_most(share, limits.max_share_of_mean_pct)
}

/// Looks at one internal standard. `accepted` tells of each position whether it is a calibrator or control that stands for at
/// least one analyte read against this standard.
pub(crate) fn examine(
    input: &RunInput<'_>,
    run: &Run,
    standard: usize,
    accepted: &[bool],
    known: &[KnownConcentrations<'_>],
) -> StandardFacts {
    let limits = &input.method.limits.internal_standard;
    let carriers = series(input, run, standard, |role, _| {
        role.carries_internal_standard() == Some(true)
    });
    let reference = series(input, run, standard, |_, position| accepted[position]);
    let samples = series(input, run, standard, |role, _| is_sample(role));
    let group = group_difference(&reference, &samples);
    let level = carriers_levelled(&carriers, input, group);
    let drift = trend(&carriers.places, &level);
    let jump = step(&level);
    let mut reasons = Vec::new();
    reasons.extend(drift_reason(drift, limits));
    reasons.extend(step_reason(jump, &carriers, input, limits));
    reasons.extend(group.and_then(|group| group_reason(group, limits)));
    reasons.extend(retention_jump(input, run, standard));
    let common = reasons.len();
    let mut of_analyte = Vec::new();
    for concentrations in known {
        let drift_pct = drift.map(|drift| drift.change_pct);
        if let Some(reason) = concentration_reason(concentrations, &carriers, &level, drift_pct, limits) {
            reasons.push(reason);
            of_analyte.push(concentrations.index);
        }
    }
    let mean_area = mean(&reference.areas).ok().filter(|m| *m > 0.0);
    StandardFacts {
        common,
        of_analyte,
        unlike_neighbours: unlike_neighbours(&samples, input.injections.len()),
        width_s: median(&widths(input, standard, &reference)).ok(),
        record: InternalStandardRecord {
            name: input.method.internal_standards[standard].name.clone(),
            mean_area_counts_s: mean_area,
            cv_pct: coefficient_of_variation(&reference.areas)
                .ok()
                .map(|cv| 100.0 * cv),
            drift_pct: drift.map(|drift| drift.change_pct),
            step: jump.map(|jump| StepRecord {
                step_pct: jump.step_pct,
                first_order: order_of(input, &carriers, jump.first_after),
                p_value: jump.p_value,
            }),
            reasons,
        },
        mean_area,
    }
}

fn series(
    input: &RunInput<'_>,
    run: &Run,
    standard: usize,
    wanted: impl Fn(SampleRole, usize) -> bool,
) -> Series {
    let mut found = Series {
        places: Vec::new(),
        positions: Vec::new(),
        areas: Vec::new(),
    };
    for (place, position) in run.sequence.iter().enumerate() {
        let injection = &input.injections[*position];
        let Some(response) = injection.standards.get(standard) else {
            continue;
        };
        let area = usable_area(response).filter(|area| response.found() && *area > 0.0);
        if let (true, None, Some(area)) = (
            wanted(injection.injection.role, *position),
            run.same_trace[*position],
            area,
        ) {
            found.places.push(place as f64);
            found.positions.push(*position);
            found.areas.push(area);
        }
    }
    found
}

fn widths(input: &RunInput<'_>, standard: usize, of: &Series) -> Vec<f64> {
    of.positions
        .iter()
        .map(|position| input.injections[*position].standards[standard].width_half_height_s)
        .filter(|width| *width > 0.0)
        .collect()
}

fn order_of(input: &RunInput<'_>, series: &Series, index: usize) -> u32 {
    series
        .positions
        .get(index)
        .map_or(0, |position| input.injections[*position].injection.order)
}

#[derive(Debug, Clone, Copy)]
struct GroupDifference {
    /// Logarithm of samples' over calibrators' and controls' area.
    log: f64,
    p_value: f64,
}

/// Samples against the line through calibrators and controls, so that drift does not count as a difference.
fn group_difference(reference: &Series, samples: &Series) -> Option<GroupDifference> {
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

/// Areas with the samples brought to the level of calibrators and controls when they clearly differ, so that the border between
/// the two groups is not taken for a step or drift.
fn carriers_levelled(carriers: &Series, input: &RunInput<'_>, group: Option<GroupDifference>) -> Vec<f64> {
    let factor = group
        .filter(|group| group.p_value < 0.01)
        .map_or(1.0, |group| libm::exp(-group.log));
    carriers
        .positions
        .iter()
        .zip(&carriers.areas)
        .map(|(position, area)| {
            if is_sample(input.injections[*position].injection.role) {
                area * factor
            } else {
                *area
            }
        })
        .collect()
}

fn unlike_neighbours(samples: &Series, injections: usize) -> Vec<Option<f64>> {
    let mut found = vec![None; injections];
    let Some(logs) = logarithms(&samples.areas).filter(|logs| logs.len() >= NEIGHBOURS) else {
        return found;
    };
    let Ok(medians) = moving_median(&logs, NEIGHBOURS) else {
        return found;
    };
    let rest: Vec<f64> = logs
        .iter()
        .zip(&medians)
        .map(|(log, median)| log - median)
        .collect();
    if let Ok(scale) = median_absolute_deviation(&rest)
        && scale > 0.0
    {
        for (position, rest) in samples.positions.iter().zip(&rest) {
            found[*position] = Some(rest / scale);
        }
    }
    found
}

fn drift_reason(drift: Option<crate::series::Trend>, limits: &InternalStandardLimits) -> Option<Reason> {
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

fn step_reason(
    jump: Option<crate::series::Step>,
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

fn group_reason(group: GroupDifference, limits: &InternalStandardLimits) -> Option<Reason> {
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
fn concentration_reason(
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

/// A jump of the standard's retention by more than half the identity tolerance (PR-31: drift is smooth, a jump is an event).
fn retention_jump(input: &RunInput<'_>, run: &Run, standard: usize) -> Option<Reason> {
    let limit = 0.5 * input.method.limits.identity.max_retention_difference_pct;
    let (mut times, mut orders) = (Vec::new(), Vec::new());
    for position in &run.sequence {
        let injection = &input.injections[*position];
        if let Some(response) = injection.standards.get(standard)
            && response.found()
            && response.retention_time_min > 0.0
        {
            times.push(response.retention_time_min);
            orders.push(injection.injection.order);
        }
    }
    let jump = step(&times).filter(|j| j.p_value < CHANCE && !at_most(j.step_pct.abs(), limit))?;
    Some(reason(
        ReasonCode::RetentionJump,
        "PR-31",
        Severity::Comment,
        against(jump.step_pct, limit, "%"),
        format!(
            "The internal standard's retention jumps by {} at injection {}, {} % is worth a look: look for a pump or injector event there.",
            signed_pct(jump.step_pct),
            orders[jump.first_after],
            stated(limit)
        ),
    ))
}

/// Reasons one sample's internal standard gives.
pub(crate) fn sample_reasons(
    input: &RunInput<'_>,
    facts: &StandardFacts,
    position: usize,
    standard: usize,
) -> Vec<Reason> {
    let limits = &input.method.limits.internal_standard;
    let Some(response) = input.injections[position].standards.get(standard) else {
        return Vec::new();
    };
    let (Some(mean_area), Some(area), true) = (facts.mean_area, usable_area(response), response.found())
    else {
        return Vec::new();
    };
    let share = 100.0 * area / mean_area;
    let name = &facts.record.name;
    if !within_limits(area, mean_area, limits) {
        let (limit, advice) = if share < 100.0 {
            (
                limits.min_share_of_mean_pct,
                "look for a missed or half spray, a clogged loop or suppression, and measure again",
            )
        } else {
            (
                limits.max_share_of_mean_pct,
                "look for a double spray, and measure again",
            )
        };
        return vec![reason(
            ReasonCode::InternalStandardOutsideLimits,
            "M10-34",
            Severity::Reject,
            against(share, limit, "%"),
            format!(
                "{name} has {} % of the mean of calibrators and controls, {} to {} % is allowed: {advice}.",
                figures(share),
                stated(limits.min_share_of_mean_pct),
                stated(limits.max_share_of_mean_pct)
            ),
        )];
    }
    match facts.unlike_neighbours[position] {
        Some(distance) if distance.abs() > UNLIKE => vec![reason(
            ReasonCode::InternalStandardOutsideLimits,
            "EV-56",
            Severity::Comment,
            against(share, limits.min_share_of_mean_pct, "%"),
            format!(
                "{name} has {} % of the mean, inside the limits but {} robust standard deviations from the samples around it: a ratio that the standard alone moved is wrong, so look at spray and peak.",
                figures(share),
                figures(distance.abs())
            ),
        )],
        _ => Vec::new(),
    }
}
