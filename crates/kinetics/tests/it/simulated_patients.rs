//! Simulated patients by means of their own: the differential equations stepped by the classical Runge–Kutta method
//! (W. Kutta 1901) at a fixed 0.02 h, and a random generator of its own. Nothing here calls the code under test but to
//! state the problem and to judge the answer.

use spotwright_kinetics::estimate::{
    MapOptions, PosteriorOptions, SamplingMethod, estimate_map, sample_posterior,
};
use spotwright_kinetics::likelihood::{
    EffectLabel, Observation, OccasionEffect, Problem, RandomEffects, ResidualError,
};
use spotwright_kinetics::structure::{
    AtDoseTime, Compartments, Course, DoseEvent, DoseHistory, Elimination, Input, ParameterName as P,
    ParameterTimeline, Parameters, Route, Structure, TimeUncertainty,
};

const STEP_H: f64 = 0.02;

/// One kind of patient.
pub(crate) struct Kind {
    pub(crate) name: &'static str,
    pub(crate) structure: Structure,
    pub(crate) typical: Vec<(P, f64)>,
    pub(crate) sd_log: Vec<(P, f64)>,
    /// Clearance between the two occasions, which change at `occasion_h`.
    pub(crate) occasion: Option<(f64, f64)>,
    pub(crate) residual: ResidualError,
    pub(crate) doses: Vec<(f64, f64)>,
    /// Zero: extravascular.
    pub(crate) infusion_h: f64,
    pub(crate) levels_h: Vec<f64>,
    pub(crate) lower_limit: f64,
    /// Where the answer is judged: a concentration, and the area over this interval.
    pub(crate) judged_h: f64,
    pub(crate) area_h: (f64, f64),
    /// Half the width of a uniform error of the stated sampling times, and whether the problem knows of it.
    pub(crate) time_error_h: f64,
    pub(crate) time_error_known: bool,
}

/// How well a set of answers was calibrated.
#[derive(Debug, Default)]
pub(crate) struct Calibration {
    pub(crate) patients: usize,
    /// Answers whose central 90 % interval held the truth: concentration, area.
    pub(crate) covered: [usize; 2],
    /// Ranks of the truth among the draws in ten bins: concentration, area.
    pub(crate) bins: [[usize; 10]; 2],
    /// Mean width of the interval over its median: concentration.
    pub(crate) width: f64,
    pub(crate) by_chains: usize,
    pub(crate) refused: usize,
    /// Why the latest was refused.
    pub(crate) refusal: String,
    pub(crate) least_effective: f64,
}

impl Calibration {
    pub(crate) fn coverage(&self, which: usize) -> f64 {
        100.0 * self.covered[which] as f64 / self.patients as f64
    }

    /// Pearson's χ² of the ranks against a flat histogram, nine degrees of freedom.
    pub(crate) fn chi_squared(&self, which: usize) -> f64 {
        let expected = self.patients as f64 / 10.0;
        self.bins[which]
            .iter()
            .map(|n| (*n as f64 - expected) * (*n as f64 - expected) / expected)
            .sum()
    }
}

/// A 64-bit mixing generator (G. L. Steele, D. Lea, C. H. Flood, OOPSLA 2014), normals by Box and Muller (1958).
struct Noise(u64);

impl Noise {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        let radius = (-2.0 * libm::log(1.0 - self.uniform())).sqrt();
        radius * libm::cos(2.0 * std::f64::consts::PI * self.uniform())
    }
}

/// Simulates and answers `patients` of a kind from `kept` draws each.
pub(crate) fn calibrate(kind: &Kind, patients: usize, kept: usize, seed: u64) -> Calibration {
    let mut noise = Noise(seed);
    let mut result = Calibration {
        least_effective: f64::INFINITY,
        ..Calibration::default()
    };
    while result.patients < patients {
        if !one_patient(kind, kept, &mut noise, &mut result) {
            result.refused += 1;
            assert!(
                result.refused <= patients / 20,
                "{}: too many refused: {}",
                kind.name,
                result.refusal
            );
        }
    }
    result.width /= result.patients as f64;
    result
}

fn one_patient(kind: &Kind, kept: usize, noise: &mut Noise, result: &mut Calibration) -> bool {
    let mut truth: Vec<(P, f64)> = kind.typical.clone();
    for (name, sd) in &kind.sd_log {
        let value = truth.iter_mut().find(|(n, _)| n == name).unwrap();
        value.1 *= libm::exp(sd * noise.normal());
    }
    let occasions = kind.occasion.map(|(sd, start)| {
        let shifts = [libm::exp(sd * noise.normal()), libm::exp(sd * noise.normal())];
        (start, shifts)
    });
    let mut wanted: Vec<f64> = Vec::new();
    for time in &kind.levels_h {
        let error = kind.time_error_h * (2.0 * noise.uniform() - 1.0);
        wanted.push(((time + error) / STEP_H).round() * STEP_H);
    }
    wanted.extend([kind.judged_h, kind.area_h.0, kind.area_h.1]);
    let (found, areas) = runge_kutta(kind, &truth, occasions, &wanted);
    let count = kind.levels_h.len();
    let truths = [found[count], areas[count + 2] - areas[count + 1]];
    let observations: Vec<Observation> = (0..count)
        .map(|i| {
            let level = with_error(found[i], &kind.residual, noise);
            let mut observation = if level < kind.lower_limit {
                Observation::below_limit(kind.levels_h[i], kind.lower_limit)
            } else {
                Observation::quantified(kind.levels_h[i], level)
            };
            if kind.time_error_known {
                observation.time_uncertainty = Some(TimeUncertainty::Uniform {
                    half_width_h: kind.time_error_h,
                });
            }
            observation
        })
        .collect();
    let mut effects = RandomEffects::between_subjects(&kind.sd_log, &[]);
    if let Some((sd_log, start)) = kind.occasion {
        effects.between_occasion = vec![OccasionEffect {
            parameter: P::Clearance,
            sd_log,
        }];
        effects.occasion_starts_h = vec![0.0, start];
    }
    let problem = Problem {
        structure: kind.structure,
        typical: ParameterTimeline::constant(Parameters::of(&kind.typical)),
        effects,
        residual: kind.residual,
        history: history(kind),
        observations,
    };
    let estimate = match estimate_map(&problem, &MapOptions::default()) {
        Ok(estimate) => estimate,
        Err(error) => {
            result.refusal = error.to_string();
            return false;
        }
    };
    let options = PosteriorOptions {
        seed: noise.0,
        importance_draws: 2 * kept,
        least_effective: 0.4 * kept as f64,
        kept,
    };
    let posterior = match sample_posterior(&problem, &estimate, &options) {
        Ok(posterior) => posterior,
        Err(error) => {
            result.refusal = error.to_string();
            return false;
        }
    };
    match posterior.method {
        SamplingMethod::Importance { effective, .. } => {
            result.least_effective = result.least_effective.min(effective);
        }
        SamplingMethod::MarkovChains { .. } => result.by_chains += 1,
    }
    let timeline = match kind.occasion {
        None => problem.typical.clone(),
        // What is judged lies in the second occasion; the first is needed for what came before.
        Some((_, start)) => ParameterTimeline {
            knots: [0.0, start]
                .map(|from_h| spotwright_kinetics::structure::TimelineKnot {
                    from_h,
                    values: Parameters::of(&kind.typical),
                })
                .to_vec(),
            ..problem.typical.clone()
        },
    };
    let mut course = Course::new(
        &kind.structure,
        &timeline,
        &problem.history,
        &[(kind.judged_h, AtDoseTime::Before)],
        &[kind.area_h],
    )
    .unwrap();
    let mut answers = [Vec::new(), Vec::new()];
    for draw in posterior.iter() {
        let mut own = timeline.clone();
        for (label, effect) in posterior.labels.iter().zip(draw) {
            if let EffectLabel::Occasion(name, occasion) = label {
                let values = &mut own.knots[*occasion].values;
                values.set(*name, values.get(*name).unwrap() * libm::exp(*effect));
            }
        }
        course.run(&own, &posterior.subject_factors(draw)).unwrap();
        answers[0].push(course.concentrations()[0]);
        answers[1].push(course.areas()[0]);
    }
    result.patients += 1;
    for (which, answers) in answers.iter_mut().enumerate() {
        answers.sort_by(f64::total_cmp);
        let rank = answers.iter().filter(|a| **a < truths[which]).count();
        let share = (rank as f64 + noise.uniform()) / (answers.len() + 1) as f64;
        result.bins[which][((10.0 * share) as usize).min(9)] += 1;
        result.covered[which] += usize::from((0.05..0.95).contains(&share));
    }
    let n = answers[0].len();
    result.width += (answers[0][n * 95 / 100] - answers[0][n / 20]) / answers[0][n / 2];
    true
}

fn with_error(value: f64, residual: &ResidualError, noise: &mut Noise) -> f64 {
    match *residual {
        ResidualError::Combined {
            additive_sd,
            proportional_sd,
        } => {
            // One error of the summed variance, as the model states it; a level must be above zero to be reported.
            let sd = (additive_sd * additive_sd + proportional_sd * proportional_sd * value * value).sqrt();
            (value + sd * noise.normal()).max(1e-9)
        }
        ResidualError::Log { sigma } => value * libm::exp(sigma * noise.normal()),
    }
}

fn history(kind: &Kind) -> DoseHistory {
    let route = if kind.infusion_h > 0.0 {
        Route::Infusion {
            duration_h: kind.infusion_h,
        }
    } else {
        Route::Extravascular
    };
    DoseHistory::of(
        kind.doses
            .iter()
            .map(|(time, amount)| DoseEvent::new(*time, *amount, route))
            .collect(),
    )
}

/// Concentrations and cumulative areas at these times, from the differential equations.
fn runge_kutta(
    kind: &Kind,
    truth: &[(P, f64)],
    occasions: Option<(f64, [f64; 2])>,
    wanted_h: &[f64],
) -> (Vec<f64>, Vec<f64>) {
    let get = |name: P| truth.iter().find(|(n, _)| *n == name).map(|(_, v)| *v);
    let two = kind.structure.compartments == Compartments::Two;
    let volume = get(if two { P::CentralVolume } else { P::Volume }).unwrap();
    let (q, v2) = (
        get(P::IntercompartmentalClearance).unwrap_or(0.0),
        get(P::PeripheralVolume).unwrap_or(1.0),
    );
    let ka = get(P::AbsorptionRate).unwrap_or(0.0);
    let lag_steps = (get(P::LagTime).unwrap_or(0.0) / STEP_H).round() as i64;
    let transit = match kind.structure.input {
        Input::TransitChain { transit_compartments } => transit_compartments,
        _ => 0,
    };
    let multiplier = kind.structure.concentration_multiplier;
    let mut state = [0.0f64; 8];
    // 0..=transit: chain; then central, peripheral, area.
    let c = transit + 1;
    let slope = |state: &[f64; 8], rate: f64, clearance: f64| {
        let mut d = [0.0; 8];
        let mut inflow = rate;
        let mut before = 0.0;
        for i in 0..=transit {
            d[i] = before - ka * state[i];
            before = ka * state[i];
        }
        inflow += before;
        let level = state[c] / volume;
        let gone = match kind.structure.elimination {
            Elimination::Linear => clearance * level,
            Elimination::MichaelisMenten => {
                let concentration = level * multiplier;
                get(P::MaximumRate).unwrap() * concentration
                    / (get(P::MichaelisConstant).unwrap() + concentration)
            }
        };
        let across = q * (level - state[c + 1] / v2);
        d[c] = inflow - gone - across;
        d[c + 1] = across;
        d[c + 2] = level * multiplier;
        d
    };
    let last = wanted_h.iter().copied().fold(0.0, f64::max);
    let steps = (last / STEP_H).round() as i64;
    let place = |time: f64| (time / STEP_H).round() as i64;
    let (mut levels, mut areas) = (vec![0.0; wanted_h.len()], vec![0.0; wanted_h.len()]);
    for step in 0..=steps {
        for (i, time) in wanted_h.iter().enumerate() {
            if place(*time) == step {
                levels[i] = state[c] / volume * multiplier;
                areas[i] = state[c + 2];
            }
        }
        let mut rate = 0.0;
        for (time, amount) in &kind.doses {
            if kind.infusion_h > 0.0 {
                if (place(*time)..place(*time + kind.infusion_h)).contains(&step) {
                    rate += amount / kind.infusion_h;
                }
            } else if place(*time) + lag_steps == step {
                state[0] += amount;
            }
        }
        let mut clearance = get(P::Clearance).unwrap_or(0.0);
        if let Some((start, shifts)) = occasions {
            clearance *= shifts[usize::from(step >= place(start))];
        }
        let shifted = |d: &[f64; 8], h: f64| {
            let mut moved = state;
            for (x, d) in moved.iter_mut().zip(d) {
                *x += h * d;
            }
            moved
        };
        let k1 = slope(&state, rate, clearance);
        let k2 = slope(&shifted(&k1, 0.5 * STEP_H), rate, clearance);
        let k3 = slope(&shifted(&k2, 0.5 * STEP_H), rate, clearance);
        let k4 = slope(&shifted(&k3, STEP_H), rate, clearance);
        for i in 0..8 {
            state[i] += STEP_H / 6.0 * (k1[i] + 2.0 * k2[i] + 2.0 * k3[i] + k4[i]);
        }
    }
    (levels, areas)
}

/// All kinds: every structure of the models in use, with doses and levels as they come.
pub(crate) fn kinds() -> Vec<Kind> {
    let structure = |compartments, input, elimination| Structure {
        compartments,
        input,
        elimination,
        concentration_multiplier: 1.0,
    };
    let regular = |interval: f64, count: usize, amount: f64| -> Vec<(f64, f64)> {
        (0..count).map(|i| (i as f64 * interval, amount)).collect()
    };
    let combined = |additive_sd, proportional_sd| ResidualError::Combined {
        additive_sd,
        proportional_sd,
    };
    let (one, two, linear) = (Compartments::One, Compartments::Two, Elimination::Linear);
    let infusion = || Kind {
        name: "one compartment, infusion, peak and trough",
        structure: structure(one, Input::Intravenous, linear),
        typical: vec![(P::Clearance, 0.089), (P::Volume, 1.1)],
        sd_log: vec![(P::Clearance, 0.28), (P::Volume, 0.18)],
        occasion: None,
        residual: combined(0.1, 0.18),
        doses: regular(24.0, 4, 8.68),
        infusion_h: 0.5,
        levels_h: vec![49.0, 71.5],
        lower_limit: 0.0,
        judged_h: 96.0,
        area_h: (72.0, 96.0),
        time_error_h: 0.0,
        time_error_known: false,
    };
    let oral = || Kind {
        name: "one compartment, oral, one trough",
        structure: structure(one, Input::FirstOrder, linear),
        typical: vec![(P::Clearance, 4.0), (P::Volume, 40.0), (P::AbsorptionRate, 1.0)],
        sd_log: vec![(P::Clearance, 0.3), (P::Volume, 0.25), (P::AbsorptionRate, 0.4)],
        residual: combined(0.05, 0.15),
        doses: regular(12.0, 12, 200.0),
        infusion_h: 0.0,
        levels_h: vec![108.0],
        judged_h: 144.0,
        area_h: (120.0, 132.0),
        ..infusion()
    };
    vec![
        infusion(),
        oral(),
        Kind {
            name: "one compartment, oral, log error, half below the limit",
            residual: ResidualError::Log { sigma: 0.25 },
            levels_h: vec![118.0, 119.5],
            lower_limit: 2.6,
            ..oral()
        },
        Kind {
            name: "one compartment, oral, clearance between two occasions",
            occasion: Some((0.2, 72.0)),
            levels_h: vec![60.0, 108.0],
            ..oral()
        },
        Kind {
            name: "one compartment, oral, time known to 2 h",
            levels_h: vec![105.0],
            time_error_h: 2.0,
            time_error_known: true,
            ..oral()
        },
        Kind {
            name: "two compartments, infusion",
            structure: structure(two, Input::Intravenous, linear),
            typical: vec![
                (P::Clearance, 4.5),
                (P::CentralVolume, 15.0),
                (P::IntercompartmentalClearance, 6.5),
                (P::PeripheralVolume, 25.0),
            ],
            sd_log: vec![
                (P::Clearance, 0.3),
                (P::CentralVolume, 0.25),
                (P::PeripheralVolume, 0.3),
            ],
            residual: combined(0.5, 0.12),
            doses: regular(12.0, 6, 750.0),
            infusion_h: 1.5,
            levels_h: vec![50.5, 60.0],
            judged_h: 72.0,
            area_h: (60.0, 72.0),
            ..infusion()
        },
        Kind {
            name: "two compartments, oral with lag, three levels",
            structure: Structure {
                concentration_multiplier: 1000.0,
                ..structure(two, Input::FirstOrder, linear)
            },
            typical: vec![
                (P::Clearance, 23.0),
                (P::CentralVolume, 692.0),
                (P::IntercompartmentalClearance, 11.6),
                (P::PeripheralVolume, 5340.0),
                (P::AbsorptionRate, 3.58),
                (P::LagTime, 0.38),
            ],
            sd_log: vec![
                (P::Clearance, 0.386),
                (P::CentralVolume, 0.492),
                (P::IntercompartmentalClearance, 0.787),
                (P::PeripheralVolume, 0.53),
            ],
            residual: combined(0.0, 0.245),
            doses: regular(12.0, 14, 5.0),
            infusion_h: 0.0,
            levels_h: vec![144.0, 146.0, 150.0],
            judged_h: 168.0,
            area_h: (156.0, 168.0),
            ..infusion()
        },
        Kind {
            name: "two compartments, transit chain, single dose",
            structure: Structure {
                concentration_multiplier: 1000.0,
                ..structure(
                    two,
                    Input::TransitChain {
                        transit_compartments: 2,
                    },
                    linear,
                )
            },
            typical: vec![
                (P::Clearance, 12.0),
                (P::CentralVolume, 76.0),
                (P::IntercompartmentalClearance, 21.0),
                (P::PeripheralVolume, 200.0),
                (P::AbsorptionRate, 2.5),
            ],
            sd_log: vec![
                (P::Clearance, 0.35),
                (P::CentralVolume, 0.35),
                (P::AbsorptionRate, 0.4),
            ],
            residual: combined(0.2, 0.2),
            doses: vec![(0.0, 12.0)],
            infusion_h: 0.0,
            levels_h: vec![3.0, 8.0, 24.0],
            judged_h: 36.0,
            area_h: (0.0, 48.0),
            ..infusion()
        },
        Kind {
            name: "one compartment, saturable, oral, one trough",
            structure: structure(one, Input::FirstOrder, Elimination::MichaelisMenten),
            typical: vec![
                (P::MaximumRate, 17.29),
                (P::MichaelisConstant, 5.7),
                (P::Volume, 45.5),
                (P::AbsorptionRate, 0.3),
            ],
            sd_log: vec![(P::MaximumRate, 0.15), (P::MichaelisConstant, 0.4)],
            residual: combined(0.3, 0.1),
            doses: regular(24.0, 10, 250.0),
            infusion_h: 0.0,
            levels_h: vec![168.0],
            judged_h: 240.0,
            area_h: (216.0, 240.0),
            ..infusion()
        },
    ]
}
