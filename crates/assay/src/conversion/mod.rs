//! From what a dried spot reads to what the plasma (or blood) assay would have read, or a refusal.
//!
//! [`convert`] takes a judged result that may be reported, the analyte's conversion (an object, EV-70), and what is known
//! of the person's haematocrit, the spot and its age. One forward model keeps the terms apart (EV-71):
//!
//! ```text
//! apparent = C_p·[1 − H·(1 − K)] · g(H) · v(volume) · e(place) · R(H, age)/R_cal · s(age)
//! ```
//!
//! A factor is there only when the method validated it, and is divided out once; a conversion that would correct one thing
//! twice is refused by name. Outside what was validated nothing is stretched or moved to an edge: the measured value
//! stands alone, or nothing does. The run's limits are converted with the same haematocrit, so that "less than" is the
//! person's own number.
//!
//! The value is the formula's at the best estimates. Its uncertainty is first-order where the model is straight enough
//! over the uncertainties, otherwise from propagated distributions, with an interval that may be lopsided; the budget
//! always shows first-order shares (GUM-6).

mod check;
mod evaluate;
mod haematocrit;
mod level;
mod model;
mod monte_carlo;
mod propagation;
mod remark;

pub use level::{Level, ReportedLevel};

use check::check;
use model::Model;
use remark::{Refusal, plain};
use spotwright_domain::concentration::ConcentrationCase;
use spotwright_domain::conversion::{
    Conversion, ConversionCode, ConversionOutcome, ConversionRecord, ConversionReference, ConvertedCase,
    Estimate, Fallback, SpotEvidence,
};
use spotwright_domain::injection::SampleRole;
use spotwright_domain::matrix::MatrixKind;
use spotwright_domain::method::Analyte;
use spotwright_domain::record::{ResultRecord, ResultVerdict};

/// Everything one result is converted from.
#[derive(Debug, Clone, Copy)]
pub struct ConversionInput<'a> {
    /// The analyte with its conversion and target range.
    pub analyte: &'a Analyte,
    /// The matrix the method measures.
    pub matrix: MatrixKind,
    /// The result, judged.
    pub result: &'a ResultRecord,
    /// The run's limits for this sample (times its dilution factor), in the analyte's unit; `None`: no curve.
    pub range: Option<[f64; 2]>,
    /// Haematocrit stated by the clinic (L/L).
    pub clinic_haematocrit: Option<f64>,
    /// Days from collection to measurement.
    pub age_d: Option<f64>,
    /// What pictures of the spot say; `None`: no pictures.
    pub spot: Option<&'a SpotEvidence>,
}

/// What became of a result's conversion.
#[derive(Debug, Clone, PartialEq)]
pub struct Converted {
    /// For reports and files.
    pub record: ConversionRecord,
    /// For interpretation; `None`: refused.
    pub level: Option<ReportedLevel>,
}

/// Converts a result. `None`: there is nothing to convert, because the result is no patient's, must not be reported, or
/// the method neither converts the analyte nor names a range for it.
#[must_use]
pub fn convert(input: &ConversionInput<'_>) -> Option<Converted> {
    let result = input.result;
    let reportable = matches!(
        result.verdict,
        ResultVerdict::Reportable | ResultVerdict::ReportableWithComment
    );
    if result.role != SampleRole::Patient || !reportable {
        return None;
    }
    let mut record = empty_record(input);
    let Some(conversion) = &input.analyte.conversion else {
        return without_conversion(input, record);
    };
    let outcome = check(input, conversion)
        .and_then(|checked| checked.evaluate(input, &mut record).map(|case| (checked, case)));
    match outcome {
        Err(Refusal { fallback, remark }) => {
            let refusal = *remark;
            record.matrix_reported = input.matrix;
            record.outcome = match fallback {
                Fallback::MeasuredOnly => ConversionOutcome::MeasuredOnly { refusal },
                Fallback::Refuse => ConversionOutcome::Refused { refusal },
            };
            Some(Converted { record, level: None })
        }
        Ok((checked, concentration)) => {
            record.haematocrit = checked.haematocrit;
            record.terms = checked.model.terms();
            let mut remarks = checked.remarks;
            remarks.append(&mut record.remarks);
            record.remarks = remarks;
            let level = ReportedLevel::new(conversion.matrix_out, concentration.clone(), record.unit);
            record.outcome = ConversionOutcome::Converted { concentration };
            Some(Converted { record, level })
        }
    }
}

/// A record with nothing in it but what is known beforehand.
fn empty_record(input: &ConversionInput<'_>) -> ConversionRecord {
    let conversion = input.analyte.conversion.as_ref();
    ConversionRecord {
        conversion: conversion.map(|conversion| ConversionReference {
            id: conversion.id.clone(),
            version: conversion.version.clone(),
            form: conversion.form.as_str().to_owned(),
            source: conversion.source.clone(),
        }),
        matrix_measured: input.matrix,
        matrix_reported: conversion.map_or(input.matrix, |conversion| conversion.matrix_out),
        unit: input.result.unit,
        outcome: ConversionOutcome::MeasuredOnly {
            refusal: plain(
                ConversionCode::NoConversion,
                "CONV-09",
                format!("The method holds no conversion of {}.", input.analyte.name),
            ),
        },
        haematocrit: None,
        lloq: None,
        uloq: None,
        budget: Vec::new(),
        computation: None,
        terms: Vec::new(),
        beside: Vec::new(),
        remarks: Vec::new(),
        target: input.analyte.target.as_ref().map(|target| {
            let molar_mass = input.analyte.molar_mass().ok();
            target
                .in_unit(input.result.unit, molar_mass)
                .unwrap_or_else(|_| target.clone())
        }),
    }
}

/// Without a conversion a value is on the scale of its range only when it was measured there.
fn without_conversion(input: &ConversionInput<'_>, mut record: ConversionRecord) -> Option<Converted> {
    let target = input.analyte.target.as_ref()?;
    if target.matrix != input.matrix {
        return Some(Converted { record, level: None });
    }
    let concentration = match &input.result.concentration {
        ConcentrationCase::Measured {
            value,
            standard_uncertainty,
            interval_95,
            degrees_of_freedom,
        } => ConvertedCase::Measured {
            value: *value,
            standard_uncertainty: *standard_uncertainty,
            interval_95: *interval_95,
            degrees_of_freedom: *degrees_of_freedom,
        },
        ConcentrationCase::BelowLloq { lloq, estimate } => ConvertedCase::BelowLloq {
            limit: *lloq,
            estimate: *estimate,
        },
        ConcentrationCase::AboveUloq { uloq, .. } => ConvertedCase::AboveUloq { limit: *uloq },
        ConcentrationCase::NotComputable | ConcentrationCase::NotApplicable => return None,
    };
    let level = ReportedLevel::new(input.matrix, concentration.clone(), record.unit);
    record.budget.clone_from(&input.result.budget);
    [record.lloq, record.uloq] = input.range.map_or([None; 2], |range| range.map(Some));
    record.outcome = ConversionOutcome::Converted { concentration };
    Some(Converted { record, level })
}

/// The reported value of a measured one, without its uncertainty: what a table or a plot asks.
///
/// `haematocrit` may be `None` where the conversion does not need one. `None`: the conversion contradicts itself, needs what
/// is not given, or gives no number above zero. Ranges are not checked here.
#[must_use]
pub fn reported_value(
    conversion: &Conversion,
    measured: f64,
    haematocrit: Option<f64>,
    age_d: Option<f64>,
) -> Option<f64> {
    if !conversion.faults().is_empty()
        || conversion.needs_haematocrit() && haematocrit.is_none()
        || conversion.spot.needs_age() && age_d.is_none()
    {
        return None;
    }
    let model = Model::new(conversion, 1.0, haematocrit.map(Estimate::known), age_d, None);
    let value = model.reported(&model.with_measurement(measured))?;
    (value > 0.0).then_some(value)
}

/// Factors by which a spot reads other than the reported matrix, at the best estimates: apparent over reported.
#[must_use]
pub fn apparent_over_reported(conversion: &Conversion, haematocrit: f64, age_d: f64) -> Option<f64> {
    let measured = 1.0;
    let reported = reported_value(conversion, measured, Some(haematocrit), Some(age_d))?;
    Some(measured / reported)
}
