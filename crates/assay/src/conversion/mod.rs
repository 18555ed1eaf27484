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

mod haematocrit;
mod level;
mod model;
mod monte_carlo;
mod propagation;
mod remark;

pub use level::{Level, ReportedLevel};

use crate::sentence::{figures, stated};
use haematocrit::{Refusal, choose, within};
use model::Model;
use propagation::{Measured, propagate};
use remark::{plain, remark};
use spotwright_domain::concentration::ConcentrationCase;
use spotwright_domain::conversion::{
    Beside, BeyondStability, Conversion, ConversionCode, ConversionForm, ConversionOutcome, ConversionRecord,
    ConversionReference, ConversionRemark, ConvertedCase, Estimate, Fallback, HaematocritUsed, SpotEvidence,
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
        Err((fallback, refusal)) => {
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
        target: input.analyte.target.clone(),
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

/// A conversion whose preconditions hold for this spot.
struct Checked<'a> {
    conversion: &'a Conversion,
    model: Model<'a>,
    haematocrit: Option<HaematocritUsed>,
    /// Conversion units in one unit of the result.
    scale: f64,
    /// Whether the spot is older than its drug was followed.
    too_old: bool,
    remarks: Vec<ConversionRemark>,
}

fn check<'a>(input: &ConversionInput<'a>, conversion: &'a Conversion) -> Result<Checked<'a>, Refusal> {
    let measured_only = |refusal| (Fallback::MeasuredOnly, refusal);
    if let Some(fault) = conversion.faults().first() {
        return Err(measured_only(plain(
            ConversionCode::ConversionFaulty,
            "EV-71",
            format!("The conversion {} cannot be used: {fault}.", conversion.id),
        )));
    }
    if conversion.matrix_in != input.matrix {
        return Err(measured_only(plain(
            ConversionCode::MatrixMismatch,
            "SAFE-01",
            format!(
                "The conversion {} begins with another matrix than was measured.",
                conversion.id
            ),
        )));
    }
    if let ConversionForm::NotPredictable { ratio_seen } = &conversion.form {
        let seen = ratio_seen.map_or(String::new(), |[low, high]| {
            format!(
                " (reported over measured was seen from {} to {})",
                figures(low),
                figures(high)
            )
        });
        return Err((
            Fallback::Refuse,
            plain(
                ConversionCode::NotPredictable,
                "CONV-09",
                format!("The spot does not predict the reported matrix{seen}: no number is given."),
            ),
        ));
    }
    let molar_mass = input.analyte.molar_mass().ok();
    let scale = input.result.unit.convert(1.0, conversion.unit, molar_mass);
    let scale = scale.map_err(|error| {
        measured_only(plain(
            ConversionCode::UnitMismatch,
            "UC-01",
            format!("The conversion's unit does not fit the result's: {error}."),
        ))
    })?;
    let mut remarks = Vec::new();
    let too_old = check_age(conversion, input.age_d, &mut remarks)?;
    let choice = choose(
        conversion,
        input.clinic_haematocrit,
        input.spot.and_then(|spot| spot.haematocrit),
    )?;
    remarks.extend(choice.remarks);
    check_spot(conversion, input.spot, &mut remarks)?;
    if conversion.approved_by.is_none() {
        remarks.push(plain(
            ConversionCode::ConversionNotApproved,
            "SAFE-04",
            "Nobody has approved this conversion.".to_owned(),
        ));
    }
    let haematocrit = choice.used.map(|used| used.haematocrit);
    Ok(Checked {
        conversion,
        model: Model::new(conversion, scale, haematocrit, input.age_d, input.spot),
        haematocrit: choice.used,
        scale,
        too_old,
        remarks,
    })
}

/// Whether the spot is older than its drug was followed, where the method allows "at least".
fn check_age(
    conversion: &Conversion,
    age_d: Option<f64>,
    remarks: &mut Vec<ConversionRemark>,
) -> Result<bool, Refusal> {
    let Some(age) = age_d else {
        if conversion.spot.needs_age() {
            return Err((
                Fallback::MeasuredOnly,
                plain(
                    ConversionCode::AgeNeeded,
                    "DBS-08",
                    "The conversion corrects for the spot's age, and the age is not known.".to_owned(),
                ),
            ));
        }
        return Ok(false);
    };
    let Some(stability) = conversion.spot.stability else {
        return Ok(false);
    };
    let too_old = age > stability.validated_age_d && !crate::limit::same(age, stability.validated_age_d);
    if too_old && stability.beyond == BeyondStability::Refuse {
        return Err((
            Fallback::Refuse,
            remark(
                ConversionCode::AgeOutsideRange,
                "DBS-08",
                Some(age),
                Some(stability.validated_age_d),
                "d",
                format!(
                    "The spot is {} days old, the drug on paper was followed for {} days.",
                    figures(age),
                    stated(stability.validated_age_d)
                ),
            ),
        ));
    }
    if stability.loss_per_day.is_none() && !too_old {
        remarks.push(remark(
            ConversionCode::AgeNotCorrected,
            "DBS-08",
            Some(age),
            Some(stability.validated_age_d),
            "d",
            format!(
                "The spot is {} days old and not corrected for it: within {} days the change was within the limit.",
                figures(age),
                stated(stability.validated_age_d)
            ),
        ));
    }
    Ok(too_old)
}

fn check_spot(
    conversion: &Conversion,
    spot: Option<&SpotEvidence>,
    remarks: &mut Vec<ConversionRemark>,
) -> Result<(), Refusal> {
    if let Some(term) = conversion.spot.volume {
        let [low, high] = term.range_ul;
        match spot.and_then(|spot| spot.volume_ul) {
            Some(volume) if !within(volume.value, low, high) => {
                let limit = if volume.value < low { low } else { high };
                return Err((
                    Fallback::MeasuredOnly,
                    remark(
                        ConversionCode::VolumeOutsideRange,
                        "DBS-03",
                        Some(volume.value),
                        Some(limit),
                        "uL",
                        format!(
                            "The spot holds {} µL, the method was validated from {} to {} µL.",
                            figures(volume.value),
                            stated(low),
                            stated(high)
                        ),
                    ),
                ));
            }
            Some(_) => {}
            None => remarks.push(remark(
                ConversionCode::VolumeUnknown,
                "DBS-03",
                None,
                None,
                "uL",
                format!(
                    "The spot's volume is not known: {} µL assumed, with {} % of scatter in the budget.",
                    stated(term.reference_ul),
                    stated(term.unknown_cv_pct)
                ),
            )),
        }
    }
    if let Some(term) = conversion.spot.site {
        match spot.and_then(|spot| spot.radius_fraction) {
            Some(radius) if radius > term.largest_radius_fraction => {
                return Err((
                    Fallback::MeasuredOnly,
                    remark(
                        ConversionCode::SiteOutsideRange,
                        "DBS-04",
                        Some(radius),
                        Some(term.largest_radius_fraction),
                        "1",
                        format!(
                            "The disc was taken at {} of the spot's radius, validated to {}.",
                            figures(radius),
                            stated(term.largest_radius_fraction)
                        ),
                    ),
                ));
            }
            Some(_) => {}
            None => remarks.push(plain(
                ConversionCode::SiteUnknown,
                "DBS-04",
                format!(
                    "Where the disc was taken is not known: the middle assumed, with {} % of scatter in the budget.",
                    stated(term.unknown_cv_pct)
                ),
            )),
        }
    }
    Ok(())
}

impl Checked<'_> {
    fn at(&self, concentration: f64) -> Option<f64> {
        self.model.reported(&self.model.with_measurement(concentration))
    }

    fn evaluate(
        &self,
        input: &ConversionInput<'_>,
        record: &mut ConversionRecord,
    ) -> Result<ConvertedCase, Refusal> {
        if let Some([lloq, uloq]) = input.range {
            let own = |limit: f64| self.at(limit).filter(|value| *value > 0.0);
            (record.lloq, record.uloq) = (own(lloq), own(uloq));
        }
        let case = match &input.result.concentration {
            ConcentrationCase::Measured {
                value,
                standard_uncertainty,
                degrees_of_freedom,
                ..
            } => {
                let measured = Measured {
                    value: *value,
                    standard_uncertainty: *standard_uncertainty,
                    degrees_of_freedom: *degrees_of_freedom,
                };
                self.measured(input, measured, record)?
            }
            ConcentrationCase::BelowLloq { lloq, estimate } => {
                let limit = self.limit(*lloq, Side::Below, record)?;
                ConvertedCase::BelowLloq {
                    limit,
                    estimate: estimate
                        .and_then(|estimate| self.at(estimate))
                        .filter(|estimate| (0.0..limit).contains(estimate)),
                }
            }
            ConcentrationCase::AboveUloq { uloq, .. } => ConvertedCase::AboveUloq {
                limit: self.limit(*uloq, Side::Above, record)?,
            },
            ConcentrationCase::NotComputable | ConcentrationCase::NotApplicable => {
                return Err(not_computable());
            }
        };
        Ok(case)
    }

    fn measured(
        &self,
        input: &ConversionInput<'_>,
        measured: Measured,
        record: &mut ConversionRecord,
    ) -> Result<ConvertedCase, Refusal> {
        if let Some([low, high]) = self.conversion.concentration_range {
            let found = measured.value * self.scale;
            if !within(found, low, high) {
                let limit = if found < low { low } else { high };
                return Err((
                    Fallback::MeasuredOnly,
                    remark(
                        ConversionCode::ConcentrationOutsideRange,
                        "CONV-04",
                        Some(found),
                        Some(limit),
                        self.conversion.unit.ucum(),
                        format!(
                            "The spot reads {} {unit}, the conversion was derived from {} to {} {unit}: it is not stretched beyond.",
                            figures(found),
                            stated(low),
                            stated(high),
                            unit = self.conversion.unit.ucum()
                        ),
                    ),
                ));
            }
        }
        let seed = seed_of(&input.result.id, &self.conversion.id);
        let propagation = propagate(&self.model, measured, seed).ok_or_else(not_computable)?;
        if propagation.value <= 0.0 {
            return Err(below_zero(propagation.value, input.result.unit.ucum()));
        }
        record.budget = propagation.budget;
        record.computation = Some(propagation.computation);
        record.beside = self.beside(measured.value);
        if self.too_old {
            return Ok(ConvertedCase::AtLeast {
                value: propagation.value,
                standard_uncertainty: propagation.standard_uncertainty,
            });
        }
        Ok(ConvertedCase::Measured {
            value: propagation.value,
            standard_uncertainty: propagation.standard_uncertainty,
            interval_95: propagation.interval_95,
            degrees_of_freedom: propagation.degrees_of_freedom,
        })
    }

    /// A limit on the person's own scale. All forms rise with the measured value, so "less than" stays true of the edge of
    /// the conversion's range when the limit itself lies beyond it.
    fn limit(&self, limit: f64, side: Side, record: &mut ConversionRecord) -> Result<f64, Refusal> {
        // An old spot has lost drug: "less than" is then no longer true.
        if self.too_old && side == Side::Below {
            return Err((
                Fallback::Refuse,
                plain(
                    ConversionCode::AgeOutsideRange,
                    "DBS-08",
                    "The spot is older than the drug was followed on paper: below the limit may mean lost in the post."
                        .to_owned(),
                ),
            ));
        }
        let mut at = limit;
        if let Some([low, high]) = self.conversion.concentration_range {
            let edge = match side {
                Side::Below => (at * self.scale).max(low),
                Side::Above => (at * self.scale).min(high),
            };
            if !crate::limit::same(edge, at * self.scale) {
                at = edge / self.scale;
                record.remarks.push(remark(
                    ConversionCode::LimitOfConversion,
                    "CONV-04",
                    Some(limit),
                    Some(at),
                    record.unit.ucum(),
                    "The limit given is that of the conversion's range, since the run's lies beyond it."
                        .to_owned(),
                ));
            }
        }
        let converted = self.at(at).ok_or_else(not_computable)?;
        if converted > 0.0 {
            Ok(converted)
        } else {
            Err(below_zero(converted, record.unit.ucum()))
        }
    }

    fn beside(&self, measured: f64) -> Vec<Beside> {
        let (Some(standardised), Some(used)) = (self.conversion.standardised, self.haematocrit) else {
            return Vec::new();
        };
        let haematocrit: Estimate = used.haematocrit;
        let Some(blood) = self.at(measured) else {
            return Vec::new();
        };
        let value = blood * (standardised.constant + standardised.numerator / haematocrit.value);
        if !value.is_finite() {
            return Vec::new();
        }
        let label = if standardised.constant.abs() > 0.0 {
            format!(
                "haematocrit-standardised, C·({} + {}/H)",
                standardised.constant, standardised.numerator
            )
        } else {
            format!("standardised to haematocrit {}", standardised.numerator)
        };
        vec![Beside { label, value }]
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Side {
    Below,
    Above,
}

fn not_computable() -> Refusal {
    (
        Fallback::MeasuredOnly,
        plain(
            ConversionCode::NotComputable,
            "G-4",
            "The conversion's arithmetic came to no number.".to_owned(),
        ),
    )
}

fn below_zero(value: f64, unit: &str) -> Refusal {
    (
        Fallback::MeasuredOnly,
        remark(
            ConversionCode::ConvertedBelowZero,
            "EV-70",
            Some(value),
            Some(0.0),
            unit,
            "The line gives zero or less at this concentration: it does not hold there.".to_owned(),
        ),
    )
}

/// A seed of the result's and the conversion's names (FNV-1a): the same result gives the same numbers every time.
fn seed_of(result: &str, conversion: &str) -> u32 {
    let bytes = result.bytes().chain([0]).chain(conversion.bytes());
    bytes.fold(0x811c_9dc5, |hash, byte| {
        (hash ^ u32::from(byte)).wrapping_mul(0x0100_0193)
    })
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
