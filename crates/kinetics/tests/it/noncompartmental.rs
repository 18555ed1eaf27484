//! Non-compartmental analysis against independent computations on published profiles, and against integrals known exactly.

use crate::support::{close, numbers, reference, rows, shared};
use proptest::prelude::*;
use spotwright_kinetics::noncompartmental::{
    AreaRule, BeforeDoseRule, BelowLimitRule, Caution, Dose, DuplicateRule, IntervalEnd, Level,
    NoTerminalSlope, Noncompartmental, NoncompartmentalError, Note, Origin, Route, Rules, Sample, StartRule,
    TerminalRule, noncompartmental,
};

fn measured(times_h: &[f64], levels: &[f64]) -> Vec<Sample> {
    let pairs = times_h.iter().zip(levels);
    pairs
        .map(|(time_h, level)| Sample {
            time_h: *time_h,
            level: Level::Measured(*level),
        })
        .collect()
}

fn single(amount: f64, route: Route) -> Dose {
    Dose {
        amount,
        route,
        interval_h: None,
        steady_state: false,
    }
}

fn analysed(samples: &[Sample], dose: &Dose, rules: &Rules) -> Noncompartmental {
    noncompartmental(samples, dose, rules).unwrap()
}

/// `corpus/pk-checks/nca.json`: computed with numpy by rules stated there, tolerance 1e-9 as there.
#[test]
fn the_reference_profiles_agree_in_every_figure() {
    let file = reference("nca.json");
    let cases = file["cases"].as_array().unwrap();
    assert!(cases.len() >= 4);
    for case in cases {
        let id = case["id"].as_str().unwrap();
        let samples = measured(&numbers(&case["times_h"]), &numbers(&case["conc_mg_L"]));
        let route = if case["route"] == "oral" {
            Route::Extravascular
        } else {
            Route::Bolus
        };
        let dose = single(case["dose_mg"].as_f64().unwrap(), route);
        let result = analysed(&samples, &dose, &Rules::default());
        let linear = Rules {
            area: AreaRule::Linear,
            ..Rules::default()
        };
        let linear = analysed(&samples, &dose, &linear);
        let slope = result.terminal.as_ref().unwrap();
        let whole = result.to_infinity.as_ref().unwrap();
        for (name, expected) in case["expected"].as_object().unwrap() {
            let found = match name.as_str() {
                "C_max" => result.c_max,
                "t_max" => result.t_max_h,
                "C0_back_extrapolated" => result.points[0].level,
                "lambda_z" => slope.rate_per_h,
                "lambda_z_n_points" => slope.times_h.len() as f64,
                "adj_r2" => slope.adjusted_r_squared,
                "t_half" => slope.half_life_h,
                "AUC_last_linear" => linear.auc_last,
                "AUC_last_linup_logdown" => result.auc_last,
                "AUC_inf_obs" => whole.auc,
                "AUC_inf_pred" => whole.auc_from_fitted_last,
                "AUC_extrapolated_percent" => whole.extrapolated_pct,
                "AUMC_last" => result.aumc_last,
                "AUMC_inf_obs" => whole.aumc,
                "MRT_inf" => whole.mean_residence_h.unwrap(),
                "CL" | "CL_F" => whole.clearance.unwrap(),
                "Vz" | "Vz_F" => whole.volume_terminal.unwrap(),
                "Vss" => whole.volume_steady_state.unwrap(),
                other => panic!("{id}: no figure named {other}"),
            };
            close(&format!("{id} {name}"), found, expected.as_f64().unwrap(), 1e-9);
        }
    }
}

/// `theoph.csv` and `theoph.nca.ref.json`: twelve subjects, computed with R 4.2.2 (last 3 points, nothing added at the dose).
#[test]
fn twelve_theophylline_profiles_agree_with_r() {
    let (Some(csv), Some(expected)) = (shared("theoph.csv"), shared("theoph.nca.ref.json")) else {
        return;
    };
    let expected: serde_json::Value = serde_json::from_str(&expected).unwrap();
    let rows = rows(&csv);
    for subject in 1..=12 {
        let subject = subject.to_string();
        let own: Vec<&Vec<String>> = rows.iter().filter(|row| row[0] == subject).collect();
        let column =
            |index: usize| -> Vec<f64> { own.iter().map(|row| row[index].parse().unwrap()).collect() };
        let samples = measured(&column(3), &column(4));
        let dose = single(column(2)[0], Route::Extravascular);
        let by = |area| Rules {
            area,
            terminal: TerminalRule::LastPoints(3),
            start: StartRule::AsSampled,
            ..Rules::default()
        };
        let linear = analysed(&samples, &dose, &by(AreaRule::Linear));
        let logarithmic = analysed(&samples, &dose, &by(AreaRule::LinearUpLogDown));
        let slope = linear.terminal.as_ref().unwrap();
        let whole = linear.to_infinity.as_ref().unwrap();
        for (name, found) in [
            ("n", linear.points.len() as f64),
            ("cmax", linear.c_max),
            ("tmax", linear.t_max_h),
            ("clast", linear.c_last),
            ("tlast", linear.t_last_h),
            ("auc_lin", linear.auc_last),
            ("auc_linuplogdown", logarithmic.auc_last),
            ("aumc_lin", linear.aumc_last),
            ("lambda_z", slope.rate_per_h),
            ("t_half", slope.half_life_h),
            ("aucinf_lin", whole.auc),
            (
                "aucinf_linuplogdown",
                logarithmic.to_infinity.as_ref().unwrap().auc,
            ),
            ("cl_f_lin", whole.clearance.unwrap()),
        ] {
            // The file holds 12 digits.
            let expected = expected[&subject][name].as_f64().unwrap();
            close(&format!("subject {subject} {name}"), found, expected, 1e-9);
        }
    }
}

/// An exponential is what the logarithmic rule integrates exactly: AUC = D/CL, MRT = 1/k, Vss = Vz = V, for a bolus;
/// an infusion adds half its duration to the residence, which must be taken off again (Gibaldi & Perrier 1982, ch. 11).
#[test]
fn an_exponential_gives_back_its_clearance_volume_and_residence() {
    let (dose, clearance, volume) = (250.0, 3.0, 40.0);
    let rate = clearance / volume;
    let times: Vec<f64> = (1..=12).map(|i| 1.5 * f64::from(i)).collect();
    let levels: Vec<f64> = times
        .iter()
        .map(|t| dose / volume * libm::exp(-rate * t))
        .collect();
    let result = analysed(
        &measured(&times, &levels),
        &single(dose, Route::Bolus),
        &Rules::default(),
    );
    let whole = result.to_infinity.unwrap();
    close("c0", result.c_max, dose / volume, 1e-12);
    close("clearance", whole.clearance.unwrap(), clearance, 1e-12);
    close("residence", whole.mean_residence_h.unwrap(), 1.0 / rate, 1e-12);
    close("Vss", whole.volume_steady_state.unwrap(), volume, 1e-12);
    close("Vz", whole.volume_terminal.unwrap(), volume, 1e-12);
}

/// During an infusion the curve is not what trapezoids integrate, so a fine grid is needed there.
#[test]
fn residence_after_an_infusion_is_less_half_its_duration() {
    let (dose, clearance, volume, duration_h) = (250.0, 3.0, 40.0, 2.0);
    let rate = clearance / volume;
    let level = |t: f64| {
        let end: f64 = t.min(duration_h);
        dose / duration_h / clearance * (1.0 - libm::exp(-rate * end)) * libm::exp(-rate * (t - end))
    };
    let mut times: Vec<f64> = (0..=2000).map(|i| f64::from(i) * duration_h / 2000.0).collect();
    times.extend((1..=20).map(|i| duration_h + 2.0 * f64::from(i)));
    let levels: Vec<f64> = times.iter().map(|t| level(*t)).collect();
    let dose = single(dose, Route::Infusion { duration_h });
    let whole = analysed(&measured(&times, &levels), &dose, &Rules::default())
        .to_infinity
        .unwrap();
    close("clearance", whole.clearance.unwrap(), clearance, 1e-7);
    close("residence", whole.mean_residence_h.unwrap(), 1.0 / rate, 1e-6);
    close("Vss", whole.volume_steady_state.unwrap(), volume, 1e-6);
}

/// In steady state the area over one interval is the area of a single dose to infinity, and the residence formula of Smith
/// and Schentag (1984) gives the single dose's residence.
#[test]
fn one_interval_in_steady_state_holds_a_whole_single_dose() {
    let (amount, clearance, volume, interval_h) = (100.0, 2.0, 30.0, 12.0);
    let rate: f64 = clearance / volume;
    let height = amount / volume / (1.0 - libm::exp(-rate * interval_h));
    let times: Vec<f64> = (0..=12).map(f64::from).collect();
    let levels: Vec<f64> = times.iter().map(|t| height * libm::exp(-rate * t)).collect();
    let dose = Dose {
        amount,
        route: Route::Bolus,
        interval_h: Some(interval_h),
        steady_state: true,
    };
    let result = analysed(&measured(&times, &levels), &dose, &Rules::default());
    let interval = result.interval.unwrap();
    assert_eq!(interval.end, IntervalEnd::Measured);
    close("area", interval.auc, amount / clearance, 1e-12);
    close("clearance", interval.clearance.unwrap(), clearance, 1e-12);
    close("residence", interval.mean_residence_h.unwrap(), 1.0 / rate, 1e-12);
    close(
        "average",
        interval.average_level,
        amount / clearance / interval_h,
        1e-12,
    );
    assert_eq!(result.to_infinity.unwrap().clearance, None);
}

/// The end of an interval between samples, and behind them: on an exponential both are exact.
#[test]
fn an_interval_may_end_between_or_behind_samples() {
    let rate = 0.1_f64;
    let times = [0.0, 2.0, 4.0, 6.0, 8.0, 10.0];
    let levels: Vec<f64> = times.iter().map(|t| 10.0 * libm::exp(-rate * t)).collect();
    for (interval_h, end) in [
        (7.0, IntervalEnd::Interpolated),
        (24.0, IntervalEnd::Extrapolated),
    ] {
        let dose = Dose {
            interval_h: Some(interval_h),
            ..single(100.0, Route::Bolus)
        };
        let interval = analysed(&measured(&times, &levels), &dose, &Rules::default())
            .interval
            .unwrap();
        assert_eq!(interval.end, end);
        close(
            "area",
            interval.auc,
            100.0 * (1.0 - libm::exp(-rate * interval_h)),
            1e-12,
        );
        close(
            "level",
            interval.level_at_end,
            10.0 * libm::exp(-rate * interval_h),
            1e-12,
        );
    }
}

#[test]
fn levels_below_the_limit_follow_the_rule_of_their_place() {
    let below = Level::BelowLimit { lloq: 1.0 };
    let levels = [
        below,
        Level::Measured(8.0),
        below,
        Level::Measured(4.0),
        Level::Measured(2.0),
        below,
    ];
    let samples: Vec<Sample> = levels
        .into_iter()
        .enumerate()
        .map(|(i, level)| Sample {
            time_h: i as f64,
            level,
        })
        .collect();
    let dose = single(10.0, Route::Extravascular);
    let rules = |before, between, after| Rules {
        area: AreaRule::Linear,
        below_limit_before: before,
        below_limit_between: between,
        below_limit_after: after,
        ..Rules::default()
    };
    use BelowLimitRule::{HalfLimit, LeftOut, Zero};
    let result = analysed(&samples, &dose, &rules(Zero, LeftOut, LeftOut));
    // 0–1: 4; 1–3: 12; 3–4: 3.
    close("auc", result.auc_last, 19.0, 1e-15);
    assert_eq!(result.t_last_h.to_bits(), 4.0_f64.to_bits());
    assert_eq!(
        result.notes,
        [
            Note::BelowLimitReplaced { time_h: 0.0, by: 0.0 },
            Note::BelowLimitLeftOut { time_h: 2.0 },
            Note::BelowLimitLeftOut { time_h: 5.0 },
        ]
    );
    let result = analysed(&samples, &dose, &rules(LeftOut, HalfLimit, Zero));
    // At the dose zero is put in: 4; 1–2: 4.25; 2–3: 2.25; 3–4: 3; behind the last measured level: 1.
    close("auc", result.auc_last, 13.5, 1e-15);
    close("auc of all", result.auc_all, 14.5, 1e-15);
    assert_eq!(result.points[0].origin, Origin::Start);
}

#[test]
fn disorder_duplicates_and_samples_before_the_dose_are_handled_by_rule_or_refused() {
    let samples = measured(&[4.0, -1.0, -0.5, 2.0, 2.0, 8.0], &[4.0, 1.0, 0.5, 5.0, 7.0, 2.0]);
    let dose = single(10.0, Route::Extravascular);
    assert_eq!(
        noncompartmental(&samples, &dose, &Rules::default()),
        Err(NoncompartmentalError::DuplicateTime {
            time_h: 2.0,
            found: 2
        })
    );
    let mean = Rules {
        duplicates: DuplicateRule::Mean,
        area: AreaRule::Linear,
        ..Rules::default()
    };
    let result = analysed(&samples, &dose, &mean);
    assert_eq!(
        result.notes,
        [
            Note::Sorted,
            Note::DuplicatesAveraged {
                time_h: 2.0,
                levels: 2
            },
            Note::SetAsideBeforeDose { time_h: -1.0 },
            Note::StandsAtDose { time_h: -0.5 },
        ]
    );
    close("auc", result.auc_last, 6.5 + 10.0 + 12.0, 1e-15);
    assert_eq!(
        result.no_terminal,
        Some(NoTerminalSlope::TooFewPoints {
            found: 2,
            expected: 3
        })
    );
    let strict = Rules {
        before_dose: BeforeDoseRule::Refuse,
        ..mean
    };
    assert_eq!(
        noncompartmental(&samples, &dose, &strict),
        Err(NoncompartmentalError::BeforeDose { time_h: -1.0 })
    );
}

#[test]
fn what_is_no_quantity_is_refused_by_name() {
    let good = measured(&[1.0, 2.0, 4.0, 8.0], &[4.0, 3.0, 2.0, 1.0]);
    let dose = single(10.0, Route::Extravascular);
    let with = |time_h, level| {
        let mut samples = good.clone();
        samples.push(Sample { time_h, level });
        noncompartmental(&samples, &dose, &Rules::default()).unwrap_err()
    };
    let texts = [
        with(f64::NAN, Level::Measured(1.0)).to_string(),
        with(9.0, Level::Measured(-1.0)).to_string(),
        with(9.0, Level::BelowLimit { lloq: 0.0 }).to_string(),
        noncompartmental(&good, &single(0.0, Route::Bolus), &Rules::default())
            .unwrap_err()
            .to_string(),
        noncompartmental(&[], &dose, &Rules::default())
            .unwrap_err()
            .to_string(),
    ];
    assert_eq!(
        texts,
        [
            "sample 4: a time is a finite number of hours, not NaN",
            "sample 4: a level is a finite number not below zero, not -1",
            "sample 4: a limit of quantification is a finite number above zero, not 0",
            "a dose is a finite number above zero, not 0",
            "no level was measured above zero",
        ]
    );
    let steady = Dose {
        steady_state: true,
        ..dose
    };
    assert_eq!(
        noncompartmental(&good, &steady, &Rules::default()),
        Err(NoncompartmentalError::SteadyStateWithoutInterval)
    );
}

/// A slope that rises is none, and then nothing is carried to infinity.
#[test]
fn rising_levels_have_no_terminal_slope() {
    let samples = measured(&[0.0, 1.0, 2.0, 3.0, 4.0], &[0.0, 9.0, 1.0, 2.0, 3.0]);
    let result = analysed(&samples, &single(10.0, Route::Extravascular), &Rules::default());
    assert_eq!(result.no_terminal, Some(NoTerminalSlope::NoDecline));
    assert_eq!(result.to_infinity, None);
}

/// Theophylline subject 1 (Boeckmann, Sheiner, Beal 1994) had 0.74 mg/L before its dose, and 31 % of its area lies behind the
/// last sample.
#[test]
fn cautions_name_what_they_rest_on() {
    let case = &reference("nca.json")["cases"][0];
    let samples = measured(&numbers(&case["times_h"]), &numbers(&case["conc_mg_L"]));
    let result = analysed(&samples, &single(320.0, Route::Extravascular), &Rules::default());
    assert!(matches!(
        result.cautions.as_slice(),
        [
            Caution::LargelyExtrapolated { .. },
            Caution::ShortTerminalSpan { .. },
            Caution::LevelBeforeDose { .. },
        ]
    ));
}

proptest! {
    /// Twice the levels, twice the area; a stretched time axis stretches area and half-life.
    #[test]
    fn areas_scale_with_level_and_time(
        levels in prop::collection::vec(0.01..100.0_f64, 4..15),
        factor in 0.1..10.0_f64,
    ) {
        let times: Vec<f64> = (0..levels.len()).map(|i| i as f64).collect();
        let dose = single(10.0, Route::Extravascular);
        let plain = analysed(&measured(&times, &levels), &dose, &Rules::default());
        let higher: Vec<f64> = levels.iter().map(|level| factor * level).collect();
        let slower: Vec<f64> = times.iter().map(|time| factor * time).collect();
        let higher = analysed(&measured(&times, &higher), &dose, &Rules::default());
        let slower = analysed(&measured(&slower, &levels), &dose, &Rules::default());
        close("higher", higher.auc_last, factor * plain.auc_last, 1e-12);
        close("slower", slower.auc_last, factor * plain.auc_last, 1e-12);
        if let (Some(slow), Some(slope)) = (slower.terminal, plain.terminal) {
            // Rounding may tip the choice between sets of equal adjusted R².
            if slow.times_h.len() == slope.times_h.len() {
                close("half-life", slow.half_life_h, factor * slope.half_life_h, 1e-9);
            }
        }
    }

    /// No input makes a number that is none.
    #[test]
    fn nothing_but_finite_numbers_leaves(
        points in prop::collection::vec((-2.0..1e3_f64, prop_oneof![Just(0.0), 1e-300..1e300_f64]), 0..12),
    ) {
        let (times, levels): (Vec<f64>, Vec<f64>) = points.into_iter().unzip();
        let dose = Dose { interval_h: Some(12.0), ..single(10.0, Route::Bolus) };
        if let Ok(result) = noncompartmental(&measured(&times, &levels), &dose, &Rules::default()) {
            prop_assert!(result.auc_last.is_finite() && result.aumc_last.is_finite());
            if let Some(whole) = result.to_infinity {
                prop_assert!(whole.auc.is_finite() && whole.volume_terminal.unwrap().is_finite());
            }
        }
    }
}
