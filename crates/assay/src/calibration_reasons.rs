//! What a curve and its calibrators say about an analyte's run.

use crate::calibration::SettledCurve;
use crate::input::RunInput;
use crate::limit::{relative_error_pct, same};
use crate::measured::Measured;
use crate::sentence::{NO_NUMBERS, against, count, figures, measured, reason, signed_pct, stated};
use spotwright_domain::reason::{Reason, ReasonCode, Severity};

pub(crate) fn calibration_reasons(input: &RunInput<'_>, of: &Measured) -> Vec<Reason> {
    let mut reasons = Vec::new();
    for calibrator in &of.calibrators {
        if calibrator.ratio.measured().is_none() {
            let line = &input.injections[calibrator.position].injection;
            reasons.push(reason(
                ReasonCode::CalibratorNotMeasured,
                "M10-05",
                Severity::Comment,
                NO_NUMBERS,
                format!(
                    "Calibrator {} at {} has no usable area ratio: look at its trace and internal standard.",
                    level_words(line.level.as_ref()),
                    line.order
                ),
            ));
        }
    }
    let settled = match &of.settled {
        Ok(settled) => settled,
        Err(error) => {
            reasons.push(reason(
                ReasonCode::CurveNotComputable,
                "M10-05",
                Severity::Reject,
                measured(
                    of.calibrators
                        .iter()
                        .filter(|c| c.ratio.measured().is_some())
                        .count() as f64,
                    "1",
                ),
                format!("There is no calibration curve ({error}): repeat the run."),
            ));
            return reasons;
        }
    };
    dropped_reasons(input, of, settled, &mut reasons);
    shape_reasons(of, settled, &mut reasons);
    acceptance_reasons(input, of, settled, &mut reasons);
    if settled.decision.accepted {
        range_reasons(input, of, &mut reasons);
    }
    reasons
}

fn level_words(level: Option<&spotwright_domain::identifier::LevelName>) -> &str {
    level.map_or("of unknown level", |level| level.as_str())
}

/// The reason a measured calibrator is not in the curve; `None` for one that is, or that was not measured.
pub(crate) fn dropped_reason(
    input: &RunInput<'_>,
    of: &Measured,
    settled: &SettledCurve,
    index: usize,
) -> Option<Reason> {
    let calibrator = &of.calibrators[index];
    if settled.used[index] || calibrator.ratio.measured().is_none() {
        return None;
    }
    let line = &input.injections[calibrator.position].injection;
    let lloq = input.method.analytes[of.analyte].lloq();
    let limit = crate::calibration::limit_pct(calibrator.nominal, lloq, &input.method.limits.calibration);
    let (numbers, shown) = match settled.back_calculated[index] {
        Some(found) => {
            let error = relative_error_pct(found, calibrator.nominal);
            (
                against(error, limit, "%"),
                format!("reads back {} from nominal", signed_pct(error)),
            )
        }
        None => (NO_NUMBERS, "cannot be read back from the curve".to_owned()),
    };
    let outcome = if settled.decision.accepted {
        "it was left out and the curve fitted again"
    } else {
        "without it and the others that fail too few are left for a curve"
    };
    Some(reason(
        ReasonCode::CalibratorOutsideLimit,
        "M10-05",
        Severity::Comment,
        numbers,
        format!(
            "Calibrator {} at {} {shown}, {} % is allowed: {outcome}.",
            level_words(line.level.as_ref()),
            line.order,
            stated(limit)
        ),
    ))
}

fn dropped_reasons(input: &RunInput<'_>, of: &Measured, settled: &SettledCurve, reasons: &mut Vec<Reason>) {
    let limits = &input.method.limits.calibration;
    reasons.extend((0..of.calibrators.len()).filter_map(|index| dropped_reason(input, of, settled, index)));
    for level in settled
        .decision
        .levels
        .iter()
        .filter(|level| !level.passes && level.calibrators > 1)
    {
        let share = 100.0 * level.within_limit as f64 / level.calibrators as f64;
        reasons.push(reason(
            ReasonCode::CalibratorLevelFails,
            "M10-05",
            Severity::Comment,
            against(share, limits.min_pass_per_level_pct, "%"),
            format!(
                "At level {} only {} of {} calibrators pass, {} % must: the level does not count.",
                stated(level.nominal),
                level.within_limit,
                level.calibrators,
                stated(limits.min_pass_per_level_pct)
            ),
        ));
    }
}

fn shape_reasons(of: &Measured, settled: &SettledCurve, reasons: &mut Vec<Reason>) {
    let turns = settled
        .first_curve_turns_at
        .or_else(|| settled.curve.turns_inside(of.range));
    if let Some(turn) = turns {
        reasons.push(reason(
            ReasonCode::CurveTurnsOver,
            "CAL-03",
            Severity::Reject,
            against(turn, of.range[1], "1"),
            format!(
                "The curve turns over at {}, inside its range, so one ratio has two concentrations: dilute or shorten the range, and repeat the run.",
                figures(turn)
            ),
        ));
    } else if settled.curve.slope_at(of.range[0]) <= 0.0 || settled.curve.slope_at(of.range[1]) <= 0.0 {
        let slope = settled.curve.slope_at(of.range[0]);
        reasons.push(reason(
            ReasonCode::SlopeNotPositive,
            "CAL-03",
            Severity::Reject,
            against(slope, 0.0, "1"),
            format!("The curve does not rise with concentration (slope {}): check the order of the calibrators and repeat the run.", figures(slope)),
        ));
    }
}

fn acceptance_reasons(
    input: &RunInput<'_>,
    of: &Measured,
    settled: &SettledCurve,
    reasons: &mut Vec<Reason>,
) {
    let limits = &input.method.limits.calibration;
    let decision = &settled.decision;
    if !decision.enough_calibrators {
        let passing: usize = decision.levels.iter().map(|level| level.within_limit).sum();
        let share = 100.0 * passing as f64 / of.calibrators.len().max(1) as f64;
        reasons.push(reason(
            ReasonCode::TooFewCalibratorsPass,
            "M10-05",
            Severity::Reject,
            against(share, limits.min_pass_pct, "%"),
            format!(
                "{passing} of {} calibrators pass, {} % must: repeat the run with fresh calibrators.",
                of.calibrators.len(),
                stated(limits.min_pass_pct)
            ),
        ));
    }
    if !decision.enough_levels {
        let levels = decision.levels.iter().filter(|level| level.passes).count();
        reasons.push(reason(
            ReasonCode::TooFewCalibratorLevels,
            "M10-05",
            Severity::Reject,
            against(levels as f64, limits.min_levels, "1"),
            format!(
                "Only {} of calibrators pass, {} are needed: repeat the run.",
                count(levels, "level", "levels"),
                stated(limits.min_levels)
            ),
        ));
    }
}

fn range_reasons(input: &RunInput<'_>, of: &Measured, reasons: &mut Vec<Reason>) {
    let analyte = &input.method.analytes[of.analyte];
    let unit = analyte.unit.ucum();
    let [low, high] = of.range;
    if low > analyte.lloq() && !same(low, analyte.lloq()) {
        reasons.push(reason(
            ReasonCode::LowerLimitRaised,
            "M10-22",
            Severity::Comment,
            against(low, analyte.lloq(), unit),
            format!(
                "The lowest calibrators failed, so this run's lower limit is {} instead of {} {unit}: samples below it are measured again or reported as below it.",
                stated(low), stated(analyte.lloq())
            ),
        ));
    }
    if high < analyte.uloq() && !same(high, analyte.uloq()) {
        reasons.push(reason(
            ReasonCode::UpperLimitLowered,
            "M10-22",
            Severity::Comment,
            against(high, analyte.uloq(), unit),
            format!(
                "The highest calibrators failed, so this run's upper limit is {} instead of {} {unit}: samples above it are measured again.",
                stated(high), stated(analyte.uloq())
            ),
        ));
    }
    for level in &of.levels {
        let below = level.nominal < low && !same(level.nominal, low);
        let above = level.nominal > high && !same(level.nominal, high);
        if below || above {
            reasons.push(reason(
                ReasonCode::ControlsOutsideRange,
                "M10-22",
                Severity::Reject,
                against(level.nominal, if below { low } else { high }, unit),
                format!(
                    "The control level {} {unit} lies outside this run's range of {} to {}: the run's controls no longer cover it, so repeat the run.",
                    stated(level.nominal), stated(low), stated(high)
                ),
            ));
        }
    }
}
