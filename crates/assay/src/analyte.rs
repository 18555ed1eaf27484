//! One analyte of one run, judged (M10-24: each analyte stands alone).

use crate::blank_evidence::judge_blanks;
use crate::brackets::{LineKind, Standing, standings};
use crate::calibration_reasons::{calibration_reasons, dropped_reason};
use crate::carry_over::{CarryOver, estimate};
use crate::control_reasons::{bracket_reasons, control_reasons, coverage_reason, failing_control, samples};
use crate::identity::{IdentityReference, reference};
use crate::incurred_repeat::{judge_repeats, repeats_needed};
use crate::input::RunInput;
use crate::internal_standard::StandardFacts;
use crate::limit::same;
use crate::measured::{DilutionStanding, Measured, control_records, dilution_standings};
use crate::preparation::PreparationSource;
use crate::rack_shift::rack_shift_reason;
use crate::response_ratio::usable_area;
use crate::run::Run;
use crate::run_curve::{RunCurve, calibration_points, calibration_record};
use crate::sentence::{against, figures, reason, stated};
use crate::system_suitability::{SuitabilityEvidence, suitability_reasons};
use spotwright_domain::concentration::ConcentrationCase;
use spotwright_domain::injection::SampleRole;
use spotwright_domain::peak::{NoPeakReason, PeakFlag, Response};
use spotwright_domain::reason::{Reason, ReasonCode, Severity, heaviest};
use spotwright_domain::record::{Acceptance, AnalyteRunRecord};
use spotwright_numerics::summary::mean;
use std::collections::BTreeMap;

/// What judging one injection's result needs to know of its analyte's run.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct AnalyteFacts {
    pub(crate) record: AnalyteRunRecord,
    pub(crate) standard: usize,
    pub(crate) curve: Option<RunCurve>,
    pub(crate) carry_over: Option<CarryOver>,
    pub(crate) identity: IdentityReference,
    pub(crate) dilutions: Vec<DilutionStanding>,
    /// By position.
    pub(crate) standings: Vec<Standing>,
    /// By position: why a measured calibrator or control does not pass.
    pub(crate) level_reasons: BTreeMap<usize, Reason>,
}

impl AnalyteFacts {
    pub(crate) fn stands(&self) -> bool {
        self.record.acceptance != Acceptance::Rejected
    }
}

pub(crate) fn judge_analyte(
    input: &RunInput<'_>,
    run: &Run,
    of: &Measured,
    standard: &StandardFacts,
) -> AnalyteFacts {
    let analyte = of.analyte;
    let method = &input.method.analytes[analyte];
    let standard_index = run.standard_of[analyte];
    let no_calibrators = vec![false; of.calibrators.len()];
    let used = of
        .settled
        .as_ref()
        .map_or(&no_calibrators, |settled| &settled.used);
    let identity = reference(input, analyte, standard_index, &of.calibrators, used);
    let lloq_area = lloq_response(input, of, used);
    let carry_over = lloq_area.and_then(|area| estimate(input.injections, run, analyte, area));

    let mut reasons = calibration_reasons(input, of);
    reasons.extend(control_reasons(input, run, of));
    reasons.extend(rack_shift_reason(input, run, of));
    reasons.extend(pooled_reason(of, method.within_run_cv_pct));
    let standings = line_standings(input, run, of, used);
    let sample_positions = samples(input, run);
    let of_samples: Vec<Standing> = sample_positions.iter().map(|p| standings[*p]).collect();
    reasons.extend(bracket_reasons(&of_samples));
    let (blanks, of_blanks) = judge_blanks(input, run, of, lloq_area, standard.mean_area);
    reasons.extend(of_blanks);
    reasons.extend(standard.reasons_for(analyte));
    reasons.extend(suitability_reasons(
        &suitability(input, run, of),
        &input.method.limits.system_suitability,
    ));
    let values = sample_values(input, run, of, &sample_positions);
    reasons.extend(coverage_reason(of, &values));
    reasons.extend(repeat_reasons(input, run, of, sample_positions.len()));

    let settled = of.settled.as_ref().ok();
    let record = AnalyteRunRecord {
        analyte: method.name.clone(),
        unit: method.unit,
        internal_standard: method.internal_standard.clone(),
        acceptance: acceptance(&reasons),
        calibration: settled.map(|settled| calibration_record(input, analyte, settled, of.range)),
        calibration_points: calibration_points(input, &of.calibrators, settled),
        controls: control_records(input, &of.controls),
        dilution_controls: control_records(input, &of.dilution_controls),
        blanks,
        carry_over_fraction: carry_over.map(|carry_over| carry_over.shares[0]),
        preparation_cv_pct: of.preparation.map(|p| 100.0 * p.relative_standard_deviation),
        preparation_degrees_of_freedom: of.preparation.map(|p| p.degrees_of_freedom),
        expected_ion_ratios: identity.ion_ratios.clone(),
        retention_time_min: identity.retention_min,
        reasons,
    };
    AnalyteFacts {
        record,
        standard: standard_index,
        curve: of.curve.clone(),
        carry_over,
        identity,
        dilutions: dilution_standings(&of.dilution_controls),
        standings,
        level_reasons: level_reasons(input, of),
    }
}

/// Said when the run's own calibrators and controls were too few, or too noisy, to show the scatter of preparation.
fn pooled_reason(of: &Measured, within_run_cv_pct: f64) -> Option<Reason> {
    let preparation = of.preparation.filter(|p| p.source == PreparationSource::Pooled)?;
    let pooled = 100.0 * preparation.relative_standard_deviation;
    Some(reason(
        ReasonCode::PreparationScatterPooled,
        "GUM-5",
        Severity::Note,
        against(pooled, within_run_cv_pct, "%"),
        format!(
            "The run alone says too little about the scatter of preparation: uncertainties use {} %, pooled from the run and the method's within-run CV of {} %.",
            figures(pooled),
            stated(within_run_cv_pct)
        ),
    ))
}

fn level_reasons(input: &RunInput<'_>, of: &Measured) -> BTreeMap<usize, Reason> {
    let mut reasons = BTreeMap::new();
    if let Ok(settled) = &of.settled {
        for (index, calibrator) in of.calibrators.iter().enumerate() {
            let reason = dropped_reason(input, of, settled, index);
            reasons.extend(reason.map(|reason| (calibrator.position, reason)));
        }
    }
    for control in of.controls.iter().chain(&of.dilution_controls) {
        let reason = failing_control(input, control).filter(|_| control.found.is_some());
        reasons.extend(reason.map(|reason| (control.position, reason)));
    }
    reasons
}

pub(crate) fn acceptance(reasons: &[Reason]) -> Acceptance {
    match heaviest(reasons) {
        Some(Severity::Reject) => Acceptance::Rejected,
        Some(Severity::Comment) => Acceptance::AcceptedWithComment,
        Some(Severity::Note) | None => Acceptance::Accepted,
    }
}

fn quantifier<'a>(input: &RunInput<'a>, position: usize, analyte: usize) -> Option<&'a Response> {
    input.injections[position]
        .analytes
        .get(analyte)
        .map(|responses| &responses.quantifier)
}

/// Mean analyte area of the calibrators of the fit at the run's lowest level.
fn lloq_response(input: &RunInput<'_>, of: &Measured, used: &[bool]) -> Option<f64> {
    let areas: Vec<f64> = of
        .calibrators
        .iter()
        .zip(used)
        .filter(|(calibrator, used)| **used && same(calibrator.nominal, of.range[0]))
        .filter_map(|(calibrator, _)| usable_area(quantifier(input, calibrator.position, of.analyte)?))
        .collect();
    mean(&areas).ok().filter(|area| *area > 0.0)
}

/// By position.
fn line_standings(input: &RunInput<'_>, run: &Run, of: &Measured, used: &[bool]) -> Vec<Standing> {
    let mut kinds = vec![LineKind::Other; input.injections.len()];
    for position in samples(input, run) {
        kinds[position] = LineKind::Sample;
    }
    for (calibrator, _) in of.calibrators.iter().zip(used).filter(|(_, used)| **used) {
        kinds[calibrator.position] = LineKind::Calibrator;
    }
    for control in &of.controls {
        kinds[control.position] = if control.passes {
            LineKind::PassingControl
        } else {
            LineKind::FailingControl
        };
    }
    let lines: Vec<(LineKind, Option<&str>)> = run
        .sequence
        .iter()
        .map(|p| (kinds[*p], input.injections[*p].injection.sub_batch.as_deref()))
        .collect();
    let mut by_position = vec![Standing::Bracketed; input.injections.len()];
    for (place, standing) in standings(&lines).into_iter().enumerate() {
        by_position[run.sequence[place]] = standing;
    }
    by_position
}

fn suitability(input: &RunInput<'_>, run: &Run, of: &Measured) -> SuitabilityEvidence {
    let lloq = input.method.analytes[of.analyte].lloq();
    let mut evidence = SuitabilityEvidence {
        lloq_signal_to_noise: of
            .calibrators
            .iter()
            .filter(|calibrator| same(calibrator.nominal, lloq))
            .filter_map(|calibrator| quantifier(input, calibrator.position, of.analyte))
            .filter_map(lloq_signal)
            .collect(),
        ..SuitabilityEvidence::default()
    };
    for position in run.of_role(input.injections, SampleRole::SystemSuitability) {
        evidence.injections += 1;
        if let (Some(ratio), Some(response)) = (
            run.ratio(input.injections, position, of.analyte).measured(),
            quantifier(input, position, of.analyte),
        ) {
            evidence.area_ratios.push(ratio.value);
            evidence.retentions_min.push(response.retention_time_min);
        }
    }
    evidence
}

/// Signal to noise of a lowest calibrator: none when nothing stood out of the noise, unknown when it could not be measured.
fn lloq_signal(response: &Response) -> Option<f64> {
    match response.missing {
        None if response.has(PeakFlag::NoiseNotMeasurable) => None,
        None => Some(response.signal_to_noise),
        Some(NoPeakReason::NothingAboveNoise) => Some(0.0),
        Some(_) => None,
    }
}

/// Concentrations of the samples within range, on the scale of the curve.
fn sample_values(input: &RunInput<'_>, run: &Run, of: &Measured, positions: &[usize]) -> Vec<f64> {
    let Some(curve) = &of.curve else { return Vec::new() };
    positions
        .iter()
        .filter_map(|position| {
            let ratio = run.ratio(input.injections, *position, of.analyte).measured()?;
            let value = curve.curve.inverse(ratio.value).value()?;
            (curve.lloq..=curve.uloq).contains(&value).then_some(value)
        })
        .collect()
}

/// The concentration an injection of this run shows for the analyte, when it is within range.
pub(crate) fn value_in_range(
    input: &RunInput<'_>,
    run: &Run,
    curve: &RunCurve,
    position: usize,
    analyte: usize,
) -> Option<f64> {
    let ratio = run.ratio(input.injections, position, analyte).measured()?;
    let read = curve.read(&ratio, input.injections[position].injection.dilution_factor);
    match read.case {
        ConcentrationCase::Measured { value, .. } => Some(value),
        _ => None,
    }
}

/// Original and repeat of an incurred repeat, when both are known: of this run, or as an earlier run reported it.
pub(crate) fn repeat_pair(
    input: &RunInput<'_>,
    run: &Run,
    curve: &RunCurve,
    position: usize,
    analyte: usize,
) -> Option<(f64, f64)> {
    let id = input.injections[position].injection.repeat_of.as_deref()?;
    let original = match run.position_of(input.injections, id) {
        Some(of) => value_in_range(input, run, curve, of, analyte),
        None => (input.earlier)(id, analyte).filter(|value| value.is_finite()),
    }?;
    Some((original, value_in_range(input, run, curve, position, analyte)?))
}

fn repeat_reasons(input: &RunInput<'_>, run: &Run, of: &Measured, samples: usize) -> Vec<Reason> {
    let limits = &input.method.limits.incurred_repeat;
    let repeats: Vec<usize> = run
        .of_role(input.injections, SampleRole::IncurredRepeat)
        .collect();
    let Some(curve) = of.curve.as_ref().filter(|_| !repeats.is_empty()) else {
        return Vec::new();
    };
    let pairs: Vec<(f64, f64)> = repeats
        .iter()
        .filter_map(|p| repeat_pair(input, run, curve, *p, of.analyte))
        .collect();
    let mut reasons = Vec::new();
    let decision = judge_repeats(&pairs, limits);
    if decision.compared > 0 && !decision.accepted {
        reasons.push(reason(
            ReasonCode::IncurredRepeatsFail,
            "M10-37",
            Severity::Comment,
            against(100.0 * decision.passing as f64 / decision.compared as f64, 200.0 / 3.0, "%"),
            format!(
                "{} of {} incurred repeats are within {} % of their originals, two thirds must be: stop and find the cause before more samples are measured.",
                decision.passing, decision.compared, stated(limits.max_difference_pct)
            ),
        ));
    }
    let needed = repeats_needed(samples - repeats.len(), limits);
    if repeats.len() < needed {
        reasons.push(reason(
            ReasonCode::TooFewIncurredRepeats,
            "M10-36",
            Severity::Note,
            against(repeats.len() as f64, needed as f64, "1"),
            format!("The run repeats {} samples; for as many samples as it holds {needed} are to be repeated, here or in a later run.", repeats.len()),
        ));
    }
    reasons
}
