//! A first, larger dose, where the level is too low and steady state is far.

use super::case::Case;
use super::draws::Draws;
use super::forecast::absorbed_fraction;
use super::level::SystemicMatrix;
use super::offer::{TOXIC_PROBABILITY, Wanted, quantile};
use super::regimen::{Regimen, number};
use super::target::TargetQuantity;
use crate::model::person::greatest_single_mg;
use crate::structure::{AtDoseTime, Course, ParameterName, Parameters, Route};

/// A loading dose.
#[derive(Debug, Clone, PartialEq)]
pub struct Loading {
    /// mg as labelled.
    pub labelled_mg: f64,
    /// Probability that the level just after it, fully absorbed, is toxic; `None`: no limit stated.
    pub toxic: Option<f64>,
}

/// Before which regimen a loading dose is asked for.
#[derive(Clone, Copy)]
pub(super) struct LoadingQuestion<'q> {
    pub(super) regimen: &'q Regimen,
    pub(super) typical: &'q Parameters,
    /// The level at the decision, draw by draw.
    pub(super) levels_now: &'q [f64],
    /// Median trough the regimen comes to.
    pub(super) steady_trough: f64,
    pub(super) steady_state_h: f64,
}

/// Steady state nearer than this needs no loading (h). Common practice, no source.
const NEAR_STEADY_STATE_H: f64 = 48.0;

/// The dose that lifts the median level now to the middle of the target, or to where the regimen keeps it, by C = dose·F/V, in practical steps, not above the greatest
/// dose, and lowered until a toxic level is at most 10 % likely. `None` where loading makes no sense.
pub(super) fn loading<M: SystemicMatrix>(
    case: &Case<'_, M>,
    draws: &Draws,
    wanted: &Wanted,
    asked: &LoadingQuestion<'_>,
    notes: &mut Vec<String>,
) -> Option<Loading> {
    let LoadingQuestion {
        regimen,
        typical,
        levels_now: now,
        steady_trough,
        steady_state_h,
    } = *asked;
    let model = case.model();
    let dosing = &model.dosing;
    if !dosing.loading || steady_state_h < NEAR_STEADY_STATE_H || regimen.model_mg <= 0.0 {
        return None;
    }
    let target = wanted
        .targets
        .iter()
        .find(|target| matches!(target.quantity, TargetQuantity::Trough))?;
    let (low, high) = (target.low?, target.high.or(target.low)?);
    let mut sorted = now.to_vec();
    sorted.sort_by(f64::total_cmp);
    let median = quantile(&sorted, 0.5);
    // A regimen that does not keep the level up makes no use of a first dose that brings it there.
    if median >= low || steady_trough < low {
        return None;
    }
    let salt = regimen.model_mg / regimen.labelled_mg;
    // Concentration of 1 labelled mg, draw by draw.
    let of_one: Vec<f64> = (0..draws.count())
        .map(|draw| {
            let values = draws.values(draw, typical);
            let volume = values
                .get(ParameterName::Volume)
                .or(values.get(ParameterName::CentralVolume))
                .unwrap_or(f64::INFINITY);
            let absorbed = match regimen.route {
                Route::Extravascular => absorbed_fraction(&values),
                _ => 1.0,
            };
            salt * absorbed * model.structure.concentration_multiplier / volume
        })
        .collect();
    let mut sorted = of_one.clone();
    sorted.sort_by(f64::total_cmp);
    let wanted_mg = (f64::midpoint(low, high).min(steady_trough) - median) / quantile(&sorted, 0.5);
    let most = match (dosing.max_load_mg_per_kg, case.prepared().weight_kg) {
        (Some(limit), Some(weight)) => limit * weight,
        (Some(_), None) => return None,
        (None, weight) => greatest_single_mg(dosing, weight)?,
    };
    let mut steps = libm::floor(wanted_mg.min(most) / dosing.step_mg + 1e-9);
    let toxic_at = |mg: f64| {
        let count = now
            .iter()
            .zip(&of_one)
            .filter(|(level, one)| target.is_toxic(**level + mg * **one))
            .count();
        count as f64 / now.len() as f64
    };
    while steps >= 1.0 && toxic_at(steps * dosing.step_mg) > TOXIC_PROBABILITY {
        steps -= 1.0;
    }
    let labelled_mg = steps * dosing.step_mg;
    if labelled_mg <= regimen.labelled_mg {
        return None;
    }
    notes.push(format!(
        "A first dose of {} mg would lift the level sooner; the greatest loading dose of the file is {} mg",
        number(labelled_mg),
        number(most)
    ));
    Some(Loading {
        labelled_mg,
        toxic: target.toxic_above.map(|_| toxic_at(labelled_mg)),
    })
}

/// The level at the decision, draw by draw.
pub(super) fn levels_now<M: SystemicMatrix>(case: &Case<'_, M>, draws: &Draws) -> Option<Vec<f64>> {
    let (timeline, history) = case.history();
    let at = [(case.decision_h(), AtDoseTime::Before)];
    let mut course = Course::new(&case.model().structure, timeline, history, &at, &[]).ok()?;
    (0..draws.count())
        .map(|draw| {
            course.run(timeline, draws.factors(draw)).ok()?;
            Some(course.concentrations()[0]).filter(|level| level.is_finite())
        })
        .collect()
}
