//! Did the rack stand one place off (practice-evidence §8 case 1)? Every area is then plausible and every person's wrong. Only
//! known samples can tell: when they fail, but read right once each is taken for its neighbour in the run.

use crate::calibration::{CalibratorPoint, settle};
use crate::input::RunInput;
use crate::limit::{relative_error_pct, within};
use crate::measured::Measured;
use crate::run::Run;
use crate::sentence::{measured, reason};
use spotwright_domain::reason::{Reason, ReasonCode, Severity};

/// Fewer failing controls than this may read right at a neighbour's place by chance.
const FEWEST_CONTROLS: usize = 3;

/// The reason, when a shift by one place explains what failed.
pub(crate) fn rack_shift_reason(input: &RunInput<'_>, run: &Run, of: &Measured) -> Option<Reason> {
    let (shift, what) = [1, -1].into_iter().find_map(|shift| {
        if calibrators_fit(input, run, of, shift) {
            Some((shift, "calibrators"))
        } else {
            controls_read(input, run, of, shift).then_some((shift, "failing controls"))
        }
    })?;
    let side = if shift > 0 { "after" } else { "before" };
    Some(reason(
        ReasonCode::RackShifted,
        "EV-8.1",
        Severity::Reject,
        measured(f64::from(shift), "1"),
        format!(
            "The {what} read right when each is looked for one place {side} its own: the rack stood one place off, so no sample is what the list says."
        ),
    ))
}

/// The position `shift` places later in the run.
fn neighbour(run: &Run, position: usize, shift: i32) -> Option<usize> {
    let place = i64::try_from(run.rank[position]).ok()? + i64::from(shift);
    run.sequence.get(usize::try_from(place).ok()?).copied()
}

fn calibrators_fit(input: &RunInput<'_>, run: &Run, of: &Measured, shift: i32) -> bool {
    if of.calibrators.is_empty() || of.settled.as_ref().is_ok_and(|settled| settled.decision.accepted) {
        return false;
    }
    let points: Vec<CalibratorPoint> = of
        .calibrators
        .iter()
        .map(|calibrator| CalibratorPoint {
            nominal: calibrator.nominal,
            area_ratio: neighbour(run, calibrator.position, shift)
                .and_then(|position| run.ratio(input.injections, position, of.analyte).measured())
                .map(|ratio| ratio.value),
        })
        .collect();
    let analyte = &input.method.analytes[of.analyte];
    settle(&points, analyte, &input.method.limits.calibration)
        .is_ok_and(|settled| settled.decision.accepted && settled.first_curve_turns_at.is_none())
}

fn controls_read(input: &RunInput<'_>, run: &Run, of: &Measured, shift: i32) -> bool {
    let Some(settled) = of
        .settled
        .as_ref()
        .ok()
        .filter(|settled| settled.decision.accepted)
    else {
        return false;
    };
    // The last control of a shifted run lies beyond the list's end and says nothing.
    let mut looked_at = 0;
    let all_read = of
        .controls
        .iter()
        .filter(|control| !control.passes)
        .all(|control| {
            let Some(position) = neighbour(run, control.position, shift) else {
                return true;
            };
            looked_at += 1;
            run.ratio(input.injections, position, of.analyte)
                .measured()
                .and_then(|ratio| settled.curve.inverse(ratio.value).value())
                .is_some_and(|found| within(relative_error_pct(found, control.nominal), control.limit_pct))
        });
    all_read && looked_at >= FEWEST_CONTROLS
}
