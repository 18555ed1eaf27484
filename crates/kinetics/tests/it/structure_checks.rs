//! Concentrations and areas against reference values made by other means.

use crate::support::{close, numbers, reference};
use serde_json::Value;
use spotwright_kinetics::structure::{
    AtDoseTime, Compartments, Course, DoseEvent, DoseHistory, Elimination, Input, ParameterName,
    ParameterTimeline, Parameters, Route, SteadyState, Structure, StructureError, areas_under_concentration,
    predict, predict_with_gradient,
};

/// What the reference calls "params", "doses" and "`steady_state`".
fn case(value: &Value) -> (Structure, ParameterTimeline, DoseHistory) {
    let given = value["params"].as_object().unwrap();
    let mut parameters = Parameters::new();
    for (symbol, value) in given {
        if let Some(name) = ParameterName::from_symbol(symbol) {
            parameters.set(name, value.as_f64().unwrap());
        }
    }
    let structure = Structure {
        compartments: if given.contains_key("V2") {
            Compartments::Two
        } else {
            Compartments::One
        },
        input: match given.get("n_transit") {
            Some(n) => Input::TransitChain {
                transit_compartments: n.as_u64().unwrap() as usize,
            },
            None if given.contains_key("ka") => Input::FirstOrder,
            None => Input::Intravenous,
        },
        elimination: Elimination::Linear,
        concentration_multiplier: value["output_multiplier"].as_f64().unwrap(),
    };
    let dose = |dose: &Value| {
        let route = match dose["route"].as_str().unwrap() {
            "bolus" => Route::Bolus,
            "infusion" => Route::Infusion {
                duration_h: dose["dur"].as_f64().unwrap(),
            },
            "oral" => Route::Extravascular,
            other => panic!("route {other}"),
        };
        DoseEvent::new(
            dose["time"].as_f64().unwrap(),
            dose["amt"].as_f64().unwrap(),
            route,
        )
    };
    let history = DoseHistory {
        steady_state: value["steady_state"].as_object().map(|steady| SteadyState {
            dose: dose(&steady["dose"]),
            interval_h: steady["tau"].as_f64().unwrap(),
        }),
        doses: value["doses"]
            .as_array()
            .map_or(Vec::new(), |d| d.iter().map(dose).collect()),
    };
    (structure, ParameterTimeline::constant(parameters), history)
}

/// `closed_form.json`: matrix exponentials at 40 digits. There a bolus counts at its own time.
#[test]
fn linear_models_to_ten_digits() {
    for value in reference("closed_form.json")["cases"].as_array().unwrap() {
        let (structure, timeline, history) = case(value);
        let times: Vec<_> = numbers(&value["times_h"])
            .into_iter()
            .map(|t| (t, AtDoseTime::After))
            .collect();
        let mut course = Course::new(&structure, &timeline, &history, &times, &[]).unwrap();
        course.run(&timeline, &Parameters::new()).unwrap();
        let tolerance = value["tolerance_rel"].as_f64().unwrap();
        for (i, expected) in numbers(&value["expected"]).into_iter().enumerate() {
            let what = format!("{} at {} h", value["id"], times[i].0);
            close(&what, course.concentrations()[i], expected, tolerance);
        }
        // The walk with dual numbers and no sum of exponentials: the same to the same tolerance.
        let mut split = timeline.clone();
        split.knots.push(spotwright_kinetics::structure::TimelineKnot {
            from_h: 0.37,
            values: timeline.knots[0].values,
        });
        let mut course = Course::new(&structure, &split, &history, &times, &[]).unwrap();
        course.run(&split, &Parameters::new()).unwrap();
        for (i, expected) in numbers(&value["expected"]).into_iter().enumerate() {
            let what = format!("{} at {} h, walked", value["id"], times[i].0);
            close(&what, course.concentrations()[i], expected, tolerance);
        }
    }
}

/// `derived.json` D30: Lambert's W at 40 digits (C = Km·W((C₀/Km)·exp((C₀ − Vmax·t/V)/Km))).
#[test]
fn saturable_bolus_follows_lambert() {
    let all = reference("derived.json");
    let value = all["cases"]
        .as_array()
        .unwrap()
        .iter()
        .find(|c| c["id"] == "D30-mm-bolus-lambertw")
        .unwrap();
    let given = &value["given"];
    let number = |name: &str| given[name].as_f64().unwrap();
    let timeline = ParameterTimeline::constant(Parameters::of(&[
        (ParameterName::MaximumRate, number("Vmax_mg_per_h")),
        (ParameterName::MichaelisConstant, number("Km_mg_L")),
        (ParameterName::Volume, number("V_L")),
    ]));
    let structure = Structure {
        input: Input::Intravenous,
        ..saturable()
    };
    let history = DoseHistory::of(vec![DoseEvent::new(
        0.0,
        number("C0_mg_L") * number("V_L"),
        Route::Bolus,
    )]);
    let times: Vec<_> = numbers(&given["times_h"])
        .into_iter()
        .map(|t| (t, AtDoseTime::After))
        .collect();
    let mut course = Course::new(&structure, &timeline, &history, &times, &[]).unwrap();
    course.run(&timeline, &Parameters::new()).unwrap();
    for (i, expected) in numbers(&value["expected"]).into_iter().enumerate() {
        close(
            &format!("{times:?} {i}"),
            course.concentrations()[i],
            expected,
            1e-11,
        );
    }
}

/// `derived.json` D31: DOP853 at 1e-13; stated to 1e-8.
#[test]
fn saturable_oral_course() {
    let all = reference("derived.json");
    let value = all["cases"]
        .as_array()
        .unwrap()
        .iter()
        .find(|c| c["id"] == "D31-mm-oral-ode")
        .unwrap();
    let given = &value["given"];
    let number = |name: &str| given[name].as_f64().unwrap();
    let timeline = ParameterTimeline::constant(Parameters::of(&[
        (ParameterName::MaximumRate, number("Vmax_mg_per_h")),
        (ParameterName::MichaelisConstant, number("Km")),
        (ParameterName::Volume, number("V")),
        (ParameterName::AbsorptionRate, number("ka")),
    ]));
    let doses = given["doses"].as_array().unwrap().iter().map(|d| {
        DoseEvent::new(
            d["time"].as_f64().unwrap(),
            d["amt"].as_f64().unwrap(),
            Route::Extravascular,
        )
    });
    let found = predict(
        &saturable(),
        &timeline,
        &DoseHistory::of(doses.collect()),
        &numbers(&given["times_h"]),
    )
    .unwrap();
    for (found, expected) in found.iter().zip(numbers(&value["expected"])) {
        close("saturable oral", *found, expected, 1e-9);
    }
}

/// `derived.json` D01, D02: areas, averages and troughs at steady state.
#[test]
fn steady_state_metrics() {
    for value in reference("derived.json")["cases"].as_array().unwrap() {
        let given = &value["given"];
        let number = |name: &str| given[name].as_f64().unwrap();
        if !value["id"].as_str().unwrap().ends_with("oral-ss-metrics") {
            continue;
        }
        let timeline = ParameterTimeline::constant(Parameters::of(&[
            (ParameterName::Clearance, number("CL_F")),
            (ParameterName::Volume, number("V_F")),
            (ParameterName::AbsorptionRate, number("ka")),
        ]));
        let structure = Structure {
            elimination: Elimination::Linear,
            ..saturable()
        };
        let tau = number("tau_h");
        let history = DoseHistory::at_steady_state(0.0, tau, number("dose_mg"), Route::Extravascular);
        let expected = |name: &str| value["expected"][name].as_f64().unwrap();
        let areas = areas_under_concentration(&structure, &timeline, &history, &[(0.0, tau)]).unwrap();
        close("AUC", areas[0], expected("AUC_tau"), 1e-12);
        let levels = predict(&structure, &timeline, &history, &[tau, expected("t_max_ss")]).unwrap();
        close("trough", levels[0], expected("C_trough_ss"), 1e-12);
        close("peak", levels[1], expected("C_max_ss"), 1e-12);
    }
}

/// Mean level at steady state under saturable elimination: input rate = mean elimination rate (mass balance), and the
/// steady state recurs after one more interval.
#[test]
fn saturable_steady_state_recurs() {
    let timeline = ParameterTimeline::constant(Parameters::of(&[
        (ParameterName::MaximumRate, 17.29),
        (ParameterName::MichaelisConstant, 5.7),
        (ParameterName::Volume, 45.5),
        (ParameterName::AbsorptionRate, 0.3),
    ]));
    let mut history = DoseHistory::at_steady_state(0.0, 24.0, 276.0, Route::Extravascular);
    let first = predict(&saturable(), &timeline, &history, &[0.0, 5.0, 24.0]).unwrap();
    close("recurs", first[2], first[0], 1e-11);
    history
        .doses
        .push(DoseEvent::new(24.0, 276.0, Route::Extravascular));
    let second = predict(&saturable(), &timeline, &history, &[29.0]).unwrap();
    close("recurs", second[0], first[1], 1e-11);
    let history = DoseHistory::at_steady_state(0.0, 24.0, 420.0, Route::Extravascular);
    let refused = predict(&saturable(), &timeline, &history, &[0.0]);
    assert!(
        matches!(refused, Err(StructureError::NoSteadyState { .. })),
        "{refused:?}"
    );
}

/// Every derivative against differences of predictions, for every structure, route and form of computation.
#[test]
fn gradients_agree_with_differences() {
    use ParameterName as P;
    let all = Parameters::of(&[
        (P::Clearance, 3.1),
        (P::Volume, 21.0),
        (P::CentralVolume, 17.0),
        (P::IntercompartmentalClearance, 4.2),
        (P::PeripheralVolume, 33.0),
        (P::AbsorptionRate, 0.9),
        (P::LagTime, 0.4),
        (P::Bioavailability, 0.7),
        (P::RelativeBioavailability, 1.1),
        (P::MaximumRate, 6.0),
        (P::MichaelisConstant, 2.5),
        (P::TransitRate, 1.3),
    ]);
    let mut cases = 0;
    for compartments in [Compartments::One, Compartments::Two] {
        for elimination in [Elimination::Linear, Elimination::MichaelisMenten] {
            for input in [
                Input::FirstOrder,
                Input::TransitChain {
                    transit_compartments: 3,
                },
            ] {
                for steady in [false, true] {
                    for absorption in [0.9, 3.1 / 21.0] {
                        let structure = Structure {
                            compartments,
                            input,
                            elimination,
                            concentration_multiplier: 10.0,
                        };
                        let mut parameters = all.with(P::AbsorptionRate, absorption);
                        if elimination == Elimination::MichaelisMenten {
                            parameters.set(P::Clearance, 0.3);
                        }
                        check_gradient(&structure, parameters, steady);
                        cases += 1;
                    }
                }
            }
        }
    }
    assert_eq!(cases, 32);
}

fn check_gradient(structure: &Structure, parameters: Parameters, steady: bool) {
    let mut history = DoseHistory::of(vec![
        DoseEvent::new(0.0, 100.0, Route::Extravascular),
        DoseEvent::new(12.0, 100.0, Route::Extravascular),
        DoseEvent::new(15.0, 40.0, Route::Bolus),
        DoseEvent::new(20.0, 60.0, Route::Infusion { duration_h: 2.0 }),
    ]);
    if steady {
        history.steady_state = Some(SteadyState {
            dose: DoseEvent::new(-10.0, 30.0, Route::Extravascular),
            interval_h: 12.0,
        });
    }
    let times: Vec<_> = [0.0, 0.3, 2.0, 12.0, 12.2, 15.0, 16.0, 20.5, 21.9, 30.0]
        .into_iter()
        .map(|t| (t, AtDoseTime::After))
        .collect();
    let names: Vec<ParameterName> = parameters.iter().map(|(name, _)| name).collect();
    let timeline = ParameterTimeline::constant(parameters);
    let gradient = predict_with_gradient(structure, &timeline, &history, &times, &names).unwrap();
    let h = 1e-3;
    for (n, name) in names.iter().enumerate() {
        let at = |step: f64| {
            let moved = timeline.scaled(*name, libm::exp(step));
            predict_with_gradient(structure, &moved, &history, &times, &[])
                .unwrap()
                .concentrations
        };
        let (a, b, c, d) = (at(2.0 * h), at(h), at(-h), at(-2.0 * h));
        for i in 0..times.len() {
            let difference = (-a[i] + 8.0 * b[i] - 8.0 * c[i] + d[i]) / (12.0 * h);
            let found = gradient.by_ln_parameter[i * names.len() + n];
            let size = gradient.concentrations[i].abs() + found.abs();
            assert!(
                (found - difference).abs() <= 3e-9 * size + 1e-12,
                "{structure:?} {steady} {name} at {:?}: {found} and {difference}",
                times[i]
            );
        }
    }
}

fn saturable() -> Structure {
    Structure {
        compartments: Compartments::One,
        input: Input::FirstOrder,
        elimination: Elimination::MichaelisMenten,
        concentration_multiplier: 1.0,
    }
}
