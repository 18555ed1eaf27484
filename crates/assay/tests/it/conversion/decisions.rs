//! What is converted, what is refused, and what the person is told.

use super::{Case, close, conversion, line, theoretical, use_default};
use spotwright_assay::conversion::{ConversionInput, ReportedLevel, convert};
use spotwright_domain::concentration::{ConcentrationCase, ConcentrationUnit};
use spotwright_domain::conversion::{
    BeyondStability, ConversionCode, ConversionFault, ConversionForm, ConversionOutcome, ConvertedCase,
    Estimate, Fallback, HaematocritEffect, HaematocritOrigin, HaematocritUnknown, LinearRegression,
    RecoveryTerm, RegressionInput, SiteTerm, SpotEvidence, SpotHaematocrit, StabilityTerm, Standardised,
    VolumeTerm,
};
use spotwright_domain::injection::SampleRole;
use spotwright_domain::matrix::MatrixKind;
use spotwright_domain::record::ResultVerdict;
use spotwright_domain::target::{TargetQuantity, TargetRange};

fn spreading() -> HaematocritEffect {
    HaematocritEffect::Spreading {
        area_slope: Estimate::new(-0.76, 0.1),
        reference_haematocrit: 0.40,
    }
}

fn recovery(per_haematocrit: f64, per_day: f64) -> RecoveryTerm {
    RecoveryTerm {
        per_haematocrit: Estimate::known(per_haematocrit),
        reference_haematocrit: 0.40,
        per_day: Estimate::known(per_day),
    }
}

fn stability(loss: Option<f64>, beyond: BeyondStability) -> StabilityTerm {
    StabilityTerm {
        loss_per_day: loss.map(Estimate::known),
        validated_age_d: 10.0,
        beyond,
    }
}

fn has(case: &Case, code: ConversionCode) -> bool {
    case.convert()
        .record
        .remarks
        .iter()
        .any(|remark| remark.code == code)
}

#[test]
fn what_may_not_be_reported_is_not_converted() {
    let good = Case::new(conversion(ConversionForm::NoneNeeded), 5.0, 0.2);
    let changes: [fn(&mut Case); 4] = [
        |case| case.result.verdict = ResultVerdict::NotReportable,
        |case| case.result.verdict = ResultVerdict::NotApplicable,
        |case| case.result.role = SampleRole::Control,
        |case| case.result.role = SampleRole::IncurredRepeat,
    ];
    for change in changes {
        let mut case = Case::new(conversion(ConversionForm::NoneNeeded), 5.0, 0.2);
        change(&mut case);
        let input = ConversionInput {
            analyte: &case.analyte,
            matrix: MatrixKind::DriedBlood,
            result: &case.result,
            range: None,
            clinic_haematocrit: None,
            age_d: None,
            spot: None,
        };
        assert_eq!(convert(&input), None);
    }
    assert!(matches!(good.convert().level, Some(ReportedLevel::Plasma(_))));
}

/// EV-71: a clinical regression and a haematocrit correction count the haematocrit twice; each such pair by its name.
#[test]
fn nothing_is_corrected_twice() {
    let raw = || conversion(ConversionForm::LinearRegression(line(1.61, -1.14)));
    let corrected = || {
        conversion(ConversionForm::LinearRegression(LinearRegression {
            input: RegressionInput::HaematocritCorrected { partition: None },
            ..line(1.11, -1.0)
        }))
    };
    let mut faulty = Vec::new();
    let mut of = raw();
    of.spot.haematocrit_effect = Some(spreading());
    faulty.push((of, ConversionFault::RegressionOnRawWithHaematocritEffect));
    let mut of = raw();
    of.spot.recovery = Some(recovery(-0.3, 0.0));
    faulty.push((of, ConversionFault::RegressionOnRawWithRecovery));
    faulty.push((corrected(), ConversionFault::CorrectionOfInputUnknown));
    let mut of = conversion(theoretical(0.0, 0.0));
    of.spot.haematocrit_effect = Some(HaematocritEffect::Linear {
        at_zero: 1.6305,
        per_unit: Estimate::known(-1.559),
    });
    of.spot.recovery = Some(recovery(-0.3, 0.0));
    faulty.push((of, ConversionFault::LinearEffectWithRecovery));
    let mut of = conversion(theoretical(0.0, 0.0));
    of.spot.recovery = Some(recovery(0.0, -0.01));
    of.spot.stability = Some(stability(Some(0.01), BeyondStability::Refuse));
    faulty.push((of, ConversionFault::AgeTwice));
    let mut of = conversion(theoretical(0.0, 0.0));
    of.standardised = Some(Standardised {
        constant: 0.0,
        numerator: 0.45,
    });
    faulty.push((of, ConversionFault::StandardisedNotBlood));
    let mut of = conversion(theoretical(0.0, 0.0));
    of.matrix_out = MatrixKind::WholeBlood;
    faulty.push((of, ConversionFault::MatricesDoNotFit));
    let mut of = conversion(theoretical(0.0, 0.0));
    of.haematocrit_range = Some([0.30, 0.45]);
    of.haematocrit_unknown = use_default(0.50, 0.05);
    faulty.push((of, ConversionFault::DefaultOutsideRange));
    let mut of = conversion(ConversionForm::LinearRegression(line(-1.0, 3.0)));
    of.matrix_out = MatrixKind::Plasma;
    faulty.push((of, ConversionFault::SlopeNotPositive));
    for (of, fault) in faulty {
        assert_eq!(of.faults(), vec![fault], "{fault}");
        let refusal = Case::new(of, 8.0, 0.4).at(0.42).refusal();
        assert_eq!(refusal.code, ConversionCode::ConversionFaulty);
        assert!(refusal.text.contains(&fault.to_string()));
    }
    // A line on corrected values with the correction stated stands.
    let mut of = corrected();
    of.spot.haematocrit_effect = Some(spreading());
    assert_eq!(of.faults(), Vec::new());
    // Spreading belongs to a disc.
    assert_eq!(of.whole_spot_fault(), Some(ConversionFault::DiscTermOnWholeSpot));
    assert_eq!(conversion(ConversionForm::NoneNeeded).whole_spot_fault(), None);
}

#[test]
fn the_haematocrit_comes_from_clinic_spot_or_default_and_says_so() {
    let mut of = conversion(theoretical(0.0, 0.0));
    of.haematocrit_range = Some([0.25, 0.55]);
    of.haematocrit_unknown = use_default(0.42, 0.05);
    of.spot_haematocrit = SpotHaematocrit::Use;
    let origin = |case: &Case| case.convert().record.haematocrit.unwrap().origin;
    let spot = |value| {
        Some(SpotEvidence {
            haematocrit: Some(Estimate::new(value, 0.02)),
            ..SpotEvidence::default()
        })
    };
    let mut case = Case::new(of, 5.0, 0.2);
    assert_eq!(origin(&case), HaematocritOrigin::Default);
    assert!(has(&case, ConversionCode::DefaultHaematocritUsed));
    let wide = case.convert();
    case.spot = spot(0.40);
    assert_eq!(origin(&case), HaematocritOrigin::Spot);
    case.haematocrit = Some(0.41);
    assert_eq!(origin(&case), HaematocritOrigin::Clinic);
    assert!(!has(&case, ConversionCode::HaematocritDisagrees));
    // |0.41 − 0.35| = 0.06 against 1.96·√(0.01² + 0.02²) = 0.0438.
    case.spot = spot(0.35);
    assert!(has(&case, ConversionCode::HaematocritDisagrees));
    // EV-19: an estimate may be good enough to check by and not to convert by.
    case.conversion().spot_haematocrit = SpotHaematocrit::Check;
    case.haematocrit = None;
    assert_eq!(origin(&case), HaematocritOrigin::Default);
    case.haematocrit = Some(0.42);
    let narrow = case.convert();
    let width = |of: &spotwright_assay::conversion::Converted| match of.record.converted() {
        Some(ConvertedCase::Measured {
            interval_95: [low, high],
            ..
        }) => high - low,
        other => panic!("{other:?}"),
    };
    assert!(
        width(&wide) > 1.5 * width(&narrow),
        "a default haematocrit must show in the interval"
    );
}

#[test]
fn outside_what_was_validated_nothing_is_stretched() {
    let mut of = conversion(theoretical(0.0, 0.0));
    of.haematocrit_range = Some([0.25, 0.55]);
    of.concentration_range = Some([1.0, 20.0]);
    let at = |h: Option<f64>, c: f64| {
        let mut case = Case::new(of.clone(), c, 0.1);
        case.haematocrit = h;
        case
    };
    let refused = at(Some(0.56), 5.0).refusal();
    assert_eq!(refused.code, ConversionCode::HaematocritOutsideRange);
    assert_eq!((refused.found, refused.limit), (Some(0.56), Some(0.55)));
    assert!(!refused.lift.is_empty());
    assert_eq!(at(None, 5.0).refusal().code, ConversionCode::HaematocritNeeded);
    assert_eq!(
        at(Some(0.4), 0.9).refusal().code,
        ConversionCode::ConcentrationOutsideRange
    );
    assert_eq!(
        at(Some(0.4), 20.1).refusal().code,
        ConversionCode::ConcentrationOutsideRange
    );
    // The edges belong to the range (G-1).
    close(at(Some(0.55), 20.0).value(), 20.0 / 0.45, 1e-12);
    // The measured value may stand alone, or nothing does, as the method says.
    let outcome = |fallback| {
        let mut case = at(Some(0.60), 5.0);
        case.conversion().haematocrit_outside = fallback;
        case.convert().record.outcome
    };
    assert!(matches!(
        outcome(Fallback::MeasuredOnly),
        ConversionOutcome::MeasuredOnly { .. }
    ));
    assert!(matches!(
        outcome(Fallback::Refuse),
        ConversionOutcome::Refused { .. }
    ));
    let mut unknown = at(None, 5.0);
    unknown.conversion().haematocrit_unknown = HaematocritUnknown::Refuse;
    assert!(matches!(
        unknown.convert().record.outcome,
        ConversionOutcome::Refused { .. }
    ));
    // A conversion that does without the haematocrit is made, and says that its range could not be checked.
    let mut without = conversion(ConversionForm::NoneNeeded);
    without.haematocrit_range = Some([0.25, 0.55]);
    let case = Case::new(without, 5.0, 0.1);
    close(case.value(), 5.0, 1e-15);
    assert!(has(&case, ConversionCode::HaematocritUnchecked));
}

/// "Less than" is the person's own number: LLOQ/(1 − H) for a drug of plasma alone.
#[test]
fn the_limit_moves_with_the_person_s_haematocrit() {
    let below = |h: f64| {
        let mut case = Case::new(conversion(theoretical(0.0, 0.0)), 1.0, 0.1).at(h);
        case.range = Some([0.5, 20.0]);
        case.result.concentration = ConcentrationCase::BelowLloq {
            lloq: 0.5,
            estimate: Some(0.3),
        };
        case
    };
    for h in [0.25, 0.40, 0.55] {
        let record = below(h).convert().record;
        let Some(ConvertedCase::BelowLloq { limit, estimate }) = record.converted() else {
            panic!("{record:?}");
        };
        close(*limit, 0.5 / (1.0 - h), 1e-12);
        close(estimate.unwrap(), 0.3 / (1.0 - h), 1e-12);
        close(record.lloq.unwrap(), *limit, 1e-12);
        close(record.uloq.unwrap(), 20.0 / (1.0 - h), 1e-12);
    }
    let mut above = below(0.40);
    above.result.concentration = ConcentrationCase::AboveUloq {
        uloq: 20.0,
        estimate: None,
    };
    assert_eq!(
        above.convert().record.converted(),
        Some(&ConvertedCase::AboveUloq { limit: 20.0 / 0.60 })
    );
    // A run that reads lower than the conversion was derived: "less than" its lowest value is all that can be said.
    let mut ranged = below(0.40);
    ranged.conversion().concentration_range = Some([1.0, 10.0]);
    let record = ranged.convert().record;
    let Some(ConvertedCase::BelowLloq { limit, .. }) = record.converted() else {
        panic!("{record:?}");
    };
    close(*limit, 1.0 / 0.60, 1e-12);
    assert!(
        record
            .remarks
            .iter()
            .any(|remark| remark.code == ConversionCode::LimitOfConversion)
    );
}

#[test]
fn days_in_the_post_are_corrected_only_by_a_validated_slope() {
    let case = |loss, beyond, age| {
        let mut of = conversion(ConversionForm::NoneNeeded);
        of.spot.stability = Some(stability(loss, beyond));
        let mut case = Case::new(of, 9.0, 0.2);
        case.age_d = age;
        case
    };
    use BeyondStability::{AtLeast, Refuse};
    // 1 % a day for 5 days leaves 0.95.
    close(case(Some(0.01), Refuse, Some(5.0)).value(), 9.0 / 0.95, 1e-12);
    let plain = case(None, Refuse, Some(5.0));
    close(plain.value(), 9.0, 1e-15);
    assert!(has(&plain, ConversionCode::AgeNotCorrected));
    assert_eq!(
        case(Some(0.01), Refuse, None).refusal().code,
        ConversionCode::AgeNeeded
    );
    assert_eq!(
        case(None, Refuse, Some(11.0)).refusal().code,
        ConversionCode::AgeOutsideRange
    );
    // Beyond, the loss is known to be at least that of the validated days.
    let old = case(Some(0.01), AtLeast, Some(30.0)).convert().record;
    let Some(ConvertedCase::AtLeast { value, .. }) = old.converted() else {
        panic!("{old:?}");
    };
    close(*value, 9.0 / 0.90, 1e-12);
    // And what lies below the limit may have been lost.
    let mut below = case(None, AtLeast, Some(30.0));
    below.result.concentration = ConcentrationCase::BelowLloq {
        lloq: 0.5,
        estimate: None,
    };
    assert_eq!(below.refusal().code, ConversionCode::AgeOutsideRange);
    // A recovery that falls by 0.5 % a day, and with haematocrit.
    let mut of = conversion(ConversionForm::NoneNeeded);
    of.spot.recovery = Some(recovery(-0.5, -0.005));
    let mut case = Case::new(of, 9.0, 0.2).at(0.50);
    case.age_d = Some(4.0);
    close(case.value(), 9.0 / (1.0 - 0.05 - 0.02), 1e-12);
}

#[test]
fn volume_and_site_are_corrected_when_known_and_widen_when_not() {
    let mut of = conversion(ConversionForm::NoneNeeded);
    of.spot.volume = Some(VolumeTerm {
        slope: Estimate::known(0.23),
        reference_ul: 30.0,
        range_ul: [10.0, 50.0],
        unknown_cv_pct: 8.0,
    });
    of.spot.site = Some(SiteTerm {
        edge_excess: Estimate::known(0.10),
        largest_radius_fraction: 0.6,
        unknown_cv_pct: 3.0,
    });
    let mut case = Case::new(of, 10.0, 0.2);
    close(case.value(), 10.0, 1e-15);
    assert!(has(&case, ConversionCode::VolumeUnknown) && has(&case, ConversionCode::SiteUnknown));
    let sources: Vec<String> = case
        .convert()
        .record
        .budget
        .into_iter()
        .map(|term| term.source)
        .collect();
    assert_eq!(sources, ["measurement", "volume", "site"]);
    case.spot = Some(SpotEvidence {
        haematocrit: None,
        volume_ul: Some(Estimate::new(10.0, 0.5)),
        radius_fraction: Some(0.5),
    });
    // EV-17: 0.35 µL/mm² at 10 µL against 0.47 at 30 µL is 0.745; the logarithmic shape gives 0.747.
    let v: f64 = 1.0 - 0.23 * 1.098_612_288_668_11;
    assert!((v - 0.35 / 0.47).abs() < 0.01);
    close(case.value(), 10.0 / v / (1.0 + 0.10 * 0.25), 1e-9);
    case.spot.as_mut().unwrap().volume_ul = Some(Estimate::new(8.0, 0.5));
    assert_eq!(case.refusal().code, ConversionCode::VolumeOutsideRange);
    case.spot.as_mut().unwrap().volume_ul = Some(Estimate::new(20.0, 0.5));
    case.spot.as_mut().unwrap().radius_fraction = Some(0.7);
    assert_eq!(case.refusal().code, ConversionCode::SiteOutsideRange);
}

#[test]
fn units_meet_or_are_refused() {
    // A coefficient in mg/L on a result in µg/L: 1.61·C − 1.14 with C 8 mg/L is 11.74 mg/L.
    let mut case = Case::new(
        conversion(ConversionForm::LinearRegression(line(1.61, -1.14))),
        8000.0,
        100.0,
    );
    case.result.unit = ConcentrationUnit::MicrogramPerLitre;
    close(case.value(), 11_740.0, 1e-12);
    // A molar result and a coefficient in mass, for a drug without a molar mass (UC-01).
    case.result.unit = ConcentrationUnit::MicromolePerLitre;
    assert_eq!(case.refusal().code, ConversionCode::UnitMismatch);
}

#[test]
fn a_range_is_shown_with_its_matrix_and_only_its_own_matrix_is_read_against_it() {
    let target = TargetRange {
        quantity: TargetQuantity::Trough,
        low: Some(5.0),
        high: Some(15.0),
        toxic_above: Some(20.0),
        unit: ConcentrationUnit::MilligramPerLitre,
        matrix: MatrixKind::Plasma,
        sampling_time: "before the dose".to_owned(),
        indication: "a test".to_owned(),
        source: "a test".to_owned(),
    };
    let mut case = Case::new(conversion(theoretical(0.0, 0.0)), 5.0, 0.2).at(0.40);
    case.analyte.target = Some(target.clone());
    assert!(case.convert().record.on_scale_of_target());
    case.haematocrit = None;
    let refused = case.convert().record;
    assert_eq!(refused.target.as_ref(), Some(&target));
    assert!(!refused.on_scale_of_target());
    // Value and range stand in one unit: 5 mg/L is 5000 µg/L.
    case.result.unit = ConcentrationUnit::MicrogramPerLitre;
    let shown = case.convert().record.target.unwrap();
    assert_eq!(
        (shown.low, shown.unit),
        (Some(5000.0), ConcentrationUnit::MicrogramPerLitre)
    );
    // A range that cannot be brought to the result's unit (no molar mass, UC-01) is never read against.
    case.result.unit = ConcentrationUnit::MicromolePerLitre;
    assert!(!case.convert().record.on_scale_of_target());
    case.result.unit = ConcentrationUnit::MilligramPerLitre;
    // No conversion: the spot is not read against a plasma range, and the record says why.
    case.analyte.conversion = None;
    let none = case.convert();
    assert!(none.level.is_none() && !none.record.on_scale_of_target());
    assert_eq!(case.refusal().code, ConversionCode::NoConversion);
}
