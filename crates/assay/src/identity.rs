//! Is it the right peak? Retention and qualifier/quantifier ratio against the run's accepted calibrators (C62-2, EV-51, EV-55).

use crate::input::RunInput;
use crate::limit::{at_most, within};
use crate::response_ratio::{uncertainty, usable_area};
use crate::run_curve::PlacedCalibrator;
use crate::sentence::{NO_NUMBERS, against, figures, reason, signed_pct};
use spotwright_domain::peak::{NoPeakReason, Response};
use spotwright_domain::reason::{Reason, ReasonCode, Severity};
use spotwright_domain::record::IonRatioRecord;
use spotwright_numerics::robust::median;
use spotwright_numerics::summary::mean;

/// Calibrators whose own ratio is noisier than this (relative) say nothing about the expected ratio.
const NOISIEST_REFERENCE: f64 = 0.25;

/// What the run's accepted calibrators show.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct IdentityReference {
    /// Mean retention (min).
    pub(crate) retention_min: Option<f64>,
    /// Mean retention minus the internal standard's (min).
    pub(crate) after_standard_min: Option<f64>,
    /// Mean qualifier/quantifier ratio, one a qualifier.
    pub(crate) ion_ratios: Vec<Option<f64>>,
    /// Median width at half height (s).
    pub(crate) width_s: Option<f64>,
}

/// Gathers the reference from the calibrators in the fit.
pub(crate) fn reference(
    input: &RunInput<'_>,
    analyte: usize,
    standard: usize,
    calibrators: &[PlacedCalibrator],
    used: &[bool],
) -> IdentityReference {
    let found: Vec<usize> = calibrators
        .iter()
        .zip(used)
        .filter(|(calibrator, used)| **used && calibrator.ratio.measured().is_some())
        .map(|(calibrator, _)| calibrator.position)
        .collect();
    let quantifier = |position: &usize| input.injections[*position].analytes[analyte].quantifier;
    let retentions: Vec<f64> = found.iter().map(|p| quantifier(p).retention_time_min).collect();
    let after: Vec<f64> = found
        .iter()
        .map(|p| {
            quantifier(p).retention_time_min - input.injections[*p].standards[standard].retention_time_min
        })
        .collect();
    let widths: Vec<f64> = found
        .iter()
        .map(|p| quantifier(p).width_half_height_s)
        .filter(|width| *width > 0.0)
        .collect();
    let ion_ratios = (0..input.method.analytes[analyte].qualifiers.len())
        .map(|qualifier| {
            let ratios: Vec<f64> = found
                .iter()
                .filter_map(|p| {
                    let of = input.injections[*p].analytes[analyte].qualifiers.get(qualifier)?;
                    let ratio = ion_ratio(of, &quantifier(p)).filter(|_| of.found())?;
                    (ratio.relative_noise() <= NOISIEST_REFERENCE).then_some(ratio.value)
                })
                .collect();
            mean(&ratios).ok().filter(|ratio| *ratio > 0.0)
        })
        .collect();
    IdentityReference {
        retention_min: mean(&retentions).ok(),
        after_standard_min: mean(&after).ok(),
        ion_ratios,
        width_s: median(&widths).ok(),
    }
}

struct IonRatio {
    value: f64,
    standard_uncertainty: f64,
}

impl IonRatio {
    fn relative_noise(&self) -> f64 {
        self.standard_uncertainty / self.value.abs()
    }
}

/// Qualifier area (or residual area) over quantifier area.
fn ion_ratio(qualifier: &Response, quantifier: &Response) -> Option<IonRatio> {
    let denominator = usable_area(quantifier).filter(|area| quantifier.found() && *area > 0.0)?;
    let value = usable_area(qualifier)? / denominator;
    let from_qualifier = uncertainty(qualifier) / denominator;
    let from_quantifier = value * uncertainty(quantifier) / denominator;
    let standard_uncertainty = (from_qualifier * from_qualifier + from_quantifier * from_quantifier).sqrt();
    (value.is_finite() && standard_uncertainty.is_finite()).then_some(IonRatio {
        value,
        standard_uncertainty,
    })
}

/// Judges the ion ratios of one injection.
pub(crate) fn ion_ratios(
    input: &RunInput<'_>,
    reference: &IdentityReference,
    position: usize,
    analyte: usize,
) -> (Vec<IonRatioRecord>, Vec<Reason>) {
    let limits = &input.method.limits.identity;
    let responses = &input.injections[position].analytes[analyte];
    let (mut records, mut reasons) = (Vec::new(), Vec::new());
    if !responses.quantifier.found() {
        return (records, reasons);
    }
    for (qualifier, of) in input.method.analytes[analyte].qualifiers.iter().enumerate() {
        let Some(response) = responses.qualifiers.get(qualifier) else {
            continue;
        };
        if matches!(
            response.missing,
            Some(NoPeakReason::TraceAbsent | NoPeakReason::WindowOutsideTrace)
        ) {
            reasons.push(qualifier_unseen(qualifier));
            continue;
        }
        let (Some(expected), Some(ratio)) = (
            reference.ion_ratios.get(qualifier).copied().flatten(),
            ion_ratio(response, &responses.quantifier),
        ) else {
            continue;
        };
        let allowed = of
            .ratio_tolerance_pct
            .unwrap_or(limits.max_ion_ratio_difference_pct);
        let record = IonRatioRecord {
            qualifier,
            ratio: ratio.value,
            standard_uncertainty: ratio.standard_uncertainty,
            expected,
            difference_pct: 100.0 * (ratio.value - expected) / expected,
            tolerance_pct: allowed
                + limits.ion_ratio_noise_factor * 100.0 * ratio.standard_uncertainty / expected,
        };
        reasons.extend(ratio_reason(&record, limits.ion_ratio_not_assessable_pct));
        records.push(record);
    }
    (records, reasons)
}

fn ratio_reason(record: &IonRatioRecord, not_assessable_pct: f64) -> Option<Reason> {
    let number = record.qualifier + 1;
    // Where the tolerance is that wide the qualifier is lost in its noise: too little of it accuses nobody, too much does.
    let lost_in_noise = record.difference_pct < 0.0 && !at_most(record.tolerance_pct, not_assessable_pct);
    if within(record.difference_pct, record.tolerance_pct) || lost_in_noise {
        if at_most(record.tolerance_pct, not_assessable_pct) {
            return None;
        }
        return Some(reason(
            ReasonCode::IonRatioNotAssessable,
            "EV-55",
            Severity::Note,
            against(record.tolerance_pct, not_assessable_pct, "%"),
            format!(
                "The ratio of qualifier {number} cannot be judged here: its own noise widens the tolerance to {} %; retention alone speaks for the identity.",
                figures(record.tolerance_pct)
            ),
        ));
    }
    let suspect = if record.difference_pct > 0.0 {
        "something else in the qualifier, which leaves the result as it is"
    } else {
        "something else in the quantifier, which makes the result too high"
    };
    Some(reason(
        ReasonCode::IonRatioOutsideTolerance,
        "C62-2",
        Severity::Reject,
        against(record.difference_pct, record.tolerance_pct, "%"),
        format!(
            "The ratio of qualifier {number} is {}, {} from the calibrators' {}; {} % is allowed: look for {suspect}.",
            figures(record.ratio),
            signed_pct(record.difference_pct),
            figures(record.expected),
            figures(record.tolerance_pct)
        ),
    ))
}

fn qualifier_unseen(qualifier: usize) -> Reason {
    reason(
        ReasonCode::TraceMissing,
        "C62-2",
        Severity::Comment,
        NO_NUMBERS,
        format!(
            "The file holds no usable trace of qualifier {}: retention alone speaks for the identity.",
            qualifier + 1
        ),
    )
}

/// Judges the retention: against the internal standard of the same injection when there is one, else against the calibrators'
/// mean.
pub(crate) fn retention_reason(
    input: &RunInput<'_>,
    reference: &IdentityReference,
    position: usize,
    analyte: usize,
    standard: usize,
) -> Option<Reason> {
    let quantifier = &input.injections[position].analytes[analyte].quantifier;
    if !quantifier.found() {
        return None;
    }
    let of_standard = input.injections[position]
        .standards
        .get(standard)
        .filter(|response| response.found());
    let expected = match (of_standard, reference.after_standard_min) {
        (Some(response), Some(after)) => response.retention_time_min + after,
        _ => reference.retention_min?,
    };
    let limits = &input.method.limits.identity;
    let tolerance = input.method.analytes[analyte]
        .retention_tolerance_min
        .unwrap_or_else(|| {
            (expected * limits.max_retention_difference_pct / 100.0).max(limits.max_retention_difference_min)
        });
    let difference = quantifier.retention_time_min - expected;
    if within(difference, tolerance) {
        return None;
    }
    Some(reason(
        ReasonCode::RetentionOutsideTolerance,
        "C62-2",
        Severity::Reject,
        against(difference, tolerance, "min"),
        format!(
            "The peak stands at {} min, {} min from where the calibrators put it; {} min is allowed: it may be another substance, so look at the trace.",
            figures(quantifier.retention_time_min),
            figures(difference.abs()),
            figures(tolerance)
        ),
    ))
}
