//! The internal standard along the run (M10-34): its limits, its neighbours, and what `crate::standard_patterns` finds.

use crate::input::RunInput;
use crate::limit::{at_least, at_most};
use crate::response_ratio::usable_area;
use crate::run::{Run, is_sample};
use crate::sentence::{against, figures, reason, signed_pct, stated};
use crate::series::{logarithms, step, trend};
pub(crate) use crate::standard_patterns::KnownConcentrations;
use crate::standard_patterns::{
    CHANCE, GroupDifference, Series, concentration_reason, drift_reason, group_difference, group_reason,
    order_of, step_reason,
};
use spotwright_domain::injection::SampleRole;
use spotwright_domain::method::InternalStandardLimits;
use spotwright_domain::reason::{Reason, ReasonCode, Severity};
use spotwright_domain::record::{InternalStandardRecord, StepRecord};
use spotwright_numerics::robust::{median, median_absolute_deviation, moving_median};
use spotwright_numerics::summary::{coefficient_of_variation, mean};

/// A sample further from its neighbours than this many robust standard deviations is unlike them.
const UNLIKE: f64 = 5.0;
/// Neighbours on each side a sample is compared with.
const NEIGHBOURS: usize = 10;

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
