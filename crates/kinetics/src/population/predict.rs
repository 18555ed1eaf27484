//! Predictions of a person's levels, with exact derivatives by the random effects.

use crate::likelihood::Problem;
use crate::structure::{AtDoseTime, predict_with_gradient};

/// Model concentrations at the person's samples for P = typical · exp(η), and their derivatives by η, a row a sample. The reason in
/// words when the structure gives none.
pub(super) fn predict(problem: &Problem, eta: &[f64]) -> Result<(Vec<f64>, Vec<f64>), String> {
    let names = &problem.effects.between_subject;
    let mut timeline = problem.typical.clone();
    for knot in &mut timeline.knots {
        for (name, eta) in names.iter().zip(eta) {
            if let Some(typical) = knot.values.get(*name) {
                knot.values.set(*name, typical * libm::exp(*eta));
            }
        }
    }
    let times: Vec<(f64, AtDoseTime)> = problem
        .observations
        .iter()
        .map(|observation| (observation.time_h, AtDoseTime::Before))
        .collect();
    let found = predict_with_gradient(&problem.structure, &timeline, &problem.history, &times, names);
    let found = found.map_err(|error| error.to_string())?;
    Ok((found.concentrations, found.by_ln_parameter))
}
