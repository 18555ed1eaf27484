//! Conversions that contradict themselves, above all those that would correct one thing twice.

use super::{Conversion, ConversionForm, HaematocritEffect, HaematocritUnknown, RegressionInput};
use crate::matrix::MatrixKind;

/// Why a conversion must not be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum ConversionFault {
    /// A regression on raw values already holds the haematocrit of its study.
    #[error(
        "the line was drawn on uncorrected spots, so it holds the mean effect of the haematocrit already: a haematocrit effect beside it corrects twice (EV-71)"
    )]
    RegressionOnRawWithHaematocritEffect,
    /// The same, for a recovery that changes with haematocrit.
    #[error(
        "the line was drawn on uncorrected spots, so it holds the mean recovery already: a recovery that changes with haematocrit beside it corrects twice (EV-71)"
    )]
    RegressionOnRawWithRecovery,
    /// The line was drawn on corrected values and nothing says how they were corrected.
    #[error(
        "the line was drawn on haematocrit-corrected values (CONV-10): state the partition ratio or the haematocrit effect they were corrected by, or the corrected value cannot be formed"
    )]
    CorrectionOfInputUnknown,
    /// An analytical correction found by experiment holds the recovery's change with haematocrit.
    #[error(
        "the linear haematocrit effect was found on extracted spots and holds the recovery's change with haematocrit already: a recovery that changes with haematocrit beside it corrects twice"
    )]
    LinearEffectWithRecovery,
    /// Loss on the card and recovery with age were both found by extracting old spots.
    #[error(
        "loss per day and recovery per day both describe what an old spot yields: together they correct the age twice"
    )]
    AgeTwice,
    /// A whole spot holds all its blood however it spread.
    #[error(
        "a whole spot holds all its blood however far it spread: spreading, volume and site terms belong to a disc"
    )]
    DiscTermOnWholeSpot,
    /// The input is not dried blood.
    #[error("spot terms belong to dried blood, this conversion begins with another matrix")]
    SpotTermWithoutSpot,
    /// From a matrix to itself, or to dried blood.
    #[error(
        "a conversion goes from dried blood to whole blood or plasma, or from whole blood to plasma; a plasma fraction belongs to plasma alone"
    )]
    MatricesDoNotFit,
    /// The default haematocrit lies outside the validated range.
    #[error("the default haematocrit lies outside the range the conversion holds for")]
    DefaultOutsideRange,
    /// Within the haematocrit range a factor reaches zero.
    #[error("within the haematocrit range a factor of the conversion reaches zero or below")]
    FactorNotPositive,
    /// A slope of zero or below turns the scale round.
    #[error("the slope must be above zero: a higher spot cannot mean a lower plasma")]
    SlopeNotPositive,
    /// The covariance is larger than the two standard errors allow.
    #[error("the covariance of slope and intercept is larger than their standard errors allow")]
    CovarianceTooLarge,
    /// A standardised value is the spot's haematocrit in another unit; it belongs to whole blood.
    #[error("a haematocrit-standardised value stands beside a whole-blood value only (CONV-05)")]
    StandardisedNotBlood,
}

/// Lowest and highest haematocrit a conversion may meet when it states no range (HCT-01).
const PHYSICAL: [f64; 2] = [
    crate::quantity::LOWEST_HAEMATOCRIT,
    crate::quantity::HIGHEST_HAEMATOCRIT,
];

pub(super) fn faults(of: &Conversion) -> Vec<ConversionFault> {
    let mut faults = Vec::new();
    let spot = &of.spot;
    let recovery_by_haematocrit = spot
        .recovery
        .is_some_and(|recovery| recovery.depends_on_haematocrit());
    if let ConversionForm::LinearRegression(line) = &of.form {
        match line.input {
            RegressionInput::Raw => {
                if spot.haematocrit_effect.is_some() {
                    faults.push(ConversionFault::RegressionOnRawWithHaematocritEffect);
                }
                if recovery_by_haematocrit {
                    faults.push(ConversionFault::RegressionOnRawWithRecovery);
                }
            }
            RegressionInput::HaematocritCorrected { partition } => {
                if partition.is_none() && spot.haematocrit_effect.is_none() {
                    faults.push(ConversionFault::CorrectionOfInputUnknown);
                }
            }
        }
        if !(line.slope.value > 0.0 && line.slope.value.is_finite()) {
            faults.push(ConversionFault::SlopeNotPositive);
        }
        let bound = line.slope.standard_uncertainty * line.intercept.standard_uncertainty;
        if line.covariance.abs() > bound * (1.0 + 1e-9) {
            faults.push(ConversionFault::CovarianceTooLarge);
        }
    }
    if matches!(spot.haematocrit_effect, Some(HaematocritEffect::Linear { .. })) && recovery_by_haematocrit {
        faults.push(ConversionFault::LinearEffectWithRecovery);
    }
    let loses = spot
        .stability
        .is_some_and(|stability| stability.loss_per_day.is_some());
    if loses && spot.recovery.is_some_and(|recovery| recovery.depends_on_age()) {
        faults.push(ConversionFault::AgeTwice);
    }
    let any_spot_term = spot.haematocrit_effect.is_some()
        || spot.volume.is_some()
        || spot.site.is_some()
        || spot.recovery.is_some()
        || spot.stability.is_some();
    if any_spot_term && of.matrix_in != MatrixKind::DriedBlood {
        faults.push(ConversionFault::SpotTermWithoutSpot);
    }
    let plasma_fraction = matches!(
        of.form,
        ConversionForm::Theoretical { .. } | ConversionForm::UnboundEquilibrium { .. }
    );
    let fits = match (of.matrix_in, of.matrix_out) {
        (MatrixKind::DriedBlood | MatrixKind::WholeBlood, MatrixKind::Plasma) => true,
        (MatrixKind::DriedBlood, MatrixKind::WholeBlood) => !plasma_fraction,
        _ => false,
    };
    if !fits {
        faults.push(ConversionFault::MatricesDoNotFit);
    }
    if of.standardised.is_some() && of.matrix_out != MatrixKind::WholeBlood {
        faults.push(ConversionFault::StandardisedNotBlood);
    }
    if let (HaematocritUnknown::UseDefault { default }, Some([low, high])) =
        (of.haematocrit_unknown, of.haematocrit_range)
        && !(low..=high).contains(&default.value)
    {
        faults.push(ConversionFault::DefaultOutsideRange);
    }
    if !factors_positive(of) {
        faults.push(ConversionFault::FactorNotPositive);
    }
    faults
}

/// Spreading, volume and site on a method that extracts the whole spot.
impl Conversion {
    /// The fault of a disc's terms on a method that extracts whole spots.
    #[must_use]
    pub fn whole_spot_fault(&self) -> Option<ConversionFault> {
        let spreading = matches!(
            self.spot.haematocrit_effect,
            Some(HaematocritEffect::Spreading { .. })
        );
        (spreading || self.spot.volume.is_some() || self.spot.site.is_some())
            .then_some(ConversionFault::DiscTermOnWholeSpot)
    }
}

/// Every factor above zero at both ends of what may be met; all are monotonic between.
fn factors_positive(of: &Conversion) -> bool {
    let spot = &of.spot;
    let ends = of.haematocrit_range.unwrap_or(PHYSICAL);
    let effect = spot.haematocrit_effect.is_none_or(|effect| {
        ends.iter().all(|h| match effect {
            HaematocritEffect::Spreading {
                area_slope,
                reference_haematocrit,
            } => 1.0 + area_slope.value * (h - reference_haematocrit) > 0.0,
            HaematocritEffect::Linear { at_zero, per_unit } => at_zero + per_unit.value * h > 0.0,
        })
    });
    let volume = spot.volume.is_none_or(|term| {
        term.range_ul
            .iter()
            .all(|volume| 1.0 + term.slope.value * libm::log(volume / term.reference_ul) > 0.0)
    });
    let site = spot
        .site
        .is_none_or(|term| 1.0 + term.edge_excess.value * term.largest_radius_fraction > 0.0);
    let recovery = spot.recovery.is_none_or(|term| {
        ends.iter()
            .all(|h| 1.0 + term.per_haematocrit.value * (h - term.reference_haematocrit) > 0.0)
    });
    let stability = spot.stability.is_none_or(|term| {
        term.loss_per_day
            .is_none_or(|loss| 1.0 - loss.value * term.validated_age_d > 0.0)
    });
    effect && volume && site && recovery && stability
}
