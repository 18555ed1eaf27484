//! What must hold of conversion, person and spot before a concentration is looked at.

use super::ConversionInput;
use super::haematocrit::{choose, within};
use super::model::Model;
use super::remark::{Refusal, plain, refuse, remark};
use crate::sentence::{figures, stated};
use spotwright_domain::conversion::{
    BeyondStability, Conversion, ConversionCode, ConversionForm, ConversionRemark, Fallback, HaematocritUsed,
    SpotEvidence,
};

/// A conversion whose preconditions hold for this spot.
pub(super) struct Checked<'a> {
    pub(super) conversion: &'a Conversion,
    pub(super) model: Model<'a>,
    pub(super) haematocrit: Option<HaematocritUsed>,
    /// Conversion units in one unit of the result.
    pub(super) scale: f64,
    /// Whether the spot is older than its drug was followed.
    pub(super) too_old: bool,
    pub(super) remarks: Vec<ConversionRemark>,
}

/// Whether this spot may be converted, before its concentration is looked at.
pub(super) fn check<'a>(
    input: &ConversionInput<'a>,
    conversion: &'a Conversion,
) -> Result<Checked<'a>, Refusal> {
    let measured_only = |remark| refuse(Fallback::MeasuredOnly, remark);
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
        return Err(refuse(
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
            return Err(refuse(
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
        return Err(refuse(
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
                return Err(refuse(
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
                return Err(refuse(
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
