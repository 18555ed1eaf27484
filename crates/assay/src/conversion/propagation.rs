//! Uncertainty of a converted value: to first order (JCGM 100:2008 eq. 13), held against the distribution's own ends,
//! and by propagation of distributions (JCGM 101:2008) where the first order is not good enough.

use super::model::{INPUTS, Input, Model, Values};
use super::monte_carlo::{self, Distribution, Propagated};
use crate::uncertainty::{MANY_DEGREES_OF_FREEDOM, combine, coverage_factor_95};
use spotwright_domain::conversion::Computation;
use spotwright_domain::record::BudgetTerm;

/// A measured concentration with its uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Measured {
    pub(super) value: f64,
    pub(super) standard_uncertainty: f64,
    pub(super) degrees_of_freedom: f64,
}

/// A converted concentration with its budget.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Propagation {
    pub(super) value: f64,
    pub(super) standard_uncertainty: f64,
    pub(super) interval_95: [f64; 2],
    pub(super) degrees_of_freedom: f64,
    pub(super) budget: Vec<BudgetTerm>,
    pub(super) computation: Computation,
}

/// Largest displacement of an end of the interval, in standard uncertainties, that first order may leave.
const LARGEST_DISPLACEMENT: f64 = 0.05;

/// Propagates. `None`: no number.
pub(super) fn propagate(model: &Model<'_>, measured: Measured, seed: u32) -> Option<Propagation> {
    let values = model.with_measurement(measured.value);
    let value = model.reported(&values)?;
    let mut uncertainty = model.uncertainty;
    uncertainty[Input::Measurement as usize] = measured.standard_uncertainty;
    let sensitivity = sensitivities(model, &values, &uncertainty)?;
    let budget = budget(model, &sensitivity, &uncertainty, measured.degrees_of_freedom);
    let (standard_uncertainty, degrees_of_freedom) = combine(&budget);
    let factor = coverage_factor_95(degrees_of_freedom);
    let half = factor * standard_uncertainty;
    let first_order = Propagation {
        value,
        standard_uncertainty,
        interval_95: [(value - half).max(0.0), value + half],
        degrees_of_freedom,
        budget,
        computation: Computation::FirstOrder,
    };
    if standard_uncertainty <= 0.0 {
        return Some(first_order);
    }
    let straight = is_straight(
        model,
        &values,
        &uncertainty,
        &sensitivity,
        value,
        standard_uncertainty,
        factor,
    );
    if straight {
        return Some(first_order);
    }
    let distributions = distributions(model, &values, &uncertainty, measured.degrees_of_freedom);
    let Propagated {
        standard_uncertainty,
        interval_95: [low, high],
        trials,
        tolerance,
        ..
    } = monte_carlo::propagate(model, &values, &distributions, model.correlation(), seed)?;
    Some(Propagation {
        standard_uncertainty,
        interval_95: [low.max(0.0), high],
        computation: Computation::MonteCarlo {
            seed,
            trials,
            tolerance,
        },
        ..first_order
    })
}

/// ∂reported/∂input, by the fourth-order central difference over a thousandth of each uncertainty.
fn sensitivities(model: &Model<'_>, values: &Values, uncertainty: &Values) -> Option<Values> {
    let mut found = [0.0; INPUTS];
    for input in Input::ALL {
        let place = input as usize;
        let step = 1e-3 * uncertainty[place];
        if step <= 0.0 {
            continue;
        }
        let at = |steps: f64| {
            let mut moved = *values;
            moved[place] += steps * step;
            model.reported(&moved)
        };
        let slope = (8.0 * (at(1.0)? - at(-1.0)?) - (at(2.0)? - at(-2.0)?)) / (12.0 * step);
        found[place] = slope;
    }
    Some(found)
}

fn budget(
    model: &Model<'_>,
    sensitivity: &Values,
    uncertainty: &Values,
    measurement_degrees_of_freedom: f64,
) -> Vec<BudgetTerm> {
    let part = |input: Input| sensitivity[input as usize] * uncertainty[input as usize];
    let mut terms: Vec<BudgetTerm> = Vec::new();
    for input in Input::ALL {
        let mut contribution = part(input).abs();
        match input {
            Input::Slope => {
                let (slope, intercept) = (part(Input::Slope), part(Input::Intercept));
                let square =
                    slope * slope + intercept * intercept + 2.0 * model.correlation() * slope * intercept;
                contribution = square.max(0.0).sqrt();
            }
            // Within the term of the slope.
            Input::Intercept => continue,
            _ => {}
        }
        if contribution > 0.0 {
            terms.push(BudgetTerm {
                source: input.term().to_owned(),
                standard_uncertainty: contribution,
                degrees_of_freedom: (input == Input::Measurement
                    && measurement_degrees_of_freedom < MANY_DEGREES_OF_FREEDOM)
                    .then_some(measurement_degrees_of_freedom),
            });
        }
    }
    terms
}

/// Whether the ends of the interval lie where first order puts them. Along the most probable way to an end (Σ·c/u from
/// the best estimate; Hasofer and Lind 1974, J Eng Mech Div 100:111) the model itself is asked.
fn is_straight(
    model: &Model<'_>,
    values: &Values,
    uncertainty: &Values,
    sensitivity: &Values,
    value: f64,
    standard_uncertainty: f64,
    factor: f64,
) -> bool {
    let mut direction = [0.0; INPUTS];
    for input in Input::ALL {
        let place = input as usize;
        direction[place] =
            uncertainty[place] * uncertainty[place] * sensitivity[place] / standard_uncertainty;
    }
    let (slope, intercept) = (Input::Slope as usize, Input::Intercept as usize);
    let covariance = model.correlation() * uncertainty[slope] * uncertainty[intercept];
    direction[slope] += covariance * sensitivity[intercept] / standard_uncertainty;
    direction[intercept] += covariance * sensitivity[slope] / standard_uncertainty;
    [-factor, factor].into_iter().all(|steps| {
        let mut end = *values;
        for (place, along) in direction.iter().enumerate() {
            end[place] += steps * along;
        }
        for input in Input::ALL {
            let [low, high] = input.bounds();
            if uncertainty[input as usize] > 0.0 && !(low..=high).contains(&end[input as usize]) {
                return false;
            }
        }
        model.reported(&end).is_some_and(|found| {
            (found - (value + steps * standard_uncertainty)).abs()
                <= LARGEST_DISPLACEMENT * standard_uncertainty
        })
    })
}

fn distributions(
    model: &Model<'_>,
    values: &Values,
    uncertainty: &Values,
    measurement_degrees_of_freedom: f64,
) -> Vec<Distribution> {
    let correlated = model.correlation().abs() > 0.0;
    Input::ALL
        .into_iter()
        .filter(|input| uncertainty[*input as usize] > 0.0)
        .map(|input| Distribution {
            input,
            mean: values[input as usize],
            standard_uncertainty: uncertainty[input as usize],
            // Correlated inputs are drawn together, without bounds.
            bounds: if correlated && matches!(input, Input::Slope | Input::Intercept) {
                [f64::NEG_INFINITY, f64::INFINITY]
            } else {
                input.bounds()
            },
            degrees_of_freedom: (input == Input::Measurement
                && measurement_degrees_of_freedom < MANY_DEGREES_OF_FREEDOM)
                .then_some(measurement_degrees_of_freedom),
        })
        .collect()
}
