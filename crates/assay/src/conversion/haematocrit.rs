//! Which haematocrit a conversion uses: the clinic's, the spot's where the method allows it, or a stated default.

use super::remark::{Refusal, refuse, remark};
use crate::sentence::{figures, stated};
use spotwright_domain::conversion::{
    Conversion, ConversionCode, ConversionRemark, Estimate, Fallback, HaematocritOrigin, HaematocritUnknown,
    HaematocritUsed, SpotHaematocrit,
};

/// The haematocrit to convert by, or why there is none.
pub(super) struct Choice {
    pub(super) used: Option<HaematocritUsed>,
    pub(super) remarks: Vec<ConversionRemark>,
}

/// How many standard uncertainties of their difference clinic and spot may lie apart (95 %).
const LARGEST_DIFFERENCE: f64 = 1.96;

/// Chooses. A haematocrit outside the validated range is refused, never moved to its edge.
pub(super) fn choose(
    conversion: &Conversion,
    clinic: Option<f64>,
    spot: Option<Estimate>,
) -> Result<Choice, Refusal> {
    let clinic = clinic.map(|value| Estimate::new(value, conversion.clinic_haematocrit_sd));
    let mut remarks = Vec::new();
    if let (Some(clinic), Some(spot)) = (clinic, spot) {
        remarks.extend(disagreement(clinic, spot));
    }
    let spot = spot.filter(|_| conversion.spot_haematocrit == SpotHaematocrit::Use);
    let known = match (clinic, spot) {
        (Some(clinic), _) => Some((clinic, HaematocritOrigin::Clinic)),
        (None, Some(spot)) => Some((spot, HaematocritOrigin::Spot)),
        (None, None) => None,
    };
    let needed = conversion.needs_haematocrit();
    let chosen = match (known, conversion.haematocrit_unknown) {
        (Some(known), _) => Some(known),
        (None, _) if !needed => None,
        (None, HaematocritUnknown::UseDefault { default }) => {
            remarks.push(remark(
                ConversionCode::DefaultHaematocritUsed,
                "CONV-08",
                Some(default.value),
                None,
                "L/L",
                format!(
                    "The haematocrit is not known: {} ± {} (standard deviation in the population) was used, and the interval is wider for it.",
                    figures(default.value),
                    figures(default.standard_uncertainty)
                ),
            ));
            Some((default, HaematocritOrigin::Default))
        }
        (None, HaematocritUnknown::MeasuredOnly) => {
            return Err(refuse(Fallback::MeasuredOnly, needed_remark()));
        }
        (None, HaematocritUnknown::Refuse) => return Err(refuse(Fallback::Refuse, needed_remark())),
    };
    match (chosen, conversion.haematocrit_range) {
        (Some((haematocrit, _)), Some([low, high])) if !within(haematocrit.value, low, high) => {
            let limit = if haematocrit.value < low { low } else { high };
            return Err(refuse(
                conversion.haematocrit_outside,
                remark(
                    ConversionCode::HaematocritOutsideRange,
                    "DBS-02",
                    Some(haematocrit.value),
                    Some(limit),
                    "L/L",
                    format!(
                        "The haematocrit is {}, the conversion holds from {} to {}: it is not stretched beyond.",
                        figures(haematocrit.value),
                        stated(low),
                        stated(high)
                    ),
                ),
            ));
        }
        (None, Some([low, high])) => remarks.push(remark(
            ConversionCode::HaematocritUnchecked,
            "CONV-08",
            None,
            None,
            "L/L",
            format!(
                "The haematocrit is not known: this conversion does without, but holds from {} to {} only, which cannot be checked.",
                stated(low),
                stated(high)
            ),
        )),
        _ => {}
    }
    Ok(Choice {
        used: chosen.map(|(haematocrit, origin)| HaematocritUsed { haematocrit, origin }),
        remarks,
    })
}

fn needed_remark() -> ConversionRemark {
    remark(
        ConversionCode::HaematocritNeeded,
        "CONV-08",
        None,
        None,
        "L/L",
        "The conversion needs the haematocrit, and it is not known.".to_owned(),
    )
}

fn disagreement(clinic: Estimate, spot: Estimate) -> Option<ConversionRemark> {
    let difference = (clinic.value - spot.value).abs();
    let variance = clinic.standard_uncertainty * clinic.standard_uncertainty
        + spot.standard_uncertainty * spot.standard_uncertainty;
    let limit = LARGEST_DIFFERENCE * variance.sqrt();
    (difference > limit).then(|| {
        remark(
            ConversionCode::HaematocritDisagrees,
            "SAFE-04",
            Some(difference),
            Some(limit),
            "L/L",
            format!(
                "The clinic states a haematocrit of {}, the spot looks like {} ± {}: the wrong card, another day, or a bad spot.",
                figures(clinic.value),
                figures(spot.value),
                figures(spot.standard_uncertainty)
            ),
        )
    })
}

/// Inclusive, with the relative guard of G-1.
pub(super) fn within(value: f64, low: f64, high: f64) -> bool {
    (low..=high).contains(&value) || crate::limit::same(value, low) || crate::limit::same(value, high)
}
