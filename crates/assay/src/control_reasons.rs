//! What the controls say about an analyte's run (M10-20 to M10-27, EV §8 case 6).

use crate::brackets::Standing;
use crate::input::RunInput;
use crate::limit::relative_error_pct;
use crate::measured::{Measured, PlacedControl, dilution_standings};
use crate::run::{Run, is_sample};
use crate::sentence::{NO_NUMBERS, against, count, reason, signed_pct, stated};
use spotwright_domain::identifier::LevelName;
use spotwright_domain::injection::SampleRole;
use spotwright_domain::reason::{Reason, ReasonCode, Severity};
use spotwright_numerics::distribution::student_t_two_sided_p;
use std::collections::BTreeMap;

/// A control drift is named when chance gives it in fewer than one run of two hundred …
const DRIFT_CHANCE: f64 = 0.005;
/// … and it uses up this share of a control's limit from the first control to the last.
const DRIFT_SHARE_OF_LIMIT: f64 = 1.0 / 3.0;
/// Errors beyond this many limits count as this many: one spoilt control is not a drift.
const WILDEST_ERROR: f64 = 2.0;
/// Fewer measured samples than this say too little about the samples' range.
const FEW_SAMPLES: usize = 10;

pub(crate) fn control_reasons(input: &RunInput<'_>, run: &Run, of: &Measured) -> Vec<Reason> {
    let mut reasons = Vec::new();
    reasons.extend(
        of.controls
            .iter()
            .filter_map(|control| failing_control(input, control)),
    );
    let decision = &of.controls_decision;
    let limits = &input.method.limits.control;
    if !decision.enough {
        reasons.push(reason(
            ReasonCode::TooFewControls,
            "M10-20",
            Severity::Reject,
            against(decision.all as f64, decision.needed as f64, "1"),
            format!(
                "The run has {} at {}; it needs {} in all, and {} at each of {} levels: repeat it with enough controls.",
                count(decision.all, "control", "controls"),
                count(of.levels.len(), "level", "levels"),
                decision.needed,
                stated(limits.min_per_level),
                stated(limits.min_levels)
            ),
        ));
    }
    if decision.all > 0 && !decision.two_thirds {
        let share = 100.0 * decision.passing as f64 / decision.all as f64;
        reasons.push(reason(
            ReasonCode::TooFewControlsPass,
            "M10-23",
            Severity::Reject,
            against(share, 200.0 / 3.0, "%"),
            format!("{} of {} controls pass, two thirds must: nothing of this analyte may be reported from this run.", decision.passing, decision.all),
        ));
    }
    for (level, passes) in of.levels.iter().zip(&decision.level_passes) {
        if !passes {
            let share = 100.0 * level.passing() as f64 / level.errors_pct.len() as f64;
            reasons.push(reason(
                ReasonCode::ControlLevelFails,
                "M10-23",
                Severity::Reject,
                against(share, limits.min_pass_per_level_pct, "%"),
                format!(
                    "At control level {} only {} of {} pass, {} % must: nothing of this analyte may be reported from this run.",
                    stated(level.nominal), level.passing(), level.errors_pct.len(), stated(limits.min_pass_per_level_pct)
                ),
            ));
        }
    }
    reasons.extend(drift(input, run, of, limits.max_relative_error_pct));
    reasons.extend(
        of.dilution_controls
            .iter()
            .filter_map(|control| failing_control(input, control)),
    );
    for standing in dilution_standings(&of.dilution_controls)
        .iter()
        .filter(|standing| !standing.stands())
    {
        reasons.push(reason(
            ReasonCode::DilutionControlFails,
            "M10-26",
            Severity::Comment,
            against(100.0 * standing.passing as f64 / standing.all as f64, 200.0 / 3.0, "%"),
            format!(
                "{} of {} dilution controls at factor {} pass, two thirds must: samples diluted by it are measured again.",
                standing.passing, standing.all, stated(standing.factor)
            ),
        ));
    }
    reasons
}

/// The reason a control does not pass; `None` for one that does.
pub(crate) fn failing_control(input: &RunInput<'_>, control: &PlacedControl) -> Option<Reason> {
    if control.passes {
        return None;
    }
    let line = &input.injections[control.position].injection;
    let (what, rule) = match line.role {
        SampleRole::DilutionControl => ("Dilution control", "M10-26"),
        _ => ("Control", "M10-23"),
    };
    let (numbers, shown) = match control.error_pct {
        Some(error) => (
            against(error, control.limit_pct, "%"),
            format!(
                "reads {} from nominal, {} % is allowed",
                signed_pct(error),
                stated(control.limit_pct)
            ),
        ),
        None => (
            NO_NUMBERS,
            "could not be measured and counts as failed: look at its trace".to_owned(),
        ),
    };
    Some(reason(
        ReasonCode::ControlOutsideLimit,
        rule,
        Severity::Comment,
        numbers,
        format!("{what} {} at {} {shown}.", control.level, line.order),
    ))
}

/// Whether errors move along the run. Two looks share the chance of a false alarm: controls alone, which did not make the
/// curve, and controls with every calibrator, which reach further along the run (a closing calibrator that the drift itself
/// made fail speaks too; the curve hides part of what its own calibrators would say).
fn drift(input: &RunInput<'_>, run: &Run, of: &Measured, limit_pct: f64) -> Option<Reason> {
    let bound = WILDEST_ERROR * limit_pct;
    let mut levels: Levels<'_> = BTreeMap::new();
    for control in &of.controls {
        if let Some(error) = control.error_pct {
            let line = &input.injections[control.position].injection;
            let point = (run.rank[control.position] as f64, error.clamp(-bound, bound));
            levels.entry(line.level.as_ref()).or_default().push(point);
        }
    }
    let controls_alone = common_slope(&levels);
    if let Ok(settled) = &of.settled {
        for (calibrator, found) in of.calibrators.iter().zip(&settled.back_calculated) {
            if let Some(found) = found {
                // One mean for all calibrators: the curve itself holds their levels together.
                let error = relative_error_pct(*found, calibrator.nominal).clamp(-bound, bound);
                levels
                    .entry(None)
                    .or_default()
                    .push((run.rank[calibrator.position] as f64, error));
            }
        }
    }
    let first = run.rank[of.controls.first()?.position] as f64;
    let last = run.rank[of.controls.last()?.position] as f64;
    let limit = DRIFT_SHARE_OF_LIMIT * limit_pct;
    let change = [controls_alone, common_slope(&levels)]
        .into_iter()
        .flatten()
        .filter(|(_, p_value)| *p_value < 0.5 * DRIFT_CHANCE)
        .map(|(slope, _)| slope * (last - first))
        .find(|change| change.is_finite() && change.abs() > limit)?;
    Some(reason(
        ReasonCode::ControlsDrift,
        "EV-8.6",
        Severity::Comment,
        against(change, limit, "%"),
        format!(
            "The controls drift by {} along the run though each may pass, {} % is worth a look: late samples are off by as much, so judge them against the nearest controls.",
            signed_pct(change),
            stated(limit)
        ),
    ))
}

/// Place in the run and error (%) of controls by level, and of all calibrators under `None`.
type Levels<'a> = BTreeMap<Option<&'a LevelName>, Vec<(f64, f64)>>;

/// One slope along the run with a mean for each level, and its p value: a level that stands at one place only says nothing
/// (analysis of covariance; R. A. Fisher, Statistical Methods for Research Workers, 1932, §49.1). `None`: too few points.
fn common_slope(levels: &Levels<'_>) -> Option<(f64, f64)> {
    let (mut xx, mut xy, mut yy, mut points) = (0.0, 0.0, 0.0, 0);
    for level in levels.values() {
        let n = level.len() as f64;
        let place = level.iter().fold(0.0, |sum, (x, _)| sum + x) / n;
        let error = level.iter().fold(0.0, |sum, (_, y)| sum + y) / n;
        for (x, y) in level {
            xx += (x - place) * (x - place);
            xy += (x - place) * (y - error);
            yy += (y - error) * (y - error);
        }
        points += level.len();
    }
    let freedom = points
        .checked_sub(levels.len() + 1)
        .filter(|freedom| *freedom >= 3)? as f64;
    let slope = xy / xx;
    let noise = ((yy - slope * xy).max(0.0) / freedom / xx).sqrt();
    let p_value = if noise > 0.0 {
        student_t_two_sided_p(slope / noise, freedom).ok()?
    } else {
        0.0
    };
    Some((slope, p_value))
}

/// Reasons the samples' places among the controls give; `standings` are of the samples only.
pub(crate) fn bracket_reasons(standings: &[Standing]) -> Vec<Reason> {
    let of = |wanted: Standing| standings.iter().filter(|standing| **standing == wanted).count();
    let mut reasons = Vec::new();
    let outside = of(Standing::OutsideBrackets);
    if outside > 0 {
        let all_outside = of(Standing::Bracketed) == 0;
        reasons.push(reason(
            ReasonCode::ControlsNotBracketing,
            "M10-21",
            if all_outside { Severity::Reject } else { Severity::Comment },
            against(outside as f64, 0.0, "1"),
            format!(
                "{} outside the passing controls: put controls before and after every sample; these are measured again.",
                count(outside, "sample stands", "samples stand")
            ),
        ));
    }
    let without = of(Standing::SubBatchWithoutControls) + of(Standing::SubBatchControlsFail);
    if without > 0 {
        reasons.push(reason(
            ReasonCode::SubBatchWithoutControls,
            "M10-21",
            if without == standings.len() {
                Severity::Reject
            } else {
                Severity::Comment
            },
            against(without as f64, 0.0, "1"),
            format!(
                "{} in a sub-batch whose own controls are missing or fail: these are measured again.",
                count(without, "sample stands", "samples stand")
            ),
        ));
    }
    reasons
}

/// At least two control levels within the measured samples' range (M10-27). `values` are the samples' concentrations on the
/// scale of the curve.
pub(crate) fn coverage_reason(of: &Measured, values: &[f64]) -> Option<Reason> {
    let low = values.iter().fold(f64::INFINITY, |least, v| least.min(*v));
    let high = values.iter().fold(f64::NEG_INFINITY, |most, v| most.max(*v));
    let covered = of
        .levels
        .iter()
        .filter(|level| (low..=high).contains(&level.nominal))
        .count();
    if values.len() < 2 || covered >= 2 || of.levels.is_empty() {
        return None;
    }
    Some(reason(
        ReasonCode::ControlsDoNotCoverSamples,
        "M10-27",
        if values.len() < FEW_SAMPLES {
            Severity::Note
        } else {
            Severity::Comment
        },
        against(covered as f64, 2.0, "1"),
        format!(
            "The samples lie between {} and {}; {} within, 2 are needed: add a control level or change the range.",
            stated(low),
            stated(high),
            count(covered, "control level lies", "control levels lie")
        ),
    ))
}

/// Whether a position is a sample.
pub(crate) fn samples(input: &RunInput<'_>, run: &Run) -> Vec<usize> {
    run.sequence
        .iter()
        .copied()
        .filter(|position| is_sample(input.injections[*position].injection.role))
        .collect()
}
