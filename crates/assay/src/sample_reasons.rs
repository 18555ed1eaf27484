//! Reasons that one sample gives: missing peaks, range, dilution, brackets, carry-over, repeats without a reason.

use crate::analyte::AnalyteFacts;
use crate::brackets::Standing;
use crate::carry_over::{CarryOverFinding, CarryOverShare};
use crate::input::RunInput;
use crate::limit::{at_most, same};
use crate::response_ratio::RatioOutcome;
use crate::run::{Run, is_sample};
use crate::sentence::{NO_NUMBERS, against, figures, measured, reason, stated};
use spotwright_domain::injection::SampleRole;
use spotwright_domain::peak::NoPeakReason;
use spotwright_domain::reason::{Reason, ReasonCode, Severity};

/// What the file and the peaks do not show.
pub(crate) fn missing_reasons(
    input: &RunInput<'_>,
    run: &Run,
    position: usize,
    ratio: &RatioOutcome,
) -> Vec<Reason> {
    let injection = &input.injections[position];
    if let Some(twin) = run.same_trace[position] {
        return vec![reason(
            ReasonCode::SameTraceTwice,
            "PR-7.15",
            Severity::Reject,
            measured(f64::from(input.injections[twin].injection.order), "1"),
            format!(
                "Injections {} and {} hold the same bytes: one of them was saved under the wrong name, and which is not known; find the right file or inject again.",
                injection.injection.order, input.injections[twin].injection.order
            ),
        )];
    }
    if let Some(problem) = &injection.file_problem {
        return vec![problem.clone()];
    }
    if injection.injection.role == SampleRole::Conditioning {
        return Vec::new();
    }
    let expects_standard = injection.injection.role.carries_internal_standard() == Some(true);
    let expects_analyte = is_sample(injection.injection.role) || injection.injection.role.needs_level();
    match ratio {
        RatioOutcome::InternalStandardAbsent(why) if expects_standard => {
            let nothing_at_all = expects_analyte
                && injection.analytes.iter().all(|of| of.quantifier.missing == Some(NoPeakReason::NothingAboveNoise));
            let air = nothing_at_all.then(|| {
                reason(
                    ReasonCode::PeakMissing,
                    "PR-21",
                    Severity::Comment,
                    NO_NUMBERS,
                    "No analyte was found either: air may have been injected, or nothing at all.".to_owned(),
                )
            });
            std::iter::once(standard_absent(*why)).chain(air).collect()
        }
        RatioOutcome::NotMeasurable(why) => vec![not_measurable(*why)],
        RatioOutcome::NothingDetected {
            reason: NoPeakReason::NothingAtExpectedTime,
            ..
        } if expects_analyte => vec![reason(
            ReasonCode::PeakMissing,
            "C62-2",
            Severity::Comment,
            NO_NUMBERS,
            "Peaks stand in the trace, none where the analyte belongs: look whether the retention moved before calling it absent.".to_owned(),
        )],
        RatioOutcome::NothingDetected { .. } if injection.injection.role.needs_level() => vec![reason(
            ReasonCode::PeakMissing,
            "M10-05",
            Severity::Comment,
            NO_NUMBERS,
            "No peak stands out of the noise although analyte was added: look at preparation and injection.".to_owned(),
        )],
        _ => Vec::new(),
    }
}

fn standard_absent(why: NoPeakReason) -> Reason {
    let (code, text) = match why {
        NoPeakReason::TraceAbsent => (
            ReasonCode::TraceMissing,
            "The file holds no trace of the internal standard, so there is no ratio: check the acquisition and inject again.",
        ),
        NoPeakReason::WindowOutsideTrace => (
            ReasonCode::TraceMissing,
            "The recorded time ends before the internal standard would appear, so there is no ratio: check the acquisition window and inject again.",
        ),
        NoPeakReason::FileUnreadable => (
            ReasonCode::TraceFileUnreadable,
            "The trace file could not be read: export it again, or inject again.",
        ),
        _ => (
            ReasonCode::InternalStandardAbsent,
            "No internal standard was found, so there is no ratio and no concentration: look for a missed spray or injection, and measure again.",
        ),
    };
    reason(code, "M10-34", Severity::Reject, NO_NUMBERS, text.to_owned())
}

fn not_measurable(why: NoPeakReason) -> Reason {
    let (code, rule, text) = match why {
        NoPeakReason::TooWide => (
            ReasonCode::PeakUnusuallyWide,
            "EV-33",
            "Only a peak more than twice as wide as usual stands where the analyte would: it elutes late from an injection before, and may hide what is there; inject again.",
        ),
        NoPeakReason::FileUnreadable => (
            ReasonCode::TraceFileUnreadable,
            "C62-2",
            "The trace file could not be read: export it again, or inject again.",
        ),
        NoPeakReason::TraceAbsent => (
            ReasonCode::TraceMissing,
            "C62-2",
            "The file holds no trace of the analyte: check the acquisition and inject again.",
        ),
        NoPeakReason::WindowOutsideTrace => (
            ReasonCode::TraceMissing,
            "C62-2",
            "The recorded time ends before the analyte would appear: check the acquisition window and inject again.",
        ),
        _ => (
            ReasonCode::PeakMissing,
            "C62-2",
            "The trace has too few points where the analyte would appear: check the acquisition and inject again.",
        ),
    };
    reason(code, rule, Severity::Reject, NO_NUMBERS, text.to_owned())
}

pub(crate) fn standing_reason(standing: Standing) -> Option<Reason> {
    let (code, text) = match standing {
        Standing::Bracketed => return None,
        Standing::OutsideBrackets => (
            ReasonCode::OutsideBrackets,
            "The sample does not stand between passing controls, so nothing shows that the line was in order: measure again.",
        ),
        Standing::SubBatchWithoutControls => (
            ReasonCode::SubBatchWithoutControls,
            "The sample's sub-batch has no controls of its own, and those of another do not speak for it: measure again.",
        ),
        Standing::SubBatchControlsFail => (
            ReasonCode::TooFewControlsPass,
            "Fewer than two thirds of the controls of the sample's sub-batch pass: measure again.",
        ),
    };
    Some(reason(
        code,
        "M10-21",
        Severity::Reject,
        NO_NUMBERS,
        text.to_owned(),
    ))
}

/// Whether the sample's dilution was validated (M10-13) and stands in this run (M10-26).
pub(crate) fn dilution_reason(
    input: &RunInput<'_>,
    facts: &AnalyteFacts,
    position: usize,
    analyte: usize,
) -> Option<Reason> {
    let factor = input.injections[position].injection.dilution_factor;
    if same(factor, 1.0) {
        return None;
    }
    let largest = input.method.analytes[analyte]
        .dilution_factors
        .iter()
        .fold(1.0_f64, |most, f| most.max(*f));
    if factor < 1.0 || !at_most(factor, largest) {
        return Some(reason(
            ReasonCode::DilutionNotValidated,
            "M10-13",
            Severity::Reject,
            against(factor, largest, "1"),
            format!(
                "The extract was diluted {} times, the method was validated up to {} times: this number cannot be reported.",
                stated(factor),
                stated(largest)
            ),
        ));
    }
    match facts
        .dilutions
        .iter()
        .find(|standing| same(standing.factor, factor))
    {
        None => Some(reason(
            ReasonCode::DilutionControlMissing,
            "M10-26",
            Severity::Reject,
            measured(factor, "1"),
            format!(
                "No dilution control at factor {} stands in the run: measure the sample again beside one.",
                stated(factor)
            ),
        )),
        Some(standing) if !standing.stands() => Some(reason(
            ReasonCode::DilutionControlFails,
            "M10-26",
            Severity::Reject,
            against(
                100.0 * standing.passing as f64 / standing.all as f64,
                200.0 / 3.0,
                "%",
            ),
            format!(
                "{} of {} dilution controls at factor {} pass, two thirds must: measure the sample again.",
                standing.passing,
                standing.all,
                stated(factor)
            ),
        )),
        Some(_) => None,
    }
}

pub(crate) fn below_limit(
    input: &RunInput<'_>,
    position: usize,
    analyte: usize,
    lloq: f64,
    estimate: Option<f64>,
) -> Reason {
    let of = &input.method.analytes[analyte];
    let own = of.lloq() * input.injections[position].injection.dilution_factor;
    let unit = of.unit.ucum();
    // Between the method's limit and this run's raised one the sample could have been measured (M10-22).
    let lost = lloq > own && !same(lloq, own) && estimate.is_some_and(|estimate| estimate >= own);
    let text = match estimate {
        _ if lost => format!(
            "The result lies below this run's raised lower limit of {} {unit} but not below the method's {}: measure again, or report it as below {}.",
            stated(lloq),
            stated(own),
            stated(lloq)
        ),
        Some(_) => format!(
            "The result lies below the lower limit of {} {unit}: report it as below {}.",
            stated(lloq),
            stated(lloq)
        ),
        None => format!(
            "No peak was found: report the result as below the lower limit of {} {unit}.",
            stated(lloq)
        ),
    };
    let numbers = match estimate {
        Some(estimate) => against(estimate, lloq, unit),
        None => crate::sentence::unknown_against(lloq, unit),
    };
    let severity = if lost { Severity::Comment } else { Severity::Note };
    reason(ReasonCode::BelowLowerLimit, "M10-28", severity, numbers, text)
}

pub(crate) fn above_limit(input: &RunInput<'_>, analyte: usize, uloq: f64, factor: Option<f64>) -> Reason {
    let unit = input.method.analytes[analyte].unit.ucum();
    let numbers = crate::sentence::unknown_against(uloq, unit);
    match factor {
        Some(factor) => reason(
            ReasonCode::AboveUpperLimit,
            "M10-28",
            Severity::Reject,
            numbers,
            format!(
                "The result lies above the upper limit of {} {unit}: measure an extract diluted {} times.",
                stated(uloq),
                stated(factor)
            ),
        ),
        None => reason(
            ReasonCode::AboveUpperLimit,
            "M10-28",
            Severity::Comment,
            numbers,
            format!(
                "The result lies above the upper limit of {} {unit} and no validated dilution reaches it: report it as above {}, and ask for a venous sample.",
                stated(uloq),
                stated(uloq)
            ),
        ),
    }
}

pub(crate) fn carry_over_reason(
    input: &RunInput<'_>,
    run: &Run,
    position: usize,
    share: &CarryOverShare,
) -> Option<Reason> {
    let limit = input.method.limits.carry_over.max_share_of_sample_pct;
    let before = run.before(position, 1)?;
    let order = input.injections[before].injection.order;
    let numbers = against(share.share_pct, limit, "%");
    match share.judge(limit) {
        CarryOverFinding::Small => None,
        CarryOverFinding::Doubtful => Some(reason(
            ReasonCode::CarryOverFromPredecessor,
            "PR-24",
            Severity::Comment,
            numbers,
            format!(
                "Injection {order} before it was so strong that {} ± {} % of this response may be carried over, {} % is allowed: the blanks are too noisy to say, so look, or inject again after a blank.",
                figures(share.share_pct),
                figures(share.standard_uncertainty_pct),
                stated(limit)
            ),
        )),
        CarryOverFinding::TooLarge => Some(reason(
            ReasonCode::CarryOverFromPredecessor,
            "PR-24",
            Severity::Reject,
            numbers,
            format!(
                "About {} % of this response is carried over from the strong injection {order} before it, {} % is allowed: inject again after a blank.",
                figures(share.share_pct),
                stated(limit)
            ),
        )),
    }
}

/// The same spot injected again, or a line that repeats another, without a reason (M10-29, M10-32).
pub(crate) fn repeat_bookkeeping(input: &RunInput<'_>, run: &Run, position: usize) -> Option<Reason> {
    let line = &input.injections[position].injection;
    let has_reason = line
        .repeat_reason
        .as_deref()
        .is_some_and(|text| !text.trim().is_empty());
    if has_reason || line.role == SampleRole::IncurredRepeat {
        return None;
    }
    let earlier_same_spot = || {
        let card = line.card.as_ref().filter(|_| line.role == SampleRole::Patient)?;
        run.spots_of_card.get(card)?.iter().copied().find(|other| {
            let of = &input.injections[*other].injection;
            run.rank[*other] < run.rank[position]
                && of.spot.unwrap_or(1) == line.spot.unwrap_or(1)
                && same(of.dilution_factor, line.dilution_factor)
        })
    };
    let repeated = match &line.repeat_of {
        Some(id) => id.clone(),
        None => input.injections[earlier_same_spot()?].injection.id(),
    };
    Some(reason(
        ReasonCode::RepeatWithoutReason,
        "M10-32",
        Severity::Comment,
        NO_NUMBERS,
        format!(
            "It repeats {repeated} and no reason is noted: write the reason down; a result that merely surprises is none."
        ),
    ))
}
