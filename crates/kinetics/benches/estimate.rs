//! Time of one person's estimate and posterior: `cargo bench -p spotwright-kinetics --bench estimate`.
//!
//! The yardstick `benches/baselines/map_scipy.py` solves the same two-compartment problem.

use divan::{Bencher, black_box};
use spotwright_kinetics::estimate::{MapOptions, PosteriorOptions, Starts, estimate_map, sample_posterior};
use spotwright_kinetics::likelihood::{
    Objective, Observation, OccasionEffect, Problem, RandomEffects, ResidualError,
};
use spotwright_kinetics::structure::{
    Compartments, DoseHistory, Elimination, Input, ParameterName, ParameterTimeline, Parameters, Route,
    Structure,
};

fn main() {
    divan::main();
}

/// Two compartments, oral with lag, 14 doses, 3 levels, 5 random effects.
fn two_compartment_oral() -> Problem {
    use ParameterName as P;
    Problem {
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
    }
}

/// One compartment, saturable, oral: 14 doses, two levels.
fn saturable_oral() -> Problem {
    use ParameterName as P;
    Problem {
        structure: Structure {
            compartments: Compartments::One,
            input: Input::FirstOrder,
            elimination: Elimination::MichaelisMenten,
            concentration_multiplier: 1.0,
        },
        typical: ParameterTimeline::constant(Parameters::of(&[
            (P::MaximumRate, 17.29),
            (P::MichaelisConstant, 5.7),
            (P::Volume, 45.5),
            (P::AbsorptionRate, 0.3),
        ])),
        effects: RandomEffects::between_subjects(
            &[
                (P::MaximumRate, 0.15),
                (P::MichaelisConstant, 0.5),
                (P::Volume, 0.2),
            ],
            &[],
        ),
        residual: ResidualError::Combined {
            additive_sd: 0.5,
            proportional_sd: 0.1,
        },
        history: DoseHistory::regular(0.0, 24.0, 14, 276.0, Route::Extravascular),
        observations: vec![
            Observation::quantified(240.0, 12.1),
            Observation::quantified(312.0, 14.2),
        ],
    }
}

/// The same with clearance varying between two occasions: no single sum of exponentials.
fn two_occasions() -> Problem {
    let mut problem = two_compartment_oral();
    problem.effects.between_occasion = vec![OccasionEffect {
        parameter: ParameterName::Clearance,
        sd_log: 0.136,
    }];
    problem.effects.occasion_starts_h = vec![0.0, 84.0];
    problem
}

/// The same through two transit compartments.
fn transit_chain() -> Problem {
    let mut problem = two_compartment_oral();
    problem.structure.input = Input::TransitChain {
        transit_compartments: 2,
    };
    problem
}

#[divan::bench]
fn map_fit_two_occasions(bencher: Bencher<'_, '_>) {
    let problem = two_occasions();
    bencher.bench(|| estimate_map(black_box(&problem), &MapOptions::default()));
}

#[divan::bench]
fn map_fit_transit_chain(bencher: Bencher<'_, '_>) {
    let problem = transit_chain();
    bencher.bench(|| estimate_map(black_box(&problem), &MapOptions::default()));
}

#[divan::bench]
fn one_value_two_occasions(bencher: Bencher<'_, '_>) {
    let mut objective = Objective::new(&two_occasions()).expect("a sound problem");
    let effects = [0.1, 0.2, -0.1, 0.1, 0.05, 0.1, -0.1];
    bencher.bench_local(|| objective.value(black_box(&effects)));
}

#[divan::bench]
fn one_value_transit_chain(bencher: Bencher<'_, '_>) {
    let mut objective = Objective::new(&transit_chain()).expect("a sound problem");
    let effects = [0.1, 0.2, -0.1, 0.1, 0.05];
    bencher.bench_local(|| objective.value(black_box(&effects)));
}

#[divan::bench]
fn one_value_saturable(bencher: Bencher<'_, '_>) {
    let mut objective = Objective::new(&saturable_oral()).expect("a sound problem");
    let effects = [0.1, 0.2, -0.1];
    bencher.bench_local(|| objective.value(black_box(&effects)));
}

fn one_start() -> MapOptions {
    MapOptions {
        starts: Starts::One,
        ..MapOptions::default()
    }
}

#[divan::bench]
fn map_fit_two_compartment_oral(bencher: Bencher<'_, '_>) {
    let problem = two_compartment_oral();
    let options = MapOptions::default();
    bencher.bench(|| estimate_map(black_box(&problem), &options));
}

#[divan::bench]
fn one_gradient_two_compartment_oral(bencher: Bencher<'_, '_>) {
    let mut objective = Objective::new(&two_compartment_oral()).expect("a sound problem");
    let (effects, mut gradient) = ([0.1, 0.2, -0.1, 0.1, 0.05], [0.0; 5]);
    bencher.bench_local(|| objective.value_gradient(black_box(&effects), &mut gradient));
}

#[divan::bench]
fn one_value_two_compartment_oral(bencher: Bencher<'_, '_>) {
    let mut objective = Objective::new(&two_compartment_oral()).expect("a sound problem");
    let effects = [0.1, 0.2, -0.1, 0.1, 0.05];
    bencher.bench_local(|| objective.value(black_box(&effects)));
}

#[divan::bench]
fn posterior_two_compartment_oral(bencher: Bencher<'_, '_>) {
    let problem = two_compartment_oral();
    let estimate = estimate_map(&problem, &MapOptions::default()).expect("a minimum");
    bencher.bench(|| sample_posterior(black_box(&problem), &estimate, &PosteriorOptions::default()));
}

#[divan::bench]
fn map_fit_saturable_oral_one_start(bencher: Bencher<'_, '_>) {
    let problem = saturable_oral();
    bencher.bench(|| estimate_map(black_box(&problem), &one_start()));
}

#[divan::bench]
fn map_fit_saturable_oral(bencher: Bencher<'_, '_>) {
    let problem = saturable_oral();
    bencher.bench(|| estimate_map(black_box(&problem), &MapOptions::default()));
}
