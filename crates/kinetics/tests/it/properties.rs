//! Laws that hold for every structure, doses and parameters: mass balance, superposition, shift in time, linearity in dose,
//! and exact gradients of the objective.

use proptest::prelude::*;
use spotwright_kinetics::likelihood::{
    Objective, Observation, OccasionEffect, Problem, RandomEffects, ResidualError,
};
use spotwright_kinetics::structure::{
    BetweenKnots, Compartments, DoseEvent, DoseHistory, Elimination, Input, ParameterName as P,
    ParameterTimeline, Parameters, Route, Structure, TimeUncertainty, TimelineKnot,
    areas_under_concentration, predict,
};

fn structures() -> impl Strategy<Value = Structure> {
    let compartments = prop_oneof![Just(Compartments::One), Just(Compartments::Two)];
    let input = prop_oneof![
        Just(Input::FirstOrder),
        (1usize..6).prop_map(|transit_compartments| Input::TransitChain { transit_compartments }),
    ];
    (compartments, input, 0.1..1000.0).prop_map(|(compartments, input, concentration_multiplier)| Structure {
        compartments,
        input,
        elimination: Elimination::Linear,
        concentration_multiplier,
    })
}

fn parameters() -> impl Strategy<Value = Parameters> {
    (
        0.05..50.0,
        1.0..500.0,
        0.1..50.0,
        1.0..500.0,
        0.05..5.0,
        0.0..1.5,
        0.2..1.0,
    )
        .prop_map(|(cl, v, q, v2, ka, lag, f)| {
            Parameters::of(&[
                (P::Clearance, cl),
                (P::Volume, v),
                (P::CentralVolume, v),
                (P::IntercompartmentalClearance, q),
                (P::PeripheralVolume, v2),
                (P::AbsorptionRate, ka),
                (P::LagTime, lag),
                (P::Bioavailability, f),
            ])
        })
}

fn doses() -> impl Strategy<Value = Vec<DoseEvent>> {
    let route = prop_oneof![
        Just(Route::Bolus),
        Just(Route::Extravascular),
        (0.1..6.0).prop_map(|duration_h| Route::Infusion { duration_h }),
    ];
    let dose = (0.0..72.0, 1.0..500.0, route).prop_map(|(t, amount, route)| DoseEvent::new(t, amount, route));
    prop::collection::vec(dose, 1..6)
}

const TIMES: [f64; 5] = [3.0, 11.5, 25.0, 70.0, 100.0];

fn near(a: f64, b: f64, size: f64) -> bool {
    (a - b).abs() <= 1e-9 * size.abs() + 1e-290
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// All that enters leaves by clearance: AUC from first to last = Σ F·dose/CL.
    #[test]
    fn mass_is_balanced(structure in structures(), parameters in parameters(), doses in doses()) {
        let parameters = parameters.with(P::Clearance, parameters.get(P::Clearance).unwrap().max(1.0));
        let timeline = ParameterTimeline::constant(parameters);
        let total: f64 = doses
            .iter()
            .map(|d| d.amount * if d.route == Route::Extravascular { parameters.get(P::Bioavailability).unwrap() } else { 1.0 })
            .sum();
        let expected = total / parameters.get(P::Clearance).unwrap() * structure.concentration_multiplier;
        let found = areas_under_concentration(&structure, &timeline, &DoseHistory::of(doses), &[(0.0, 1e5)]).unwrap();
        // Eleven years of slow and fast rates: the transition squares some 20 times and loses digits with each (3e-8 was met).
        prop_assert!((found[0] / expected - 1.0).abs() < 1e-6, "{} {}", found[0], expected);
    }

    /// Doses together make the sum of what each makes alone.
    #[test]
    fn doses_superpose(structure in structures(), parameters in parameters(), doses in doses()) {
        let timeline = ParameterTimeline::constant(parameters);
        let together = predict(&structure, &timeline, &DoseHistory::of(doses.clone()), &TIMES).unwrap();
        let mut sum = [0.0; TIMES.len()];
        for dose in doses {
            let alone = predict(&structure, &timeline, &DoseHistory::of(vec![dose]), &TIMES).unwrap();
            for (slot, value) in sum.iter_mut().zip(alone) {
                *slot += value;
            }
        }
        for (a, b) in together.iter().zip(sum) {
            prop_assert!(near(*a, b, b), "{a} {b}");
        }
    }

    /// The clock's zero does not matter, and twice the dose makes twice the level.
    #[test]
    fn time_shifts_and_doses_scale(structure in structures(), parameters in parameters(), doses in doses()) {
        let timeline = ParameterTimeline::constant(parameters);
        let plain = predict(&structure, &timeline, &DoseHistory::of(doses.clone()), &TIMES).unwrap();
        let shifted: Vec<DoseEvent> = doses.iter().map(|d| DoseEvent { time_h: d.time_h + 1024.0, ..*d }).collect();
        let later = TIMES.map(|t| t + 1024.0);
        let moved = predict(&structure, &timeline, &DoseHistory::of(shifted), &later).unwrap();
        let doubled: Vec<DoseEvent> = doses.iter().map(|d| DoseEvent { amount: 2.0 * d.amount, ..*d }).collect();
        let twice = predict(&structure, &timeline, &DoseHistory::of(doubled), &TIMES).unwrap();
        for i in 0..TIMES.len() {
            prop_assert!(near(plain[i], moved[i], plain[i]), "{} {}", plain[i], moved[i]);
            prop_assert!(near(2.0 * plain[i], twice[i], twice[i]));
        }
    }

    /// A knot that changes nothing changes nothing: the sum of exponentials and the walk agree.
    #[test]
    fn two_ways_agree(structure in structures(), parameters in parameters(), doses in doses()) {
        let timeline = ParameterTimeline::constant(parameters);
        let split = ParameterTimeline {
            knots: [0.0, 17.3].map(|from_h| TimelineKnot { from_h, values: parameters }).to_vec(),
            between: BetweenKnots::Constant,
        };
        // Straight lines between equal knots: the same by Taylor series.
        let sloping = ParameterTimeline { between: BetweenKnots::LinearClearance, ..split.clone() };
        let history = DoseHistory::of(doses);
        let one = predict(&structure, &timeline, &history, &TIMES).unwrap();
        for other in [&split, &sloping] {
            let two = predict(&structure, other, &history, &TIMES).unwrap();
            let size = one.iter().copied().fold(0.0, f64::max);
            for (a, b) in one.iter().zip(two) {
                prop_assert!((a - b).abs() <= 1e-9 * a.abs() + 1e-12 * size, "{a} {b}");
            }
        }
    }

    /// More clearance never makes a higher area.
    #[test]
    fn area_falls_with_clearance(structure in structures(), parameters in parameters(), doses in doses()) {
        let history = DoseHistory::of(doses);
        let area = |factor: f64| {
            let faster = ParameterTimeline::constant(parameters).scaled(P::Clearance, factor);
            areas_under_concentration(&structure, &faster, &history, &[(0.0, 100.0)]).unwrap()[0]
        };
        prop_assert!(area(1.3) <= area(1.0));
    }

    /// The objective's gradient against differences: correlated effects, occasions, uncertain times, a level below the limit,
    /// mixed matrices, both kinds of error, linear and saturable.
    #[test]
    fn gradients_of_the_objective(
        structure in structures(),
        saturable in any::<bool>(),
        log_error in any::<bool>(),
        plain in any::<bool>(),
        effects in prop::collection::vec(-0.5..0.5, 9),
    ) {
        let problem = problem(structure, saturable, log_error, plain);
        let mut objective = Objective::new(&problem).unwrap();
        let effects = &effects[..objective.size()];
        let mut gradient = vec![0.0; effects.len()];
        objective.value_gradient(effects, &mut gradient).unwrap();
        for i in 0..effects.len() {
            let h = 1e-4;
            let mut at = |step: f64| {
                let mut moved = effects.to_vec();
                moved[i] += step;
                objective.value(&moved).unwrap()
            };
            let difference = (8.0 * (at(h) - at(-h)) - (at(2.0 * h) - at(-2.0 * h))) / (12.0 * h);
            let size = gradient.iter().fold(1.0f64, |most, g| most.max(g.abs()));
            prop_assert!((gradient[i] - difference).abs() < 1e-6 * size, "{i}: {} {difference}", gradient[i]);
        }
    }
}

fn problem(structure: Structure, saturable: bool, log_error: bool, plain: bool) -> Problem {
    let mut values = Parameters::of(&[
        (P::Clearance, 3.0),
        (P::Volume, 30.0),
        (P::CentralVolume, 30.0),
        (P::IntercompartmentalClearance, 2.0),
        (P::PeripheralVolume, 40.0),
        (P::AbsorptionRate, 0.8),
        (P::LagTime, 0.3),
    ]);
    let structure = Structure {
        concentration_multiplier: 1.0,
        elimination: if saturable {
            Elimination::MichaelisMenten
        } else {
            Elimination::Linear
        },
        ..structure
    };
    if saturable {
        values.set(P::MaximumRate, 20.0);
        values.set(P::MichaelisConstant, 3.0);
        values.set(P::Clearance, 0.2);
    }
    let moved = if saturable { P::MaximumRate } else { P::Clearance };
    let volume = structure.central_volume();
    let mut effects = RandomEffects::between_subjects(
        &[
            (moved, 0.3),
            (volume, 0.2),
            (P::AbsorptionRate, 0.5),
            (P::LagTime, 0.2),
        ],
        &[(moved, volume, 0.4)],
    );
    let mut history = DoseHistory::regular(0.0, 12.0, 5, 200.0, Route::Extravascular);
    let mut observations = vec![
        Observation::quantified(47.0, 4.0),
        Observation {
            matrix_ratio: 0.6,
            extra_variance: 0.04,
            ..Observation::quantified(50.0, 3.5)
        },
        Observation::below_limit(59.5, 3.0),
    ];
    if !plain {
        effects.between_occasion = vec![OccasionEffect {
            parameter: moved,
            sd_log: 0.2,
        }];
        effects.occasion_starts_h = vec![0.0, 30.0];
        history.doses[4].time_uncertainty = Some(TimeUncertainty::Normal { sd_h: 0.3 });
        observations[0].time_uncertainty = Some(TimeUncertainty::Uniform { half_width_h: 0.8 });
    }
    Problem {
        structure,
        typical: ParameterTimeline::constant(values),
        effects,
        residual: if log_error {
            ResidualError::Log { sigma: 0.2 }
        } else {
            ResidualError::Combined {
                additive_sd: 0.2,
                proportional_sd: 0.15,
            }
        },
        history,
        observations,
    }
}
