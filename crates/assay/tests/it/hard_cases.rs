//! The hard cases of practice.md §7 (P-n) and practice-evidence.md §8 (E-n) that the areas of a run can show, each with the
//! verdict a trusted laboratory would give.
//!
//! Met elsewhere, because no area shows them: P-1 (two cards of one code), P-3 (unit slips) and half of P-2 (zones, dates
//! without time) by the readers; P-4, E-3, E-4, E-5 (matrices and conversions) by conversion; P-10, P-11, P-17, E-2, E-10,
//! E-11, E-12 (photographs, discs) by the card; P-18, P-20, E-15 by kinetics; P-19, E-16, E-20 by workflow; E-14 (agreeing
//! duplicates of a contaminated finger), E-18 (twins' cards swapped) and E-19 (placebo with drug) by nobody's areas at all.

use crate::laboratory::{DAY_START_UNIX_S, Judged, Laboratory, SLOPE, STANDARD_AREA, has, method};
use spotwright_assay::RunInput;
use spotwright_domain::concentration::ConcentrationCase;
use spotwright_domain::identifier::CardId;
use spotwright_domain::injection::SampleRole;
use spotwright_domain::method::CurveModel;
use spotwright_domain::peak::{NoPeakReason, PeakFlag};
use spotwright_domain::reason::{ReasonCode, Severity};
use spotwright_domain::record::{Acceptance, NextStep, ResultVerdict};

/// Patients over the range, none extreme.
fn patients(n: usize) -> Vec<f64> {
    (0..n).map(|i| 5.0 + 3.0 * (i % 17) as f64).collect()
}

fn first_patient(lab: &Laboratory) -> u32 {
    lab.orders(SampleRole::Patient, None)[0]
}

fn analyte(judged: &Judged) -> &spotwright_domain::record::AnalyteRunRecord {
    &judged.run.analytes[0]
}

#[test]
fn p2_last_dose_after_collection_and_collection_after_receipt() {
    let mut lab = Laboratory::usual(1, &patients(20));
    let order = first_patient(&lab);
    let cards: Vec<CardId> = lab
        .lines
        .iter()
        .filter_map(|line| line.injection.card.clone())
        .collect();
    // The offsets matter: 20:30+13:00 is 07:30 UTC, before the collection at 07:40 UTC; 20:45+13:00 is after it.
    lab.requests.get_mut(&cards[0]).unwrap().last_dose_at = Some("2026-02-27T20:45:00+13:00".to_owned());
    lab.requests.get_mut(&cards[1]).unwrap().last_dose_at = Some("2026-02-27T20:30:00+13:00".to_owned());
    let late = lab.requests.get_mut(&cards[2]).unwrap();
    late.collected_at_unix_s = Some(DAY_START_UNIX_S);
    lab.requests.get_mut(&cards[3]).unwrap().last_dose_at = None;
    lab.requests.remove(&cards[4]);
    let judged = lab.judge();
    let result = judged.at(order);
    assert!(has(&result.reasons, ReasonCode::TimesContradict));
    assert_eq!(result.verdict, ResultVerdict::ReportableWithComment);
    assert_eq!(judged.at(order + 1).verdict, ResultVerdict::Reportable);
    let result = judged.at(order + 2);
    assert!(has(&result.reasons, ReasonCode::TimesContradict));
    assert_eq!(
        (result.verdict, result.next_step),
        (ResultVerdict::NotReportable, NextStep::Review)
    );
    assert!(has(
        &judged.at(order + 3).reasons,
        ReasonCode::LastDoseTimeMissing
    ));
    let result = judged.at(order + 4);
    assert!(has(&result.reasons, ReasonCode::RequestMissing) && result.subject.is_none());
    assert_eq!(result.next_step, NextStep::Review);
}

#[test]
fn p5_haematocrit_outside_the_validated_range_and_a_card_too_old() {
    let mut lab = Laboratory::usual(2, &patients(20));
    let order = first_patient(&lab);
    let cards: Vec<CardId> = lab
        .lines
        .iter()
        .filter_map(|line| line.injection.card.clone())
        .collect();
    lab.requests.get_mut(&cards[0]).unwrap().haematocrit = Some(0.19);
    lab.requests.get_mut(&cards[1]).unwrap().haematocrit = None;
    lab.requests.get_mut(&cards[2]).unwrap().haematocrit = Some(0.20);
    let old = lab.requests.get_mut(&cards[3]).unwrap();
    old.collected_at_unix_s = Some(DAY_START_UNIX_S - 15 * 86_400);
    old.collected_at = None;
    let judged = lab.judge();
    assert!(has(
        &judged.at(order).reasons,
        ReasonCode::HaematocritOutsideRange
    ));
    assert_eq!(judged.at(order).verdict, ResultVerdict::ReportableWithComment);
    assert!(has(&judged.at(order + 1).reasons, ReasonCode::HaematocritUnknown));
    assert_eq!(
        judged.at(order + 2).verdict,
        ResultVerdict::Reportable,
        "limits are inclusive"
    );
    let result = judged.at(order + 3);
    assert!(has(&result.reasons, ReasonCode::CardTooOld));
    assert_eq!(
        (result.verdict, result.next_step),
        (ResultVerdict::NotReportable, NextStep::Refuse)
    );
}

#[test]
fn p6_lowest_calibrator_fails_and_samples_below_the_new_limit_change_case() {
    let mut lab = Laboratory::usual(3, &[1.5, 0.4, 12.0, 20.0, 30.0]);
    let lowest = lab.orders(SampleRole::Calibrator, Some("C1"))[0];
    lab.scale_analyte(lowest, 1.6);
    let judged = lab.judge();
    let run = analyte(&judged);
    assert_eq!(
        run.acceptance,
        Acceptance::AcceptedWithComment,
        "{:#?}",
        run.reasons
    );
    assert!(has(&run.reasons, ReasonCode::LowerLimitRaised));
    let failed: Vec<&str> = run
        .calibration_points
        .iter()
        .filter(|point| !point.used)
        .map(|point| point.level.as_str())
        .collect();
    assert_eq!(
        failed,
        ["C1"],
        "only the bad calibrator goes, though it pulled the curve"
    );
    assert!(has(
        &judged.at(lowest).reasons,
        ReasonCode::CalibratorOutsideLimit
    ));
    let first = first_patient(&lab);
    let lost = judged.at(first);
    let ConcentrationCase::BelowLloq {
        lloq,
        estimate: Some(estimate),
    } = lost.concentration
    else {
        panic!("{:?}", lost.concentration)
    };
    assert!((lloq - 2.0).abs() < 1e-12 && (1.2..1.9).contains(&estimate));
    assert_eq!(lost.verdict, ResultVerdict::ReportableWithComment);
    assert_eq!(lost.next_step, NextStep::SecondSpot);
    let low = judged.at(first + 1);
    assert!(matches!(low.concentration, ConcentrationCase::BelowLloq { .. }));
    assert_eq!(
        (low.verdict, low.next_step),
        (ResultVerdict::Reportable, NextStep::Report)
    );
}

#[test]
fn p6_the_shrunken_range_must_still_hold_the_controls() {
    let mut lab = Laboratory::usual(4, &patients(20));
    for level in ["C7", "C8"] {
        let order = lab.orders(SampleRole::Calibrator, Some(level))[0];
        lab.scale_analyte(order, 0.7);
    }
    let judged = lab.judge();
    let run = analyte(&judged);
    // 6 of 8 calibrators and 6 levels pass, but the range ends at 50 and the high control is 80.
    assert!(
        has(&run.reasons, ReasonCode::UpperLimitLowered)
            && has(&run.reasons, ReasonCode::ControlsOutsideRange)
    );
    assert_eq!(judged.run.acceptance, Acceptance::Rejected);
}

#[test]
fn p7_two_of_three_controls_at_a_level_pass_but_a_level_lost_rejects() {
    let mut lab = Laboratory::usual(5, &patients(40));
    lab.line.preparation_cv = 0.0;
    let high = lab.orders(SampleRole::Control, Some("QH"));
    assert_eq!(high.len(), 3);
    lab.scale_analyte(high[1], 1.3);
    let judged = lab.judge();
    assert_eq!(
        analyte(&judged).acceptance,
        Acceptance::AcceptedWithComment,
        "2 of 3, 8 of 9"
    );
    assert!(has(&judged.at(high[1]).reasons, ReasonCode::ControlOutsideLimit));
    for order in &high {
        lab.scale_analyte(*order, if *order == high[1] { 1.0 } else { 1.3 });
    }
    let judged = lab.judge();
    let run = analyte(&judged);
    assert!(has(&run.reasons, ReasonCode::ControlLevelFails));
    assert!(
        !has(&run.reasons, ReasonCode::TooFewControlsPass),
        "6 of 9 is two thirds"
    );
    assert_eq!(judged.run.acceptance, Acceptance::Rejected);
    for result in judged.patients() {
        assert_eq!(result.verdict, ResultVerdict::NotReportable);
        assert_eq!(result.concentration, ConcentrationCase::NotComputable, "G-4");
        assert!(has(&result.reasons, ReasonCode::RunRejected));
        assert_eq!(result.next_step, NextStep::SecondSpot);
    }
    assert_eq!(judged.run.verdicts.not_reportable, 40);
}

#[test]
fn p8_e9_a_weak_sample_right_after_a_very_strong_one() {
    // 0.1 % carry-over: 10 % of the LLOQ response after the highest calibrator, so the blank passes.
    let mut lab = Laboratory::new(6);
    lab.line.carry_over = 0.001;
    lab.line.noise_at_lloq = 0.02;
    lab.opening();
    let strong = lab.patient(800.0);
    let weak = lab.patient(2.0);
    let next = lab.patient(20.0);
    lab.brackets(&patients(10));
    // The diluted extract of the strong sample injected again is strong for its successor as well.
    let again = lab.add_diluted(SampleRole::Patient, None, 800.0, 2.0);
    lab.edit(again, |line| {
        line.injection.card = Some(CardId::new("PM-AGAIN").unwrap())
    });
    let weak_again = lab.patient(2.0);
    lab.controls();
    let judged = lab.judge();
    let run = analyte(&judged);
    assert!(
        !has(&run.reasons, ReasonCode::CarryOverInBlank),
        "{:#?}",
        run.reasons
    );
    assert!((run.carry_over_fraction.unwrap() / 0.001 - 1.0).abs() < 0.3);
    for order in [weak, weak_again] {
        let result = judged.at(order);
        assert!(
            has(&result.reasons, ReasonCode::CarryOverFromPredecessor),
            "{:#?}",
            result.reasons
        );
        assert_eq!(
            (result.verdict, result.next_step),
            (ResultVerdict::NotReportable, NextStep::Repeat)
        );
    }
    assert_eq!(
        judged.at(next).verdict,
        ResultVerdict::Reportable,
        "the one after it stands"
    );
    assert_eq!(judged.at(strong).next_step, NextStep::Dilute);
}

// The same on a line with little signal at the LLOQ: no blank shows 0.1 % for sure, but none vouches for a predecessor of
// eight times the upper limit either.
#[test]
fn e9_a_newborn_after_eight_times_the_upper_limit() {
    let mut seen = 0;
    for seed in 0..40 {
        let mut lab = Laboratory::new(seed);
        lab.line.carry_over = 0.0015;
        lab.opening();
        lab.patient(800.0);
        let newborn = lab.patient(2.0);
        lab.brackets(&patients(10));
        let judged = lab.judge();
        let result = judged.at(newborn);
        seen += usize::from(
            has(&result.reasons, ReasonCode::CarryOverFromPredecessor)
                && result.verdict == ResultVerdict::NotReportable,
        );
    }
    // The blank after the highest calibrator has 15 % of the LLOQ response with a noise of 6 %.
    assert!(seen >= 34, "{seen} of 40");
}

#[test]
fn p8_a_blank_that_carries_over_too_much_is_named() {
    let mut lab = Laboratory::new(7);
    lab.line.carry_over = 0.004;
    lab.opening();
    lab.brackets(&patients(20));
    let judged = lab.judge();
    let blanks = lab.orders(SampleRole::CarryOverBlank, None);
    let record = analyte(&judged)
        .blanks
        .iter()
        .find(|blank| blank.order == blanks[0])
        .unwrap();
    assert!(!record.passes && record.share_of_lloq_pct.unwrap() > 25.0);
    assert!(has(&analyte(&judged).reasons, ReasonCode::CarryOverInBlank));
    assert_eq!(
        analyte(&judged).acceptance,
        Acceptance::AcceptedWithComment,
        "samples are judged one by one"
    );
}

#[test]
fn p9_internal_standard_absent_in_a_sample_and_present_in_a_double_blank() {
    let mut lab = Laboratory::usual(8, &patients(20));
    let order = first_patient(&lab);
    lab.edit(order, |line| {
        line.standards[0].missing = Some(NoPeakReason::NothingAboveNoise);
        line.standards[0].area_counts_s = Some(3.0);
    });
    let double_blank = lab.orders(SampleRole::DoubleBlank, None)[0];
    lab.edit(double_blank, |line| {
        line.standards[0].missing = None;
        line.standards[0].area_counts_s = Some(STANDARD_AREA);
    });
    let judged = lab.judge();
    let result = judged.at(order);
    assert!(has(&result.reasons, ReasonCode::InternalStandardAbsent));
    assert_eq!(
        (result.area_ratio, &result.concentration),
        (None, &ConcentrationCase::NotComputable)
    );
    assert_eq!(
        (result.verdict, result.next_step),
        (ResultVerdict::NotReportable, NextStep::SecondSpot)
    );
    assert!(has(
        &analyte(&judged).reasons,
        ReasonCode::InternalStandardInDoubleBlank
    ));
    assert!(!has(
        &judged.at(double_blank).reasons,
        ReasonCode::InternalStandardAbsent
    ));
}

#[test]
fn p9_missed_half_and_double_sprays_are_named_by_their_size() {
    let mut lab = Laboratory::usual(9, &patients(40));
    let first = first_patient(&lab);
    for (offset, factor) in [(1, 0.3), (3, 2.0), (5, 0.55)] {
        lab.scale_standard(first + offset, factor);
    }
    let judged = lab.judge();
    for offset in [1, 3] {
        let result = judged.at(first + offset);
        assert!(has(&result.reasons, ReasonCode::InternalStandardOutsideLimits));
        assert_eq!(
            (result.verdict, result.next_step),
            (ResultVerdict::NotReportable, NextStep::SecondSpot)
        );
    }
    // Inside 50 to 150 %, yet unlike the samples around it.
    let half = judged.at(first + 5);
    assert!(
        has(&half.reasons, ReasonCode::InternalStandardOutsideLimits),
        "{:#?}",
        half.reasons
    );
    assert_eq!(half.verdict, ResultVerdict::ReportableWithComment);
}

#[test]
fn p12_a_parabola_that_turns_over_below_the_upper_limit() {
    let mut lab = Laboratory::usual(10, &patients(20));
    lab.method.analytes[0].model = CurveModel::Quadratic;
    // Ratio = 0.02·x·(1 − x/160): the top is at 80.
    for order in lab.orders(SampleRole::Calibrator, None) {
        let x = lab.truth[&order];
        lab.scale_analyte(order, 1.0 - x / 160.0);
    }
    let judged = lab.judge();
    assert!(
        has(&analyte(&judged).reasons, ReasonCode::CurveTurnsOver),
        "{:#?}",
        analyte(&judged).reasons
    );
    assert_eq!(judged.run.acceptance, Acceptance::Rejected);
}

#[test]
fn p13_a_split_peak_is_injected_again() {
    let mut lab = Laboratory::usual(11, &patients(20));
    let order = first_patient(&lab);
    lab.edit(order, |line| {
        line.analytes[0].quantifier.flags |= 1 << PeakFlag::Split as u16
    });
    lab.edit(order + 1, |line| {
        line.standards[0].flags |= 1 << PeakFlag::Saturated as u16
    });
    lab.edit(order + 2, |line| {
        line.analytes[0].quantifier.width_half_height_s = 8.0
    });
    let judged = lab.judge();
    let result = judged.at(order);
    assert!(has(&result.reasons, ReasonCode::PeakSplit));
    assert_eq!(
        (result.verdict, result.next_step),
        (ResultVerdict::NotReportable, NextStep::Repeat)
    );
    assert!(has(&judged.at(order + 1).reasons, ReasonCode::DetectorSaturated));
    assert_eq!(judged.at(order + 1).verdict, ResultVerdict::NotReportable);
    assert!(has(&judged.at(order + 2).reasons, ReasonCode::PeakUnusuallyWide));
    assert_eq!(judged.at(order + 2).verdict, ResultVerdict::ReportableWithComment);
}

#[test]
fn p14_p16_interference_in_one_patient_is_named_with_its_side() {
    let mut lab = Laboratory::usual(12, &patients(20));
    let order = first_patient(&lab);
    lab.edit(order + 4, |line| {
        let response = &mut line.analytes[0].qualifiers[0];
        response.area_counts_s = response.area_counts_s.map(|area| 1.7 * area);
    });
    // A metabolite under the quantifier makes the ratio fall and the result too high.
    lab.edit(order + 5, |line| {
        let response = &mut line.analytes[0].quantifier;
        response.area_counts_s = response.area_counts_s.map(|area| 1.6 * area);
    });
    lab.edit(order + 6, |line| {
        line.analytes[0].quantifier.retention_time_min += 0.15
    });
    let judged = lab.judge();
    for (offset, words) in [(4, "in the qualifier"), (5, "in the quantifier")] {
        let result = judged.at(order + offset);
        let reason = result
            .reasons
            .iter()
            .find(|r| r.code == ReasonCode::IonRatioOutsideTolerance)
            .unwrap();
        assert!(reason.text.contains(words), "{}", reason.text);
        assert_eq!(
            (result.verdict, result.next_step),
            (ResultVerdict::NotReportable, NextStep::Review)
        );
    }
    assert!(has(
        &judged.at(order + 6).reasons,
        ReasonCode::RetentionOutsideTolerance
    ));
    let clean = judged
        .patients()
        .filter(|result| result.verdict == ResultVerdict::Reportable)
        .count();
    assert_eq!(clean, 17, "nobody else");
}

// EV-55: near the LLOQ the ratio's own noise is shown, not punished; a strong quantifier without its qualifier is.
#[test]
fn p14_low_signal_ratios_are_not_assessable_and_a_missing_qualifier_is_seen() {
    let mut lab = Laboratory::new(13);
    lab.opening();
    let weak: Vec<u32> = (0..20).map(|_| lab.patient(1.3)).collect();
    let strong = lab.patient(30.0);
    lab.controls();
    lab.edit(strong, |line| {
        let response = &mut line.analytes[0].qualifiers[0];
        response.missing = Some(NoPeakReason::NothingAboveNoise);
        response.area_counts_s = Some(20.0);
        response.area_standard_uncertainty_counts_s = 60.0;
    });
    for order in &weak {
        // Noise of the qualifier as large as at the quantifier: 15 % of its own signal at the LLOQ.
        lab.edit(*order, |line| {
            line.analytes[0].qualifiers[0].area_standard_uncertainty_counts_s = 120.0
        });
    }
    let judged = lab.judge();
    for order in weak {
        let result = judged.at(order);
        assert!(
            !has(&result.reasons, ReasonCode::IonRatioOutsideTolerance),
            "{:#?}",
            result.reasons
        );
    }
    assert!(has(
        &judged.at(strong).reasons,
        ReasonCode::IonRatioOutsideTolerance
    ));
}

#[test]
fn p15_a_truncated_file_and_two_injections_under_one_name() {
    let mut lab = Laboratory::usual(14, &patients(20));
    let order = first_patient(&lab);
    for of in [order + 1, order + 6] {
        lab.edit(of, |line| line.trace_digest = Some([7; 32]));
    }
    lab.edit(order + 2, |line| {
        line.trace_digest = None;
        let gone = |response: &mut spotwright_domain::peak::Response| {
            response.missing = Some(NoPeakReason::FileUnreadable);
            response.area_counts_s = None;
        };
        line.standards.iter_mut().for_each(gone);
        for of in &mut line.analytes {
            gone(&mut of.quantifier);
            of.qualifiers.iter_mut().for_each(gone);
        }
    });
    let judged = lab.judge();
    for of in [order + 1, order + 6] {
        let result = judged.at(of);
        assert!(has(&result.reasons, ReasonCode::SameTraceTwice));
        assert_eq!(
            (result.verdict, result.next_step),
            (ResultVerdict::NotReportable, NextStep::Repeat)
        );
        assert_eq!(result.concentration, ConcentrationCase::NotComputable);
    }
    assert!(has(&judged.run.reasons, ReasonCode::SameTraceTwice));
    let result = judged.at(order + 2);
    assert!(has(&result.reasons, ReasonCode::TraceFileUnreadable));
    assert_eq!(
        (result.verdict, result.next_step),
        (ResultVerdict::NotReportable, NextStep::Repeat)
    );
    assert_eq!(
        judged.results.len(),
        lab.lines.len(),
        "injections in = injections out"
    );
}

#[test]
fn e1_a_rack_shifted_by_one_shows_in_controls_and_blanks() {
    // From the first bracket on every extract is the one of the place before.
    let mut lab = Laboratory::usual(15, &patients(40));
    let from = first_patient(&lab) as usize - 1 + 10;
    for place in (from + 1..lab.lines.len()).rev() {
        let before = lab.lines[place - 1].clone();
        let line = &mut lab.lines[place];
        line.standards = before.standards;
        line.analytes = before.analytes;
    }
    let judged = lab.judge();
    assert!(has(&analyte(&judged).reasons, ReasonCode::ControlOutsideLimit));
    assert!(
        has(&analyte(&judged).reasons, ReasonCode::RackShifted),
        "{:#?}",
        analyte(&judged).reasons
    );
    assert_eq!(judged.run.acceptance, Acceptance::Rejected);
    // Shifted from the start: the double blank holds internal standard, the zero a calibrator, the calibrators fail.
    let mut lab = Laboratory::usual(16, &patients(20));
    let blank = lab.orders(SampleRole::DoubleBlank, None)[0] as usize - 1;
    for place in blank..lab.lines.len() - 1 {
        let after = lab.lines[place + 1].clone();
        let line = &mut lab.lines[place];
        line.standards = after.standards;
        line.analytes = after.analytes;
    }
    let judged = lab.judge();
    assert_eq!(judged.run.acceptance, Acceptance::Rejected);
    assert!(
        has(&analyte(&judged).reasons, ReasonCode::RackShifted),
        "{:#?}",
        analyte(&judged).reasons
    );
}

#[test]
fn e6_a_smooth_fall_of_the_standard_and_one_sided_controls_within_limits() {
    let mut lab = Laboratory::new(17);
    lab.line.preparation_cv = 0.015;
    lab.line.standard_cv = 0.03;
    lab.line.drift_per_injection = -0.0040;
    lab.opening();
    lab.brackets(&patients(80));
    // The ratio drifts by −13 % from the first control to the last.
    let last = lab.lines.len() as f64;
    let opening = f64::from(lab.orders(SampleRole::Control, None)[0]);
    for order in (1..=lab.lines.len() as u32).filter(|order| f64::from(*order) > opening) {
        lab.scale_analyte(
            order,
            1.0 - 0.13 * (f64::from(order) - opening) / (last - opening),
        );
    }
    let judged = lab.judge();
    let run = analyte(&judged);
    let failing = run.controls.iter().filter(|control| !control.passes).count();
    assert!(failing * 3 <= run.controls.len(), "{failing}");
    assert!(has(&run.reasons, ReasonCode::ControlsDrift), "{:#?}", run.reasons);
    assert!(
        has(&run.reasons, ReasonCode::InternalStandardDrift),
        "{:#?}",
        run.reasons
    );
    assert_eq!(run.acceptance, Acceptance::AcceptedWithComment);
}

#[test]
fn e7_m10_24_one_standard_two_analytes_and_only_one_suffers() {
    let mut lab = Laboratory::new(18);
    lab.method = method(&["drug", "metabolite"]);
    lab.opening();
    lab.brackets(&patients(20));
    for order in lab.orders(SampleRole::Control, None) {
        lab.edit(order, |line| {
            let response = &mut line.analytes[1].quantifier;
            response.area_counts_s = response.area_counts_s.map(|area| 0.7 * area);
        });
    }
    let judged = lab.judge();
    assert_ne!(judged.run.analytes[0].acceptance, Acceptance::Rejected);
    assert_eq!(judged.run.analytes[1].acceptance, Acceptance::Rejected);
    assert_eq!(judged.run.acceptance, Acceptance::AcceptedWithComment);
    assert_eq!(
        (judged.run.verdicts.reportable, judged.run.verdicts.not_reportable),
        (20, 20)
    );
}

#[test]
fn e8_the_standard_climbs_with_concentration_under_a_perfect_curve() {
    let mut lab = Laboratory::new(19);
    lab.method.analytes[0].model = CurveModel::Quadratic;
    lab.line.standard_cv = 0.04;
    lab.opening();
    lab.brackets(&patients(40));
    // Cross-talk: 35 % more internal standard at the highest calibrator.
    for line in 0..lab.lines.len() {
        let order = lab.lines[line].injection.order;
        let x = lab.truth[&order];
        lab.scale_standard(order, 1.0 + 0.35 * x / 100.0);
    }
    let judged = lab.judge();
    let run = analyte(&judged);
    assert!(run.calibration.as_ref().unwrap().r_squared > 0.99);
    assert!(
        has(&run.reasons, ReasonCode::InternalStandardRisesWithConcentration),
        "{:#?}",
        run.reasons
    );
    assert!(has(
        &judged.run.internal_standards[0].reasons,
        ReasonCode::InternalStandardRisesWithConcentration
    ));
    for result in judged.patients() {
        assert!(
            !has(&result.reasons, ReasonCode::InternalStandardOutsideLimits),
            "50 to 150 % misses it"
        );
    }
}

#[test]
fn e8_a_step_and_samples_unlike_controls_are_named_too() {
    let mut lab = Laboratory::usual(20, &patients(60));
    let orders = lab.lines.len() as u32;
    let step_at = 50;
    for order in step_at..=orders {
        lab.scale_standard(order, 0.7);
        lab.scale_analyte(order, 0.7);
    }
    let judged = lab.judge();
    let standard = &judged.run.internal_standards[0];
    assert!(
        has(&standard.reasons, ReasonCode::InternalStandardStep),
        "{standard:#?}"
    );
    assert!(standard.step.unwrap().first_order.abs_diff(step_at) <= 2);
    assert!(
        !has(&standard.reasons, ReasonCode::InternalStandardSamplesUnlike),
        "{standard:#?}"
    );

    let mut lab = Laboratory::usual(21, &patients(60));
    for order in lab.orders(SampleRole::Patient, None) {
        lab.scale_standard(order, 0.7);
        lab.scale_analyte(order, 0.7);
    }
    let judged = lab.judge();
    let standard = &judged.run.internal_standards[0];
    assert!(
        has(&standard.reasons, ReasonCode::InternalStandardSamplesUnlike),
        "{standard:#?}"
    );
    assert!(
        !has(&standard.reasons, ReasonCode::InternalStandardStep),
        "{standard:#?}"
    );
    assert!(
        !has(&standard.reasons, ReasonCode::InternalStandardDrift),
        "{standard:#?}"
    );
}

#[test]
fn e13_controls_that_all_read_high_reject_though_the_calibrators_are_fine() {
    let mut lab = Laboratory::usual(22, &patients(20));
    for order in lab.orders(SampleRole::Control, None) {
        lab.scale_analyte(order, 1.4);
    }
    let judged = lab.judge();
    let run = analyte(&judged);
    assert!(run.calibration_points.iter().all(|point| point.used));
    assert!(has(&run.reasons, ReasonCode::TooFewControlsPass));
    assert!(!has(&run.reasons, ReasonCode::RackShifted));
    assert_eq!(judged.run.acceptance, Acceptance::Rejected);
}

#[test]
fn e14_p42_spots_that_disagree_far_beyond_precision_do_not_stand() {
    let mut lab = Laboratory::new(23);
    lab.opening();
    let card = CardId::new("PM-FINGER").unwrap();
    let clean = lab.patient_spot(&card, 1, 20.0);
    lab.brackets(&patients(10));
    let handled = lab.patient_spot(&card, 2, 60.0);
    let pair = CardId::new("PM-PAIR").unwrap();
    let one = lab.patient_spot(&pair, 1, 20.0);
    let two = lab.patient_spot(&pair, 2, 21.0);
    lab.controls();
    let judged = lab.judge();
    for order in [clean, handled] {
        let result = judged.at(order);
        assert!(has(&result.reasons, ReasonCode::DuplicatesDisagree));
        assert_eq!(
            (result.verdict, result.next_step),
            (ResultVerdict::NotReportable, NextStep::SecondSpot)
        );
    }
    for order in [one, two] {
        assert!(has(&judged.at(order).reasons, ReasonCode::DuplicatesAgree));
        assert_eq!(judged.at(order).verdict, ResultVerdict::Reportable);
    }
}

// EV §5: 2.77·CV gives 19 % at a CV of 7 %, so a pair 17 % apart is honest, where a flat 15 % refuses it.
#[test]
fn e14_an_honest_pair_is_not_refused_by_a_flat_limit() {
    let mut lab = Laboratory::new(24);
    lab.method.analytes[0].within_run_cv_pct = 7.0;
    lab.line.preparation_cv = 0.0;
    lab.line.standard_cv = 0.0;
    lab.opening();
    let card = CardId::new("PM-PAIR").unwrap();
    let one = lab.patient_spot(&card, 1, 20.0);
    lab.patient_spot(&card, 2, 23.7);
    lab.brackets(&patients(10));
    let judged = lab.judge();
    assert!(
        has(&judged.at(one).reasons, ReasonCode::DuplicatesAgree),
        "{:#?}",
        judged.at(one).reasons
    );
}

#[test]
fn e17_a_run_stopped_and_restarted_needs_controls_on_both_sides() {
    let mut lab = Laboratory::usual(25, &patients(20));
    let stop = lab.lines.len() as u32;
    let orphans: Vec<u32> = (0..5).map(|i| lab.patient(10.0 + f64::from(i))).collect();
    for line in &mut lab.lines {
        let batch = if line.injection.order <= stop {
            "first"
        } else {
            "second"
        };
        line.injection.sub_batch = Some(batch.to_owned());
    }
    let judged = lab.judge();
    for order in orphans {
        let result = judged.at(order);
        assert!(has(&result.reasons, ReasonCode::SubBatchWithoutControls));
        assert_eq!(result.verdict, ResultVerdict::NotReportable);
    }
    assert!(has(
        &analyte(&judged).reasons,
        ReasonCode::SubBatchWithoutControls
    ));
    assert_eq!(judged.run.verdicts.reportable, 20);
}

#[test]
fn samples_after_the_last_passing_controls_are_measured_again() {
    let mut lab = Laboratory::usual(26, &patients(20));
    let late = lab.patient(15.0);
    let judged = lab.judge();
    assert!(has(&judged.at(late).reasons, ReasonCode::OutsideBrackets));
    assert_eq!(judged.at(late).verdict, ResultVerdict::NotReportable);
    assert_eq!(judged.run.acceptance, Acceptance::AcceptedWithComment);
    assert_eq!(judged.run.verdicts.reportable, 20);
}

#[test]
fn above_the_range_is_diluted_by_a_validated_factor_or_said_to_be_above() {
    let mut lab = Laboratory::new(27);
    lab.opening();
    let twice = lab.patient(150.0);
    let tenfold = lab.patient(600.0);
    lab.patient(20.0);
    let beyond = lab.patient(2500.0);
    lab.patient(20.0);
    for _ in 0..3 {
        lab.add_diluted(SampleRole::DilutionControl, Some("QD"), 400.0, 10.0);
    }
    let diluted = lab.patient(600.0);
    let wrong = lab.patient(600.0);
    let unproven = lab.patient(150.0);
    for (order, x, factor) in [
        (diluted, 600.0, 10.0),
        (wrong, 600.0, 20.0),
        (unproven, 150.0, 2.0),
    ] {
        lab.edit(order, |line| line.injection.dilution_factor = factor);
        // The line was drawn undiluted.
        let _ = x;
        lab.scale_analyte(order, 1.0 / factor);
    }
    lab.brackets(&patients(10));
    let judged = lab.judge();
    for order in [twice, tenfold] {
        assert_eq!(
            (judged.at(order).verdict, judged.at(order).next_step),
            (ResultVerdict::NotReportable, NextStep::Dilute)
        );
        assert!(matches!(
            judged.at(order).concentration,
            ConcentrationCase::AboveUloq { .. }
        ));
    }
    let result = judged.at(beyond);
    assert_eq!(
        (result.verdict, result.next_step),
        (ResultVerdict::ReportableWithComment, NextStep::Refuse)
    );
    let result = judged.at(diluted);
    let ConcentrationCase::Measured { value, .. } = result.concentration else {
        panic!("{result:#?}")
    };
    assert!((value / 600.0 - 1.0).abs() < 0.15);
    assert_eq!(result.verdict, ResultVerdict::Reportable, "{:#?}", result.reasons);
    let result = judged.at(wrong);
    assert!(has(&result.reasons, ReasonCode::DilutionNotValidated));
    assert_eq!(
        (result.verdict, result.next_step),
        (ResultVerdict::NotReportable, NextStep::Refuse)
    );
    assert!(has(
        &judged.at(unproven).reasons,
        ReasonCode::DilutionControlMissing
    ));
    assert_eq!(judged.at(unproven).verdict, ResultVerdict::NotReportable);
}

#[test]
fn incurred_repeats_are_read_against_this_run_and_earlier_ones() {
    let mut lab = Laboratory::usual(28, &patients(20));
    let original = first_patient(&lab);
    let x = lab.truth[&original];
    let same_run = lab.add(SampleRole::IncurredRepeat, None, x);
    let from_earlier = lab.add(SampleRole::IncurredRepeat, None, 20.0);
    let far_off = lab.add(SampleRole::IncurredRepeat, None, 20.0);
    lab.controls();
    for (order, of) in [
        (same_run, format!("1/{original}")),
        (from_earlier, "0/7".to_owned()),
        (far_off, "0/8".to_owned()),
    ] {
        lab.edit(order, |line| line.injection.repeat_of = Some(of));
    }
    lab.earlier.insert("0/7".to_owned(), 20.0);
    lab.earlier.insert("0/8".to_owned(), 40.0);
    let judged = lab.judge();
    for order in [same_run, from_earlier] {
        assert!(
            !has(&judged.at(order).reasons, ReasonCode::IncurredRepeatDisagrees),
            "{:#?}",
            judged.at(order).reasons
        );
    }
    let result = judged.at(far_off);
    assert!(has(&result.reasons, ReasonCode::IncurredRepeatDisagrees));
    assert_eq!(
        result.verdict,
        ResultVerdict::NotApplicable,
        "a repeat never replaces the reported value"
    );
    assert!(
        !has(&analyte(&judged).reasons, ReasonCode::IncurredRepeatsFail),
        "2 of 3 is two thirds"
    );
    lab.earlier.insert("0/7".to_owned(), 60.0);
    assert!(has(
        &analyte(&lab.judge()).reasons,
        ReasonCode::IncurredRepeatsFail
    ));
}

#[test]
fn a_dropped_calibrator_does_not_depend_on_the_order_of_the_list() {
    let mut lab = Laboratory::usual(29, &patients(20));
    let order = lab.orders(SampleRole::Calibrator, Some("C5"))[0];
    lab.scale_analyte(order, 0.5);
    let straight = lab.judge();
    lab.lines.reverse();
    let reversed = lab.judge();
    assert_eq!(straight.run, reversed.run);
    for order in 1..=lab.lines.len() as u32 {
        assert_eq!(straight.at(order), reversed.at(order));
    }
    assert_eq!(analyte(&straight).calibration.as_ref().unwrap().fits, 2);
}

#[test]
fn too_few_calibrators_controls_or_nothing_at_all_reject_with_their_reason() {
    let mut lab = Laboratory::usual(30, &patients(20));
    for level in ["C2", "C4", "C6"] {
        let order = lab.orders(SampleRole::Calibrator, Some(level))[0];
        lab.scale_analyte(order, if level == "C4" { 0.6 } else { 1.5 });
    }
    let judged = lab.judge();
    assert!(
        has(&analyte(&judged).reasons, ReasonCode::TooFewCalibratorsPass),
        "{:#?}",
        analyte(&judged).reasons
    );
    assert_eq!(judged.run.acceptance, Acceptance::Rejected);

    let mut lab = Laboratory::new(31);
    lab.calibrators();
    lab.patient(10.0);
    let judged = lab.judge();
    let run = analyte(&judged);
    assert!(has(&run.reasons, ReasonCode::TooFewControls) && has(&run.reasons, ReasonCode::BlankMissing));
    assert!(has(&run.reasons, ReasonCode::ControlsNotBracketing));
    assert_eq!(judged.run.acceptance, Acceptance::Rejected);

    let mut lab = Laboratory::new(32);
    let order = lab.patient(10.0);
    let judged = lab.judge();
    assert!(has(&analyte(&judged).reasons, ReasonCode::CurveNotComputable));
    assert_eq!(analyte(&judged).calibration, None);
    assert_eq!(judged.at(order).concentration, ConcentrationCase::NotComputable);
}

#[test]
fn sensitivity_suitability_approval_and_repeats_are_watched() {
    let mut lab = Laboratory::usual(33, &patients(20));
    let lowest = lab.orders(SampleRole::Calibrator, Some("C1"))[0];
    lab.edit(lowest, |line| line.analytes[0].quantifier.signal_to_noise = 3.5);
    for (order, factor) in lab
        .orders(SampleRole::SystemSuitability, None)
        .into_iter()
        .zip([0.8, 1.0, 1.25])
    {
        lab.scale_analyte(order, factor);
    }
    lab.method.approval = None;
    let again = first_patient(&lab) + 1;
    let card = lab.lines[again as usize - 1].injection.card.clone().unwrap();
    let repeated = lab.patient_spot(&card, 1, 10.0);
    lab.controls();
    let judged = lab.judge();
    let run = analyte(&judged);
    assert!(
        has(&run.reasons, ReasonCode::SensitivityTooLow)
            && has(&run.reasons, ReasonCode::SystemSuitabilityScatter)
    );
    assert!(has(&judged.run.reasons, ReasonCode::MethodNotApproved));
    assert!(has(&judged.at(repeated).reasons, ReasonCode::RepeatWithoutReason));
    assert!(!has(&judged.at(again).reasons, ReasonCode::RepeatWithoutReason));
    assert_eq!(run.acceptance, Acceptance::AcceptedWithComment);
}

// Lowest calibrators in which nothing stands out of the noise are no reason to stay silent about sensitivity.
#[test]
fn lost_sensitivity_and_injected_air_are_named() {
    let mut lab = Laboratory::usual(36, &patients(20));
    let silent = |line: &mut spotwright_assay::AssayInjection| {
        let of = &mut line.analytes[0];
        for response in std::iter::once(&mut of.quantifier).chain(&mut of.qualifiers) {
            response.missing = Some(NoPeakReason::NothingAboveNoise);
            response.area_counts_s = Some(30.0);
        }
    };
    let lowest = lab.orders(SampleRole::Calibrator, Some("C1"))[0];
    lab.edit(lowest, silent);
    let air = first_patient(&lab);
    lab.edit(air, silent);
    lab.edit(air, |line| {
        line.standards[0].missing = Some(NoPeakReason::NothingAboveNoise)
    });
    let judged = lab.judge();
    assert!(has(&analyte(&judged).reasons, ReasonCode::SensitivityTooLow));
    assert!(has(&analyte(&judged).reasons, ReasonCode::LowerLimitRaised));
    let result = judged.at(air);
    assert!(
        has(&result.reasons, ReasonCode::InternalStandardAbsent)
            && has(&result.reasons, ReasonCode::PeakMissing)
    );
    assert_eq!(result.next_step, NextStep::SecondSpot);
}

#[test]
fn below_the_limit_and_nothing_found_are_reported_as_below() {
    let mut lab = Laboratory::new(34);
    lab.opening();
    let nothing = lab.patient(0.0);
    let moved = lab.patient(0.0);
    lab.brackets(&patients(10));
    lab.edit(moved, |line| {
        line.analytes[0].quantifier.missing = Some(NoPeakReason::NothingAtExpectedTime)
    });
    let judged = lab.judge();
    let result = judged.at(nothing);
    assert_eq!(
        result.concentration,
        ConcentrationCase::BelowLloq {
            lloq: 1.0,
            estimate: None
        }
    );
    assert_eq!(
        (result.verdict, result.next_step),
        (ResultVerdict::Reportable, NextStep::Report)
    );
    let result = judged.at(moved);
    assert!(has(&result.reasons, ReasonCode::PeakMissing));
    assert_eq!(
        (result.verdict, result.next_step),
        (ResultVerdict::ReportableWithComment, NextStep::Review)
    );
}

// Every number of every record is finite and every reason speaks, whatever the responses hold.
#[test]
fn hostile_responses_never_leave_as_numbers() {
    for seed in 0..60 {
        let mut lab = Laboratory::usual(seed, &patients(12));
        let wild = [
            f64::NAN,
            f64::INFINITY,
            f64::NEG_INFINITY,
            -1.0,
            0.0,
            1e300,
            5e-324,
            1e-300,
        ];
        let pick = |lab: &mut Laboratory| wild[(lab.noise.uniform() * wild.len() as f64) as usize];
        for place in 0..lab.lines.len() {
            if lab.noise.uniform() < 0.4 {
                let area = pick(&mut lab);
                lab.lines[place].analytes[0].quantifier.area_counts_s = Some(area);
            }
            if lab.noise.uniform() < 0.2 {
                let area = pick(&mut lab);
                lab.lines[place].standards[0].area_counts_s = Some(area);
            }
            if lab.noise.uniform() < 0.2 {
                let value = pick(&mut lab);
                let response = &mut lab.lines[place].analytes[0].quantifier;
                response.area_standard_uncertainty_counts_s = value;
                response.retention_time_min = value;
                response.width_half_height_s = value;
                response.signal_to_noise = value;
            }
            if lab.noise.uniform() < 0.1 {
                lab.lines[place].analytes[0].qualifiers[0].area_counts_s = None;
            }
        }
        let judged = lab.judge();
        // JSON has no NaN: serde writes null, so a record that comes back equal held none.
        let text = serde_json::to_string(&judged.run).unwrap();
        let back: spotwright_domain::record::RunRecord = serde_json::from_str(&text).unwrap();
        assert!(back == judged.run, "seed {seed}: {text}");
        for results in &judged.results {
            let text = serde_json::to_string(results).unwrap();
            let back: Vec<spotwright_domain::record::ResultRecord> =
                serde_json::from_str(&text).unwrap_or_else(|error| panic!("seed {seed}: {error} in {text}"));
            assert!(&back == results, "seed {seed}: {text}");
            for reason in results.iter().flat_map(|result| &result.reasons) {
                assert!(reason.text.ends_with('.') && reason.text.len() > 20, "{reason:?}");
            }
        }
    }
}

#[test]
fn what_is_not_one_run_of_the_method_is_refused() {
    let lab = Laboratory::usual(35, &patients(3));
    let judge = |lines: &[spotwright_assay::AssayInjection]| {
        let cards = |_: &CardId| None;
        let earlier = |_: &str, _: usize| None;
        spotwright_assay::judge_run(&RunInput {
            method: &lab.method,
            injections: lines,
            cards: &cards,
            earlier: &earlier,
        })
        .map(|_| ())
    };
    use spotwright_assay::JudgeError;
    assert_eq!(judge(&[]), Err(JudgeError::NoInjections));
    let mut twice = lab.lines.clone();
    twice[1].injection.order = 1;
    assert_eq!(judge(&twice), Err(JudgeError::OrderTwice { order: 1 }));
    let mut short = lab.lines.clone();
    short[2].standards.clear();
    assert!(matches!(
        judge(&short),
        Err(JudgeError::Responses {
            order: 3,
            expected: 1,
            found: 0,
            ..
        })
    ));
    assert_eq!(judge(&lab.lines), Ok(()));
    assert!(Severity::Reject > Severity::Comment && SLOPE > 0.0);
}
