//! Properties that hold for every conversion.

use super::{Case, conversion, line, theoretical};
use proptest::prelude::*;
use spotwright_assay::conversion::{apparent_over_reported, reported_value};
use spotwright_domain::conversion::{
    Conversion, ConversionForm, ConvertedCase, Estimate, HaematocritEffect, LinearRegression,
    RegressionDirection,
};

fn forms() -> impl Strategy<Value = Conversion> {
    prop_oneof![
        (0.0..2.0f64).prop_map(|k| conversion(theoretical(k, 0.1 * k))),
        (0.3..1.0f64).prop_map(|f| conversion(ConversionForm::UnboundEquilibrium {
            fraction_bound: Estimate::new(f, 0.01),
        })),
        (0.3..2.0f64, 0.0..3.0f64, any::<bool>()).prop_map(|(slope, intercept, turned)| {
            conversion(ConversionForm::LinearRegression(LinearRegression {
                direction: if turned {
                    RegressionDirection::MeasuredOnReported
                } else {
                    RegressionDirection::ReportedOnMeasured
                },
                slope: Estimate::new(slope, 0.05 * slope),
                ..line(1.0, intercept)
            }))
        }),
        Just(conversion(ConversionForm::NoneNeeded)),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    /// More in the spot is more in the plasma.
    #[test]
    fn reported_rises_with_measured(of in forms(), c in 5.0..50.0f64, more in 1.01..3.0f64, h in 0.2..0.6f64) {
        let at = |c| reported_value(&of, c, Some(h), Some(2.0)).unwrap();
        prop_assert!(at(c * more) > at(c));
    }

    /// A spot made by the forward model (EV-71) reads back as the plasma it was made from.
    #[test]
    fn the_forward_model_is_undone(
        plasma in 0.5..80.0f64, h in 0.2..0.6f64, k in 0.0..1.5f64, slope in -0.9..0.4f64,
        per_haematocrit in -0.4..0.4f64, loss in 0.0..0.02f64, age in 0.0..10.0f64,
    ) {
        let mut of = conversion(theoretical(k, 0.0));
        of.spot.haematocrit_effect = Some(HaematocritEffect::Spreading {
            area_slope: Estimate::known(slope), reference_haematocrit: 0.40,
        });
        of.spot.recovery = Some(spotwright_domain::conversion::RecoveryTerm {
            per_haematocrit: Estimate::known(per_haematocrit),
            reference_haematocrit: 0.40,
            per_day: Estimate::known(0.0),
        });
        of.spot.stability = Some(spotwright_domain::conversion::StabilityTerm {
            loss_per_day: Some(Estimate::known(loss)),
            validated_age_d: 10.0,
            beyond: spotwright_domain::conversion::BeyondStability::Refuse,
        });
        let g = 1.0 / (1.0 + slope * (h - 0.40));
        let spot = plasma * (1.0 - h * (1.0 - k)) * g * (1.0 + per_haematocrit * (h - 0.40)) * (1.0 - loss * age);
        let back = reported_value(&of, spot, Some(h), Some(age)).unwrap();
        prop_assert!((back - plasma).abs() < 1e-12 * plasma);
        let factor = apparent_over_reported(&of, h, age).unwrap();
        prop_assert!((factor - spot / plasma).abs() < 1e-12 * factor);
    }

    /// For a drug poorer in cells than in plasma a higher haematocrit means more plasma for the same spot.
    #[test]
    fn limits_move_the_way_the_plasma_fraction_does(h in 0.2..0.6f64, more in 0.01..0.1f64, k in 0.0..0.9f64) {
        let of = conversion(theoretical(k, 0.0));
        let lloq = |h: f64| Case::new(of.clone(), 5.0, 0.1).at(h).convert().record.lloq.unwrap();
        prop_assert!(lloq(h + more) > lloq(h));
    }

    /// Numbers are finite, the interval holds the value, the converted value is never silently outside the run's limits.
    #[test]
    fn a_converted_value_is_a_sound_number(
        of in forms(), c in 5.0..50.0f64, cv in 0.01..0.2f64, h in 0.2..0.6f64, sd in 0.005..0.05f64,
    ) {
        let mut of = of;
        of.clinic_haematocrit_sd = sd;
        let case = Case::new(of, c, cv * c).at(h);
        let record = case.convert().record;
        match record.converted() {
            Some(ConvertedCase::Measured { value, standard_uncertainty, interval_95: [low, high], .. }) => {
                prop_assert!(value.is_finite() && standard_uncertainty.is_finite());
                prop_assert!(low.is_finite() && high.is_finite());
                prop_assert!(*low >= 0.0 && low < value && value < high);
                prop_assert!(*standard_uncertainty > 0.0);
                prop_assert!(record.budget.iter().all(|term| term.standard_uncertainty > 0.0));
            }
            _ => prop_assert!(record.computation.is_none()),
        }
    }
}
