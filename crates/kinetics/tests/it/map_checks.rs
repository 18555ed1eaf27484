//! Estimates against `map_bayes.json`: five starts and Newton's method by independent code; three cases solved twice.

use crate::support::{close, numbers, reference};
use serde_json::Value;
use spotwright_kinetics::estimate::{MapOptions, Starts, estimate_map};
use spotwright_kinetics::likelihood::{Observation, OccasionEffect, Problem, RandomEffects, ResidualError};
use spotwright_kinetics::structure::{
    Compartments, DoseEvent, DoseHistory, Elimination, Input, ParameterName, ParameterTimeline, Parameters,
    Route, Structure, areas_under_concentration,
};

/// What the reference says in words.
fn structure_and_fixed(id: &str) -> (Structure, Vec<(ParameterName, f64)>) {
    use ParameterName as P;
    let structure = |compartments, input, elimination| Structure {
        compartments,
        input,
        elimination,
        concentration_multiplier: 1.0,
    };
    let one = Compartments::One;
    let linear = Elimination::Linear;
    match &id[..3] {
        "M01" | "M06" => (structure(one, Input::Intravenous, linear), vec![]),
        "M02" => (
            structure(Compartments::Two, Input::FirstOrder, linear),
            vec![
                (P::AbsorptionRate, 3.58),
                (P::LagTime, 0.38),
                (P::IntercompartmentalClearance, 11.6),
                (P::PeripheralVolume, 5340.0),
            ],
        ),
        "M03" => (
            structure(one, Input::FirstOrder, linear),
            vec![(P::AbsorptionRate, 0.3)],
        ),
        "M04" => (
            structure(one, Input::FirstOrder, Elimination::MichaelisMenten),
            vec![(P::AbsorptionRate, 0.3), (P::Volume, 45.5)],
        ),
        "M05" => (
            structure(one, Input::FirstOrder, linear),
            vec![(P::AbsorptionRate, 1.99), (P::LagTime, 0.333)],
        ),
        other => panic!("no words for {other}"),
    }
}

/// Between washed-out occasions, h: nothing is left after it.
const WASHED_OUT_H: f64 = 5000.0;

fn problem(case: &Value) -> Problem {
    let id = case["id"].as_str().unwrap();
    let (structure, fixed) = structure_and_fixed(id);
    let mut values = Parameters::of(&fixed);
    let names: Vec<ParameterName> = case["parameters"]
        .as_array()
        .unwrap()
        .iter()
        .map(|name| ParameterName::from_symbol(name.as_str().unwrap()).unwrap())
        .collect();
    for (name, value) in names.iter().zip(numbers(&case["typical"])) {
        values.set(*name, value);
    }
    let matrix: Vec<Vec<f64>> = case["omega_cov"]
        .as_array()
        .unwrap()
        .iter()
        .map(numbers)
        .collect();
    let mut effects = RandomEffects {
        between_subject: names.clone(),
        covariance: matrix[..names.len()]
            .iter()
            .flat_map(|row| row[..names.len()].to_vec())
            .collect(),
        between_occasion: Vec::new(),
        occasion_starts_h: Vec::new(),
    };
    let dose = |dose: &Value, shift: f64| {
        let route = dose["dur"]
            .as_f64()
            .map_or(Route::Extravascular, |duration_h| Route::Infusion { duration_h });
        DoseEvent::new(
            dose["time"].as_f64().unwrap() + shift,
            dose["amt"].as_f64().unwrap(),
            route,
        )
    };
    let doses = match &case["doses"] {
        Value::Array(list) => list.iter().map(|d| dose(d, 0.0)).collect(),
        occasions => {
            effects.between_occasion = vec![OccasionEffect {
                parameter: ParameterName::Clearance,
                sd_log: matrix[2][2].sqrt(),
            }];
            effects.occasion_starts_h = vec![0.0, WASHED_OUT_H];
            let of = |name: &str, shift: f64| {
                let list = occasions[name].as_array().unwrap();
                list.iter().map(|d| dose(d, shift)).collect::<Vec<_>>()
            };
            [of("occ1", 0.0), of("occ2", WASHED_OUT_H)].concat()
        }
    };
    let observations = case["observations"]
        .as_array()
        .unwrap()
        .iter()
        .map(|level| {
            let shift = if level["occ"] == 2 { WASHED_OUT_H } else { 0.0 };
            let time = level["t"].as_f64().unwrap() + shift;
            if level["blq"] == true {
                Observation::below_limit(time, level["lloq"].as_f64().unwrap())
            } else {
                Observation::quantified(time, level["y"].as_f64().unwrap())
            }
        })
        .collect();
    let error = &case["error"];
    Problem {
        structure,
        typical: ParameterTimeline::constant(values),
        effects,
        residual: if error["kind"] == "log" {
            ResidualError::Log {
                sigma: error["sigma"].as_f64().unwrap(),
            }
        } else {
            ResidualError::Combined {
                additive_sd: error["add"].as_f64().unwrap(),
                proportional_sd: error["prop"].as_f64().unwrap(),
            }
        },
        history: DoseHistory::of(doses),
        observations,
    }
}

#[test]
fn estimates_agree_with_independent_solutions() {
    let all = reference("map_bayes.json");
    let mut checked = 0;
    for case in all["cases"].as_array().unwrap() {
        let id = case["id"].as_str().unwrap();
        let problem = problem(case);
        let expected = &case["expected"];
        let number = |name: &str| expected[name].as_f64().unwrap();
        for starts in [Starts::One, Starts::AsNeeded, Starts::All] {
            let options = MapOptions {
                starts,
                ..MapOptions::default()
            };
            let found = estimate_map(&problem, &options).unwrap();
            for (effect, wanted) in found.effects.iter().zip(numbers(&expected["eta"])) {
                assert!((effect - wanted).abs() <= 1e-6, "{id}: {effect} and {wanted}");
            }
            // The reference is printed to nine digits.
            close(id, found.objective, number("O_min"), 1e-8);
            close(id, found.objective_full, number("O_full"), 1e-8);
            close(id, found.objective_at_typical, number("O_at_zero"), 1e-8);
            for (prediction, wanted) in found.predictions.iter().zip(numbers(&expected["predictions"])) {
                close(id, *prediction, wanted, 1e-6);
            }
            // Printed to six digits: half a unit of the last is 5e-6 at worst.
            for (sd, wanted) in found.sd.iter().zip(numbers(&expected["sd_eta"])) {
                close(&format!("{id} sd"), *sd, wanted, 5e-6);
            }
            let covariance: Vec<f64> = expected["cov_eta"]
                .as_array()
                .unwrap()
                .iter()
                .flat_map(numbers)
                .collect();
            for (entry, wanted) in found.covariance.iter().zip(covariance) {
                close(&format!("{id} covariance"), *entry, wanted, 5e-6);
            }
            for (name, value) in expected["individual"].as_object().unwrap() {
                let name = ParameterName::from_symbol(name).unwrap();
                close(id, found.value(name).unwrap(), value.as_f64().unwrap(), 1e-6);
            }
            if let Some(area) = expected["derived"]["AUC_tau_ss"].as_f64() {
                let steady = DoseHistory::at_steady_state(0.0, 12.0, 5000.0, Route::Extravascular);
                let areas =
                    areas_under_concentration(&problem.structure, &found.timeline, &steady, &[(0.0, 12.0)])
                        .unwrap();
                close(id, areas[0], area, 1e-6);
            }
            assert!(found.largest_gradient < 1e-7, "{id}: {}", found.largest_gradient);
        }
        checked += 1;
    }
    assert_eq!(checked, 6);
}

/// Five effects, two compartments: `benches/baselines/map_scipy.py` (scipy 1.17.1 `least_squares`, numpy 2.4.6) finds the
/// objective 4.861538522 and these effects, differenced gradients and default tolerances: six digits of an effect.
#[test]
fn five_effects_agree_with_scipy() {
    use ParameterName as P;
    let problem = Problem {
        structure: Structure {
            compartments: Compartments::Two,
            input: Input::FirstOrder,
            elimination: Elimination::Linear,
            concentration_multiplier: 1000.0,
        },
        typical: ParameterTimeline::constant(Parameters::of(&[
            (P::Clearance, 23.0),
            (P::CentralVolume, 692.0),
            (P::IntercompartmentalClearance, 11.6),
            (P::PeripheralVolume, 5340.0),
            (P::AbsorptionRate, 3.58),
            (P::LagTime, 0.38),
        ])),
        effects: RandomEffects::between_subjects(
            &[
                (P::Clearance, 0.386),
                (P::CentralVolume, 0.492),
                (P::IntercompartmentalClearance, 0.787),
                (P::PeripheralVolume, 0.53),
                (P::AbsorptionRate, 0.5),
            ],
            &[],
        ),
        residual: ResidualError::Combined {
            additive_sd: 0.3,
            proportional_sd: 0.15,
        },
        history: DoseHistory::regular(0.0, 12.0, 14, 5.0, Route::Extravascular),
        observations: vec![
            Observation::quantified(156.0, 9.1),
            Observation::quantified(157.5, 17.8),
            Observation::quantified(160.0, 12.9),
        ],
    };
    let found = estimate_map(&problem, &MapOptions::default()).unwrap();
    close("objective", found.objective, 4.861_538_522, 1e-9);
    let scipy = [0.061_856_2, -0.150_134_9, 0.078_625_3, 0.011_026_0, 0.036_648_2];
    for (effect, wanted) in found.effects.iter().zip(scipy) {
        assert!((effect - wanted).abs() < 1e-5, "{effect} {wanted}");
    }
}
