//! One analyte of one injection, judged on demand from the run's facts: pure, so that a long run can be written out in order
//! or in parallel without ever holding all its results.

use crate::analyte::{AnalyteFacts, repeat_pair};
use crate::card_facts::card_reasons;
use crate::duplicates::{SpotResult, compare, duplicate_reason};
use crate::identity::{ion_ratios, retention_reason};
use crate::incurred_repeat::difference_pct;
use crate::input::RunInput;
use crate::internal_standard::{StandardFacts, sample_reasons};
use crate::limit::{relative_error_pct, same, within};
use crate::peak_quality::{PeakPart, peak_reasons};
use crate::response_ratio::RatioOutcome;
use crate::run::{Run, is_sample};
use crate::run_curve::Read;
use crate::sample_reasons::{
    above_limit, below_limit, carry_over_reason, dilution_reason, missing_reasons, repeat_bookkeeping,
    standing_reason,
};
use crate::sentence::{against, figures, reason, signed_pct, stated};
use crate::verdict::{Means, next_step, verdict};
use spotwright_domain::concentration::ConcentrationCase;
use spotwright_domain::injection::SampleRole;
use spotwright_domain::reason::{Reason, ReasonCode, Severity};
use spotwright_domain::record::{NextStep, ResultRecord, ResultVerdict};

/// Everything a result is judged from.
#[derive(Clone, Copy)]
pub(crate) struct Context<'a, 'r> {
    pub(crate) input: &'a RunInput<'r>,
    pub(crate) run: &'a Run,
    pub(crate) standards: &'a [StandardFacts],
    pub(crate) analytes: &'a [AnalyteFacts],
}

pub(crate) fn result_of(context: Context<'_, '_>, position: usize, analyte: usize) -> ResultRecord {
    let Context { input, run, .. } = context;
    let facts = &context.analytes[analyte];
    let line = &input.injections[position].injection;
    let request = line.card.as_ref().and_then(|card| (input.cards)(card));
    let ratio = run.ratio(input.injections, position, analyte);
    let nominal = nominal(input, position, analyte);
    let read = concentration(context, position, analyte, &ratio);
    let (ion_ratios, of_ions) = match line.role {
        role if judged_by_peak(role) => ion_ratios(input, &facts.identity, position, analyte),
        _ => (Vec::new(), Vec::new()),
    };
    let mut reasons = own_reasons(context, position, analyte, &ratio, of_ions);
    if is_sample(line.role) {
        reasons.extend(place_in_run(context, position, analyte, &read));
    }
    if line.role == SampleRole::Patient {
        reasons.extend(spot_reasons(context, position, analyte, &read));
        if let Some(card) = &line.card {
            let injected_at = input.injections[position].injected_at_unix_s;
            reasons.extend(card_reasons(card, request, injected_at, &input.method.validated));
        }
    }
    let remarks = input.injections[position].remarks.iter();
    reasons.extend(
        remarks
            .filter(|(of, _)| *of == analyte)
            .map(|(_, remark)| remark.clone()),
    );
    reasons.extend(repeat_bookkeeping(input, run, position));
    reasons.extend(incurred_reason(context, position, analyte));
    reasons.extend(facts.level_reasons.get(&position).cloned());

    let asked = request.is_none_or(|request| {
        request.analytes.is_empty() || request.analytes.contains(&input.method.analytes[analyte].name)
    });
    let reported = line.role == SampleRole::Patient && asked;
    let means = Means {
        matrix: input.method.matrix,
        can_dilute: dilution_into_range(context, position, analyte, &read).is_some(),
    };
    let found = read.value.filter(|_| nominal.is_some());
    ResultRecord {
        id: format!("{}/{}", line.id(), input.method.analytes[analyte].name),
        analyte: input.method.analytes[analyte].name.clone(),
        role: line.role,
        level: line.level.clone(),
        card: line.card.clone(),
        spot: line.spot,
        subject: request.map(|request| request.subject.clone()),
        unit: input.method.analytes[analyte].unit,
        area_ratio: ratio.measured().map(|ratio| ratio.value),
        area_ratio_standard_uncertainty: ratio.measured().map(|ratio| ratio.standard_uncertainty()),
        concentration: read.case,
        nominal,
        relative_error_pct: found
            .zip(nominal)
            .map(|(found, nominal)| relative_error_pct(found, nominal)),
        budget: read.budget,
        ion_ratios,
        verdict: if reported {
            verdict(&reasons)
        } else {
            ResultVerdict::NotApplicable
        },
        next_step: if reported {
            next_step(&reasons, means)
        } else {
            NextStep::None
        },
        reasons,
        conversion: None,
    }
}

fn judged_by_peak(role: SampleRole) -> bool {
    is_sample(role) || role.needs_level()
}

fn nominal(input: &RunInput<'_>, position: usize, analyte: usize) -> Option<f64> {
    let line = &input.injections[position].injection;
    let of = &input.method.analytes[analyte];
    let levels = match line.role {
        SampleRole::Calibrator => &of.calibrators,
        SampleRole::Control | SampleRole::DilutionControl => &of.controls,
        _ => return None,
    };
    let name = line.level.as_ref()?;
    levels
        .iter()
        .find(|level| level.name == *name)
        .map(|level| level.concentration)
}

fn concentration(context: Context<'_, '_>, position: usize, analyte: usize, ratio: &RatioOutcome) -> Read {
    let facts = &context.analytes[analyte];
    let line = &context.input.injections[position].injection;
    let without_number = |case| Read {
        case,
        budget: Vec::new(),
        value: None,
    };
    if !judged_by_peak(line.role) {
        return without_number(ConcentrationCase::NotApplicable);
    }
    // A sample's result is never computed from a rejected run (G-4); calibrators and controls show why it was.
    let Some(curve) = facts
        .curve
        .as_ref()
        .filter(|_| facts.stands() || !is_sample(line.role))
    else {
        return without_number(ConcentrationCase::NotComputable);
    };
    match ratio {
        RatioOutcome::Measured(ratio) => curve.read(ratio, line.dilution_factor),
        RatioOutcome::NothingDetected { .. } => curve.nothing_detected(line.dilution_factor),
        RatioOutcome::InternalStandardAbsent(_) | RatioOutcome::NotMeasurable(_) => {
            without_number(ConcentrationCase::NotComputable)
        }
    }
}

/// Reasons that lie in the injection itself: file, peaks, identity, internal standard.
fn own_reasons(
    context: Context<'_, '_>,
    position: usize,
    analyte: usize,
    ratio: &RatioOutcome,
    of_ions: Vec<Reason>,
) -> Vec<Reason> {
    let Context { input, run, .. } = context;
    let facts = &context.analytes[analyte];
    let injection = &input.injections[position];
    let role = injection.injection.role;
    let mut reasons = missing_reasons(input, run, position, ratio);
    if !judged_by_peak(role) || run.same_trace[position].is_some() {
        return reasons;
    }
    let standard = &context.standards[facts.standard];
    let limits = &input.method.limits.peak;
    let responses = &injection.analytes[analyte];
    reasons.extend(sample_reasons(input, standard, position, facts.standard));
    reasons.extend(retention_reason(
        input,
        &facts.identity,
        position,
        analyte,
        facts.standard,
    ));
    reasons.extend(of_ions);
    reasons.extend(peak_reasons(
        PeakPart::Quantifier,
        &responses.quantifier,
        facts.identity.width_s,
        limits,
    ));
    reasons.extend(peak_reasons(
        PeakPart::InternalStandard,
        &injection.standards[facts.standard],
        standard.width_s,
        limits,
    ));
    for (qualifier, response) in responses.qualifiers.iter().enumerate() {
        reasons.extend(peak_reasons(
            PeakPart::Qualifier(qualifier),
            response,
            None,
            limits,
        ));
    }
    reasons
}

/// Reasons that lie in the run and in the number: acceptance, brackets, range, dilution, carry-over.
fn place_in_run(context: Context<'_, '_>, position: usize, analyte: usize, read: &Read) -> Vec<Reason> {
    let Context { input, run, .. } = context;
    let facts = &context.analytes[analyte];
    let mut reasons = Vec::new();
    if !facts.stands() {
        reasons.push(reason(
            ReasonCode::RunRejected,
            "G-4",
            Severity::Reject,
            crate::sentence::NO_NUMBERS,
            format!(
                "The run was rejected for {}: no result is computed from it, so measure again.",
                facts.record.analyte
            ),
        ));
        return reasons;
    }
    reasons.extend(standing_reason(facts.standings[position]));
    reasons.extend(dilution_reason(input, facts, position, analyte));
    match &read.case {
        ConcentrationCase::Measured { .. } => {
            let share = facts
                .carry_over
                .and_then(|carry_over| carry_over.share_of_sample(input.injections, run, position, analyte));
            reasons.extend(share.and_then(|share| carry_over_reason(input, run, position, &share)));
        }
        ConcentrationCase::BelowLloq { lloq, estimate } => {
            reasons.push(below_limit(input, position, analyte, *lloq, *estimate));
        }
        ConcentrationCase::AboveUloq { uloq, .. } => {
            let factor = dilution_into_range(context, position, analyte, read);
            reasons.push(above_limit(input, analyte, *uloq, factor));
        }
        ConcentrationCase::NotComputable | ConcentrationCase::NotApplicable => {}
    }
    reasons
}

/// The smallest validated dilution that brings the sample into range; the largest when nothing better than "above" is known.
fn dilution_into_range(
    context: Context<'_, '_>,
    position: usize,
    analyte: usize,
    read: &Read,
) -> Option<f64> {
    let facts = &context.analytes[analyte];
    let factor = context.input.injections[position].injection.dilution_factor;
    let uloq = facts.curve.as_ref()?.uloq;
    let mut validated: Vec<f64> = context.input.method.analytes[analyte]
        .dilution_factors
        .iter()
        .copied()
        .filter(|validated| *validated > factor && !same(*validated, factor))
        .collect();
    validated.sort_unstable_by(f64::total_cmp);
    match read.value {
        Some(value) => validated.into_iter().find(|factor| value / factor <= uloq),
        None => validated.last().copied(),
    }
}

/// Other spots of the same card in this run.
fn spot_reasons(context: Context<'_, '_>, position: usize, analyte: usize, read: &Read) -> Vec<Reason> {
    let Context { input, run, .. } = context;
    let line = &input.injections[position].injection;
    let Some(own) = spot_result(read) else {
        return Vec::new();
    };
    let Some(card) = &line.card else { return Vec::new() };
    let own_spot = line.spot.unwrap_or(1);
    let mut reasons = Vec::new();
    for other in run
        .spots_of_card
        .get(card)
        .into_iter()
        .flatten()
        .filter(|other| **other != position)
    {
        let other_spot = input.injections[*other].injection.spot.unwrap_or(1);
        if other_spot == own_spot {
            continue;
        }
        let ratio = run.ratio(input.injections, *other, analyte);
        let of_other = concentration(context, *other, analyte, &ratio);
        // A spot that cannot stand on its own does not speak against its neighbour.
        let (_, of_ions) = ion_ratios(input, &context.analytes[analyte].identity, *other, analyte);
        let faults = own_reasons(context, *other, analyte, &ratio, of_ions);
        if faults.iter().any(|reason| reason.severity == Severity::Reject) {
            continue;
        }
        let comparison = spot_result(&of_other).and_then(|of_other| {
            compare(
                &own,
                &of_other,
                input.method.analytes[analyte].within_run_cv_pct,
                &input.method.limits.duplicate,
            )
        });
        reasons.extend(comparison.map(|comparison| duplicate_reason(&comparison, own_spot, other_spot)));
    }
    reasons
}

fn spot_result(read: &Read) -> Option<SpotResult> {
    let ConcentrationCase::Measured { value, .. } = read.case else {
        return None;
    };
    let variance = read
        .budget
        .iter()
        .filter(|term| term.source.ends_with("-area"))
        .fold(0.0, |sum, term| {
            sum + term.standard_uncertainty * term.standard_uncertainty
        });
    Some(SpotResult {
        value,
        area_standard_uncertainty: variance.sqrt(),
    })
}

fn incurred_reason(context: Context<'_, '_>, position: usize, analyte: usize) -> Option<Reason> {
    let Context { input, run, .. } = context;
    let facts = &context.analytes[analyte];
    if input.injections[position].injection.role != SampleRole::IncurredRepeat {
        return None;
    }
    let curve = facts.curve.as_ref().filter(|_| facts.stands())?;
    let (original, repeat) = repeat_pair(input, run, curve, position, analyte)?;
    let limit = input.method.limits.incurred_repeat.max_difference_pct;
    let difference = difference_pct(original, repeat)?;
    if within(difference, limit) {
        return None;
    }
    Some(reason(
        ReasonCode::IncurredRepeatDisagrees,
        "M10-37",
        Severity::Comment,
        against(difference, limit, "%"),
        format!(
            "The repeat ({}) differs by {} from the original ({}), relative to their mean; {} % is allowed: the original stands as reported, the method is in question.",
            figures(repeat),
            signed_pct(difference),
            figures(original),
            stated(limit)
        ),
    ))
}
