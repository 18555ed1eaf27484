//! Named explanations of a surprising level, each fitted as an account of its own.
//!
//! An explanation is the same problem with one fact changed. Its Bayes factor is the ratio of the marginal likelihoods
//! (H. Jeffreys, Theory of Probability, 3rd ed. 1961, chapter 5), by Laplace's approximation on both sides. It weighs the
//! evidence only: how often patients miss doses or samples are swapped is for the reader to know.

use super::fit::LevelFit;
use super::map::{MapEstimate, MapOptions, Starts, estimate_map};
use crate::likelihood::{Level, Problem};
use crate::structure::{DoseEvent, Route, TimeUncertainty};

/// SD of the log of a level that tells nothing of this person (another person's card): a factor of 3 either way.
const FOREIGN_SD_LOG: f64 = 1.1;
/// SD of the log of the factor by which drug on the skin raises a level.
const CONTAMINATION_SD_LOG: f64 = 1.1;
/// Doses before the level that may have been missed.
const MISSED_AT_MOST: usize = 3;
/// A sample this close before a dose, h, may in truth have been drawn after it.
const TROUGH_WINDOW_H: f64 = 2.0;

/// What may have happened instead.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Explanation {
    /// The sample was drawn at another time.
    WrongSamplingTime {
        /// Most probable true time minus stated time, h.
        shift_h: f64,
    },
    /// Doses before the sample were not taken.
    DosesMissed {
        /// How many, counted back from the sample.
        count: usize,
        /// Time of the earliest one missed, h.
        from_h: f64,
    },
    /// A sample meant as a trough was drawn after the dose.
    PeakReadAsTrough {
        /// Most probable time after the dose, h.
        after_dose_h: f64,
    },
    /// Drug on the finger or the card raised the level.
    ContaminatedSample {
        /// Reported level over the level the other information predicts.
        factor: f64,
    },
    /// The card belongs to someone else: the level tells nothing of this person.
    WrongCard {
        /// Reported level over the level the other information predicts.
        factor: f64,
    },
}

/// An explanation with its weight of evidence.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Explained {
    /// Position of the level in the list of observations.
    pub position: usize,
    /// What may have happened.
    pub explanation: Explanation,
    /// ln of the ratio of marginal likelihoods, explanation over plain account. Above 2.3 (a ratio of 10) it counts as
    /// strong on Jeffreys's scale.
    pub ln_bayes_factor: f64,
}

/// All explanations of one level that can be computed.
pub(crate) fn explain(
    problem: &Problem,
    estimate: &MapEstimate,
    level: &LevelFit,
    time_slack_h: f64,
) -> Vec<Explained> {
    let plain = estimate.ln_marginal_likelihood;
    let position = level.position;
    let mut explanations = Vec::new();
    let mut add = |explanation, ln_marginal: f64| {
        if ln_marginal.is_finite() {
            explanations.push(Explained {
                position,
                explanation,
                ln_bayes_factor: ln_marginal - plain,
            });
        }
    };
    if let Some((shift_h, ln_marginal)) = moved(
        problem,
        position,
        problem.observations[position].time_h,
        time_slack_h,
    ) {
        add(Explanation::WrongSamplingTime { shift_h }, ln_marginal);
    }
    for count in 1..=MISSED_AT_MOST {
        if let Some((from_h, changed)) = without_doses(problem, position, count)
            && let Ok(found) = fit(&changed)
        {
            add(
                Explanation::DosesMissed { count, from_h },
                found.ln_marginal_likelihood,
            );
        }
    }
    if let Some((dose_h, changed)) = with_dose_at_sample(problem, position) {
        // Anywhere in the time slack after the dose.
        if let Some((shift_h, ln_marginal)) = moved(
            &changed,
            position,
            dose_h + 0.5 * time_slack_h,
            0.5 * time_slack_h,
        ) {
            let after_dose_h = 0.5 * time_slack_h + shift_h;
            add(Explanation::PeakReadAsTrough { after_dose_h }, ln_marginal);
        }
    }
    let mut others = problem.clone();
    let observation = others.observations.remove(position);
    if let (Level::Quantified { value }, Ok(rest)) = (observation.level, fit(&others)) {
        let predicted = predicted_by_others(problem, position, &rest);
        if predicted > 0.0 {
            let factor = value / predicted;
            let ln_density = |sd: f64| {
                let z = libm::log(factor) / sd;
                -0.5 * z * z - libm::log(sd * value) - 0.5 * libm::log(2.0 * std::f64::consts::PI)
            };
            let rest = rest.ln_marginal_likelihood;
            add(
                Explanation::WrongCard { factor },
                rest + ln_density(FOREIGN_SD_LOG),
            );
            if factor > 1.0 {
                // Contamination only adds: the half above carries all of it.
                let ln_marginal = rest + std::f64::consts::LN_2 + ln_density(CONTAMINATION_SD_LOG);
                add(Explanation::ContaminatedSample { factor }, ln_marginal);
            }
        }
    }
    explanations
}

fn fit(problem: &Problem) -> Result<MapEstimate, super::EstimateError> {
    estimate_map(
        problem,
        &MapOptions {
            starts: Starts::One,
            ..MapOptions::default()
        },
    )
}

/// The level's time free within a distance of `around_h`: most probable shift from there, and the marginal likelihood.
fn moved(problem: &Problem, position: usize, around_h: f64, half_width_h: f64) -> Option<(f64, f64)> {
    let mut changed = problem.clone();
    changed.observations[position].time_h = around_h;
    changed.observations[position].time_uncertainty = None;
    // A uniform time has several likely places (both sides of a peak): the mean over a grid, one plain fit each.
    const PLACES: usize = 16;
    let mut logs = [f64::NEG_INFINITY; PLACES];
    let mut best = (f64::NEG_INFINITY, 0.0);
    for (i, slot) in logs.iter_mut().enumerate() {
        let shift_h = half_width_h * ((2 * i + 1) as f64 / PLACES as f64 - 1.0);
        changed.observations[position].time_h = around_h + shift_h;
        if let Ok(found) = fit(&changed) {
            *slot = found.ln_marginal_likelihood;
            if *slot > best.0 {
                best = (*slot, shift_h);
            }
        }
    }
    if !best.0.is_finite() {
        return None;
    }
    let sum: f64 = logs.iter().map(|l| libm::exp(l - best.0)).sum();
    Some((best.1, best.0 + libm::log(sum / PLACES as f64)))
}

/// The problem without the latest `count` doses before the level, and the time of the earliest of them.
fn without_doses(problem: &Problem, position: usize, count: usize) -> Option<(f64, Problem)> {
    let sample_h = problem.observations[position].time_h;
    let mut changed = problem.clone();
    let mut from_h = sample_h;
    for _ in 0..count {
        let latest = changed
            .history
            .doses
            .iter()
            .enumerate()
            .filter(|(_, dose)| dose.time_h < sample_h)
            .max_by(|a, b| a.1.time_h.total_cmp(&b.1.time_h))
            .map(|(i, _)| i);
        if let Some(i) = latest {
            from_h = changed.history.doses.remove(i).time_h;
        } else {
            // The regimen that ran for ever, less its latest dose.
            let steady = changed.history.steady_state.as_mut()?;
            if steady.dose.time_h < sample_h {
                from_h = steady.dose.time_h;
            }
            steady.dose.time_h -= steady.interval_h;
        }
    }
    Some((from_h, changed))
}

/// For a sample stated just before a dose (or with no later dose on record): the problem with that dose given at the
/// stated time of the sample, and the dose's time.
fn with_dose_at_sample(problem: &Problem, position: usize) -> Option<(f64, Problem)> {
    let sample_h = problem.observations[position].time_h;
    let history = &problem.history;
    let next = history
        .doses
        .iter()
        .chain(history.steady_state.iter().map(|steady| &steady.dose))
        .filter(|dose| dose.time_h >= sample_h)
        .min_by(|a, b| a.time_h.total_cmp(&b.time_h));
    match next {
        Some(dose) if dose.time_h - sample_h <= TROUGH_WINDOW_H => Some((end_of(dose), problem.clone())),
        Some(_) => None,
        None => {
            let last = history
                .doses
                .iter()
                .chain(history.steady_state.iter().map(|steady| &steady.dose))
                .max_by(|a, b| a.time_h.total_cmp(&b.time_h))?;
            let given = DoseEvent {
                time_h: sample_h,
                time_uncertainty: None::<TimeUncertainty>,
                ..*last
            };
            let mut changed = problem.clone();
            changed.history.doses.push(given);
            Some((end_of(&given), changed))
        }
    }
}

fn end_of(dose: &DoseEvent) -> f64 {
    match dose.route {
        Route::Infusion { duration_h } => dose.time_h + duration_h,
        Route::Bolus | Route::Extravascular => dose.time_h,
    }
}

/// What the person estimated from the other levels would have had here.
fn predicted_by_others(problem: &Problem, position: usize, rest: &MapEstimate) -> f64 {
    let observation = &problem.observations[position];
    crate::structure::predict(
        &problem.structure,
        &rest.timeline,
        &problem.history,
        &[observation.time_h],
    )
    .map_or(0.0, |found| found[0] * observation.matrix_ratio)
}
