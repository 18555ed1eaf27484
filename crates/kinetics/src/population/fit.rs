//! The estimator: check, search from several starts, prove, and say how sure each number is.

use super::individual::{Individual, Spread};
use super::objective::{Centre, Objective};
use super::packing::Packing;
use super::predict::predict;
use super::result::{ConvergenceProof, Estimate, PersonEstimate, PopulationError, PopulationFit, Shrinkage};
use super::search::{Minimum, minimum};
use super::study::{PopulationValues, Study, StudyError};
use super::symmetric::eigenvalues;
use crate::likelihood::{Level, Problem, ResidualError};
use spotwright_numerics::cholesky::Cholesky;
use spotwright_numerics::random::RandomStream;

/// Persons needed at least.
const FEWEST_PERSONS: usize = 3;

/// How to estimate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PopulationOptions {
    /// Starts: the study's own and others drawn around it; at least one.
    pub starts: usize,
    /// Seed of the other starts.
    pub seed: u64,
}

impl Default for PopulationOptions {
    fn default() -> Self {
        Self { starts: 3, seed: 1 }
    }
}

/// Estimates a population by first-order conditional estimation with interaction.
///
/// # Errors
/// When the study is no estimation problem, when the model predicts nothing at the start, or when no minimum could be proven
/// from the study's own start or any other.
pub fn estimate_population(
    study: &Study<'_>,
    options: &PopulationOptions,
) -> Result<PopulationFit, PopulationError> {
    check(study)?;
    let (packing, start) = Packing::new(study)?;
    let levels = count(study, |level| matches!(level, Level::Quantified { .. }));
    if start.is_empty() {
        return Err(StudyError::NothingToEstimate.into());
    }
    if levels < start.len() {
        return Err(StudyError::TooFewLevels {
            found: levels,
            estimated: start.len(),
        }
        .into());
    }
    let objective = Objective::new(study, &packing);
    let mut ended = Vec::new();
    let mut first_error = None;
    for number in 0..options.starts.max(1) {
        match minimum(&objective, &start_of(&start, number, options.seed)) {
            Ok(minimum) => ended.push(minimum),
            Err(error) => {
                first_error.get_or_insert(error);
            }
        }
    }
    let lowest = ended
        .iter()
        .map(|minimum| minimum.centre.total)
        .fold(f64::INFINITY, f64::min);
    let agreeing = ended
        .iter()
        .filter(|minimum| minimum.centre.total < lowest + 0.01)
        .count();
    let best = ended
        .into_iter()
        .find(|minimum| minimum.centre.total < lowest + 0.01);
    match (best, first_error) {
        (Some(best), _) => Ok(finish(&objective, &best, options.starts.max(1), agreeing, levels)),
        (None, Some(error)) => Err(error),
        (None, None) => Err(StudyError::NothingToEstimate.into()),
    }
}

/// Each person's most probable effects under given population values (empirical Bayes), in the study's order.
///
/// # Errors
/// When the study is no estimation problem, or a person has no prediction or no mode.
pub fn empirical_bayes(
    study: &Study<'_>,
    values: &PopulationValues,
) -> Result<Vec<PersonEstimate>, PopulationError> {
    check(study)?;
    let effects: Vec<_> = study
        .effects
        .iter()
        .flat_map(|block| block.parameters.iter().copied())
        .collect();
    let spread = Spread::new(&values.covariance, effects.len()).ok_or_else(|| StudyError::Covariance {
        names: effects
            .iter()
            .map(|name| name.symbol())
            .collect::<Vec<_>>()
            .join(", "),
    })?;
    let mut estimates = Vec::with_capacity(study.persons.len());
    for person in &study.persons {
        let no_mode = || PopulationError::NoMode {
            id: person.id.clone(),
        };
        let individual = Individual::new(study, &effects, person, values, &spread).map_err(|_| no_mode())?;
        let mode = individual
            .mode(&vec![0.0; effects.len()], None)
            .map_err(|_| no_mode())?;
        let part = individual.marginal(&mode.place).map_err(|_| no_mode())?;
        estimates.push(person_estimate(&person.id, &individual, &mode.place, part));
    }
    Ok(estimates)
}

fn check(study: &Study<'_>) -> Result<(), StudyError> {
    if study.persons.len() < FEWEST_PERSONS {
        return Err(StudyError::TooFewPersons {
            found: study.persons.len(),
            expected: FEWEST_PERSONS,
        });
    }
    let mut effects: Vec<_> = study
        .effects
        .iter()
        .flat_map(|block| block.parameters.iter().copied())
        .collect();
    if effects.is_empty() {
        return Err(StudyError::NoEffects);
    }
    effects.sort();
    if let Some(pair) = effects.windows(2).find(|pair| pair[0] == pair[1]) {
        return Err(StudyError::EffectTwice { name: pair[0] });
    }
    check_residual(study)?;
    for person in &study.persons {
        if person.observations.is_empty() {
            return Err(StudyError::NoLevel {
                id: person.id.clone(),
            });
        }
        let doses = person
            .history
            .doses
            .iter()
            .chain(person.history.steady_state.as_ref().map(|s| &s.dose));
        let uncertain = person
            .observations
            .iter()
            .any(|observation| observation.time_uncertainty.is_some())
            || doses.into_iter().any(|dose| dose.time_uncertainty.is_some());
        if uncertain {
            return Err(StudyError::UncertainTime {
                id: person.id.clone(),
            });
        }
        for observation in &person.observations {
            let logarithmic = matches!(observation.residual, Some(ResidualError::Log { .. }))
                || matches!(study.residual, super::study::StudyResidual::Log { .. });
            let (value, floor) = match observation.level {
                Level::Quantified { value } => (value, if logarithmic { f64::MIN_POSITIVE } else { 0.0 }),
                Level::BelowLimit { lower_limit } => (lower_limit, f64::MIN_POSITIVE),
                Level::AboveLimit { upper_limit } => (upper_limit, f64::MIN_POSITIVE),
            };
            if !(value.is_finite() && value >= floor) {
                return Err(StudyError::Level {
                    id: person.id.clone(),
                    time_h: observation.time_h,
                    why: format!("{value} is no level here"),
                });
            }
        }
    }
    Ok(())
}

fn check_residual(study: &Study<'_>) -> Result<(), StudyError> {
    use super::study::{ResidualPart, StudyResidual};
    let absent = |part: ResidualPart| part == ResidualPart::Absent;
    let none = match study.residual {
        StudyResidual::Combined {
            additive_sd,
            proportional_sd,
        } => absent(additive_sd) && absent(proportional_sd),
        StudyResidual::Log { sigma } => absent(sigma),
    };
    if none { Err(StudyError::NoResidual) } else { Ok(()) }
}

fn count(study: &Study<'_>, of: impl Fn(&Level) -> bool) -> usize {
    let observations = study.persons.iter().flat_map(|person| &person.observations);
    observations.filter(|observation| of(&observation.level)).count()
}

/// The study's own start, or one with every entry moved by about a quarter.
fn start_of(own: &[f64], number: usize, seed: u64) -> Vec<f64> {
    if number == 0 {
        return own.to_vec();
    }
    let mut random = RandomStream::new(seed, number as u64);
    own.iter()
        .map(|x| x + 0.25 * random.normal() * x.abs().clamp(0.1, 1.0))
        .collect()
}

fn finish(
    objective: &Objective<'_, '_>,
    minimum: &Minimum,
    starts: usize,
    starts_agreeing: usize,
    levels: usize,
) -> PopulationFit {
    let packing = objective.packing;
    let centre = &minimum.centre;
    let size = centre.x.len();
    let values = packing.values(&centre.x);
    let covariance = covariance(&minimum.curvature, size);
    let persons_enough = objective.study.persons.len() > size;
    let sandwich = persons_enough.then(|| sandwich(&covariance, &minimum.cross, size));
    let estimates = packing
        .reported(&centre.x)
        .into_iter()
        .zip(jacobian(packing, &centre.x))
        .map(|((name, value), row)| Estimate {
            name,
            value,
            standard_error: quadratic(&covariance, &row).sqrt(),
            robust_standard_error: sandwich.as_ref().map(|matrix| quadratic(matrix, &row).sqrt()),
        })
        .collect();
    let persons = persons(objective, centre, &values);
    let (shrinkage, residual_shrinkage_pct) = shrinkages(objective, centre, &values);
    PopulationFit {
        effects: objective.effects.clone(),
        estimates,
        minus_two_log_likelihood: centre.total,
        akaike: centre.total + 2.0 * size as f64,
        persons,
        shrinkage,
        residual_shrinkage_pct,
        condition_number: condition_number(&covariance, size),
        levels,
        censored_levels: count(objective.study, |level| {
            !matches!(level, Level::Quantified { .. })
        }),
        convergence: ConvergenceProof {
            expected_fall: minimum.expected_fall,
            largest_step_in_standard_errors: minimum.largest_step_in_standard_errors,
            smallest_scaled_eigenvalue: minimum.smallest_scaled_eigenvalue,
            iterations: minimum.iterations,
            starts,
            starts_agreeing,
        },
        values,
    }
}

/// Twice the inverse curvature of −2 log likelihood. The curvature of a minimum has a factor.
fn covariance(curvature: &[f64], size: usize) -> Vec<f64> {
    let inverse = Cholesky::new(curvature, size).unwrap_or_default().inverse();
    inverse.into_iter().map(|value| 2.0 * value).collect()
}

/// C·(¼ Σ gᵢgᵢᵀ)·C, the slopes being those of −2 log likelihood.
fn sandwich(covariance: &[f64], cross: &[f64], size: usize) -> Vec<f64> {
    let half = product(covariance, cross, size);
    product(&half, covariance, size)
        .into_iter()
        .map(|value| 0.25 * value)
        .collect()
}

fn product(a: &[f64], b: &[f64], size: usize) -> Vec<f64> {
    let mut product = vec![0.0; size * size];
    for i in 0..size {
        for j in 0..size {
            product[i * size + j] = (0..size).map(|k| a[i * size + k] * b[k * size + j]).sum();
        }
    }
    product
}

fn quadratic(matrix: &[f64], row: &[f64]) -> f64 {
    let size = row.len();
    let times = |i: usize| -> f64 { (0..size).map(|k| matrix[i * size + k] * row[k]).sum() };
    (0..size).map(|i| row[i] * times(i)).sum::<f64>().max(0.0)
}

/// Derivatives of each reported number by the vector's entries; central differences of closed forms.
fn jacobian(packing: &Packing, x: &[f64]) -> Vec<Vec<f64>> {
    let mut rows = vec![vec![0.0; x.len()]; packing.reported(x).len()];
    for k in 0..x.len() {
        let step = 1e-5 * x[k].abs().max(1.0);
        let beside = |sign: f64| {
            let mut moved = x.to_vec();
            moved[k] += sign * step;
            packing.reported(&moved)
        };
        for (row, (above, below)) in rows.iter_mut().zip(beside(1.0).iter().zip(beside(-1.0))) {
            row[k] = (above.1 - below.1) / (2.0 * step);
        }
    }
    rows
}

fn condition_number(covariance: &[f64], size: usize) -> f64 {
    let mut correlation = covariance.to_vec();
    for i in 0..size {
        for j in 0..size {
            correlation[i * size + j] /= (covariance[i * size + i] * covariance[j * size + j]).sqrt();
        }
    }
    let values = eigenvalues(&correlation, size);
    values[size - 1] / values[0].max(f64::MIN_POSITIVE)
}

fn persons(objective: &Objective<'_, '_>, centre: &Centre, values: &PopulationValues) -> Vec<PersonEstimate> {
    let Ok(spread) = objective.spread(values) else {
        return Vec::new();
    };
    let mut estimates = Vec::with_capacity(centre.modes.len());
    for ((person, mode), part) in objective
        .study
        .persons
        .iter()
        .zip(&centre.modes)
        .zip(&centre.parts)
    {
        if let Ok(individual) = Individual::new(objective.study, &objective.effects, person, values, &spread)
        {
            estimates.push(person_estimate(&person.id, &individual, &mode.place, *part));
        }
    }
    estimates
}

fn person_estimate(
    id: &str,
    individual: &Individual<'_>,
    place: &super::individual::Place,
    minus_two_log_likelihood: f64,
) -> PersonEstimate {
    let size = place.eta.len();
    // Half the curvature of the conditional objective is the inverse of the effects' covariance.
    let factor = individual.curvature(place).ok().flatten();
    let factor = factor.or_else(|| Cholesky::new(&place.information, size));
    let inverse = factor.unwrap_or_default().inverse();
    PersonEstimate {
        id: id.to_owned(),
        effects: place.eta.clone(),
        effects_sd: (0..size).map(|k| inverse[k * size + k].sqrt()).collect(),
        minus_two_log_likelihood,
    }
}

fn shrinkages(
    objective: &Objective<'_, '_>,
    centre: &Centre,
    values: &PopulationValues,
) -> (Vec<Shrinkage>, f64) {
    let size = objective.effects.len();
    let shrinkage = objective
        .effects
        .iter()
        .enumerate()
        .map(|(k, parameter)| {
            let effects: Vec<f64> = centre.modes.iter().map(|mode| mode.place.eta[k]).collect();
            Shrinkage {
                parameter: *parameter,
                shrinkage_pct: 100.0 * (1.0 - deviation(&effects) / values.covariance[k * size + k].sqrt()),
            }
        })
        .collect();
    let mut residuals = Vec::new();
    if let Ok(spread) = objective.spread(values) {
        for (person, mode) in objective.study.persons.iter().zip(&centre.modes) {
            let individual = Individual::new(objective.study, &objective.effects, person, values, &spread);
            if let Ok(individual) = individual {
                residuals.extend(weighted_residuals(individual.problem(), &mode.place.eta));
            }
        }
    }
    (shrinkage, 100.0 * (1.0 - deviation(&residuals)))
}

/// (level − prediction) / its standard deviation, at a person's own effects; measured levels only.
pub(super) fn weighted_residuals(problem: &Problem, eta: &[f64]) -> Vec<f64> {
    let Ok((predictions, _)) = predict(problem, eta) else {
        return Vec::new();
    };
    let pairs = problem.observations.iter().zip(&predictions);
    pairs
        .filter_map(|(observation, prediction)| {
            let Level::Quantified { value } = observation.level else {
                return None;
            };
            let f = observation.matrix_ratio * prediction;
            Some(match observation.residual.unwrap_or(problem.residual) {
                ResidualError::Combined {
                    additive_sd,
                    proportional_sd,
                } => {
                    let v = additive_sd * additive_sd + proportional_sd * proportional_sd * f * f;
                    (value - f) / (v + observation.extra_variance).sqrt()
                }
                ResidualError::Log { sigma } => {
                    let v = sigma * sigma + observation.extra_variance / (value * value);
                    (libm::log(value) - libm::log(f)) / v.sqrt()
                }
            })
        })
        .collect()
}

fn deviation(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (values
        .iter()
        .map(|value| (value - mean) * (value - mean))
        .sum::<f64>()
        / (n - 1.0))
        .sqrt()
}
