//! The search for the minimum of minus two log likelihood: quasi-Newton steps from a matrix of the persons' slopes, then Newton
//! steps with the true curvature, which also proves the minimum.
//!
//! The first matrix is half the sum of the persons' squared slopes (E. K. Berndt, B. H. Hall, R. E. Hall, J. A. Hausman 1974);
//! it is improved by the rule of Broyden, Fletcher, Goldfarb and Shanno (J. Nocedal, S. J. Wright, Numerical Optimization, 2nd ed.
//! 2006, chapters 3 and 6). Derivatives are differences of likelihoods whose inner modes are found to 10⁻⁹, with steps of a fixed
//! share of each estimate's standard error.

use super::individual::NoMode;
use super::objective::{Centre, NoLikelihood, Objective, Slopes};
use super::result::PopulationError;
use super::symmetric::eigenvalues;
use spotwright_numerics::cholesky::Cholesky;

/// Steps allowed.
const MOST_STEPS: usize = 300;
/// Decrement below which Newton steps take over.
const NEAR: f64 = 1e-4;
/// Expected fall of −2 log likelihood at which the minimum counts as found.
const FOUND: f64 = 1e-7;
/// Differences step this share of a standard error, for first and second derivatives.
const SLOPE_STEP: f64 = 0.005;
const CURVATURE_STEP: f64 = 0.05;
/// Distance in standard errors over which a curvature is taken to hold.
const STILL: f64 = 0.03;
/// Longest step of one entry, in standard errors.
const LONGEST: f64 = 3.0;
/// Smallest eigenvalue of the scaled curvature of a minimum.
const FLAT: f64 = 1e-7;

/// A proven minimum.
pub(super) struct Minimum {
    pub(super) centre: Centre,
    /// Second derivatives of −2 log likelihood, row by row.
    pub(super) curvature: Vec<f64>,
    /// Σ gᵢgᵢᵀ of the persons' slopes.
    pub(super) cross: Vec<f64>,
    pub(super) expected_fall: f64,
    pub(super) largest_step_in_standard_errors: f64,
    pub(super) smallest_scaled_eigenvalue: f64,
    pub(super) iterations: usize,
}

struct Search<'o, 's, 'm> {
    objective: &'o Objective<'s, 'm>,
    centre: Centre,
    start: Vec<f64>,
    /// Standard errors as they are known by now.
    errors: Vec<f64>,
    iterations: usize,
}

/// Searches from a vector.
pub(super) fn minimum(objective: &Objective<'_, '_>, start: &[f64]) -> Result<Minimum, PopulationError> {
    let centre = objective
        .centre(start, None)
        .map_err(|why| at_start(objective, why))?;
    let mut search = Search {
        objective,
        centre,
        start: start.to_vec(),
        errors: start.iter().map(|x| 0.01 * x.abs().max(0.1)).collect(),
        iterations: 0,
    };
    // A lower mode found at the end moves the whole: search again, but not for ever.
    for _ in 0..5 {
        search.quasi_newton()?;
        let minimum = search.newton()?;
        match objective.lower_modes(&minimum.centre) {
            Ok(Some(lower)) => search.centre = lower,
            Ok(None) => return Ok(minimum),
            Err(_) => break,
        }
    }
    Err(search.not_converged(f64::NAN))
}

fn at_start(objective: &Objective<'_, '_>, why: NoLikelihood) -> PopulationError {
    match why {
        NoLikelihood::Covariance => PopulationError::NotAMinimum {
            names: "the covariance of the random effects".to_owned(),
        },
        NoLikelihood::Person { index, why } => {
            let id = objective.study.persons[index].id.clone();
            match why {
                NoMode::Prediction(why) => PopulationError::NoPrediction { id, why },
                NoMode::NotFound => PopulationError::NoMode { id },
            }
        }
    }
}

impl Search<'_, '_, '_> {
    fn quasi_newton(&mut self) -> Result<(), PopulationError> {
        let size = self.centre.x.len();
        let mut slopes = self.slopes()?;
        // The first steps' sizes were guesses.
        self.errors_from(&half(&slopes.cross))?;
        slopes = self.slopes()?;
        self.errors_from(&half(&slopes.cross))?;
        let mut matrix = half(&slopes.cross);
        while self.iterations < MOST_STEPS {
            let factor = positive(&matrix, size);
            let mut step: Vec<f64> = slopes.total.iter().map(|slope| -slope).collect();
            factor.solve(&mut step);
            let decrement = -dot(&step, &slopes.total);
            if decrement < NEAR {
                return Ok(());
            }
            let Some(next) = self.downhill(&step, &slopes.total) else {
                if decrement < 1.0 {
                    return Ok(());
                }
                return Err(self.not_converged(0.5 * decrement));
            };
            self.iterations += 1;
            let moved: Vec<f64> = next
                .x
                .iter()
                .zip(&self.centre.x)
                .map(|(new, old)| new - old)
                .collect();
            self.centre = next;
            self.check_spreads()?;
            let before = std::mem::replace(&mut slopes, self.slopes()?);
            let turned: Vec<f64> = slopes
                .total
                .iter()
                .zip(&before.total)
                .map(|(new, old)| new - old)
                .collect();
            update(&mut matrix, &moved, &turned);
            self.guide(&positive(&matrix, size).inverse());
        }
        Err(self.not_converged(f64::NAN))
    }

    fn newton(&mut self) -> Result<Minimum, PopulationError> {
        let size = self.centre.x.len();
        let mut fall = f64::NAN;
        for _ in 0..12 {
            let steps: Vec<f64> = self.errors.iter().map(|error| CURVATURE_STEP * error).collect();
            let curvature = self
                .objective
                .curvature(&self.centre, &steps)
                .map_err(|_| self.not_converged(fall))?;
            let scaled = scaled(&curvature, size);
            let smallest = eigenvalues(&scaled, size)[0];
            let exact = Cholesky::new(&curvature, size).filter(|_| smallest > FLAT);
            let proven = exact.is_some();
            let factor = exact.unwrap_or_else(|| positive(&curvature, size));
            self.guide(&factor.inverse());
            // The curvature serves while the place has hardly moved since.
            let mut moved = 0.0;
            while moved < STILL {
                let slopes = self.slopes()?;
                let mut step: Vec<f64> = slopes.total.iter().map(|slope| -slope).collect();
                factor.solve(&mut step);
                fall = -0.5 * dot(&step, &slopes.total);
                let in_errors = self.in_errors(&step);
                if fall < FOUND {
                    if !proven {
                        return Err(self.flat(&scaled));
                    }
                    return Ok(Minimum {
                        centre: self.centre.clone(),
                        curvature,
                        cross: slopes.cross,
                        expected_fall: fall.max(0.0),
                        largest_step_in_standard_errors: in_errors,
                        smallest_scaled_eigenvalue: smallest,
                        iterations: self.iterations,
                    });
                }
                let Some(next) = self.downhill(&step, &slopes.total) else {
                    if !proven {
                        return Err(self.flat(&scaled));
                    }
                    return Err(self.not_converged(fall));
                };
                self.iterations += 1;
                self.centre = next;
                self.check_spreads()?;
                moved += in_errors;
            }
        }
        Err(self.not_converged(fall))
    }

    /// Standard errors for the next differences, which may change only slowly, from the inverse of a curvature.
    fn guide(&mut self, inverse: &[f64]) {
        let size = self.errors.len();
        for (k, error) in self.errors.iter_mut().enumerate() {
            let found = (2.0 * inverse[k * size + k]).sqrt();
            *error = found.clamp(0.3 * *error, 3.0 * *error);
        }
    }

    /// The longest entry of a step in standard errors.
    fn in_errors(&self, step: &[f64]) -> f64 {
        step.iter()
            .zip(&self.errors)
            .map(|(step, error)| step.abs() / error)
            .fold(0.0, f64::max)
    }

    fn slopes(&self) -> Result<Slopes, PopulationError> {
        let steps: Vec<f64> = self.errors.iter().map(|error| SLOPE_STEP * error).collect();
        self.objective
            .slopes(&self.centre, &steps)
            .map_err(|_| self.not_converged(f64::NAN))
    }

    fn errors_from(&mut self, information: &[f64]) -> Result<(), PopulationError> {
        let size = self.errors.len();
        for k in 0..size {
            let own = information[k * size + k];
            if !(own.is_finite() && own > 0.0) {
                return Err(PopulationError::NoInformation {
                    name: self.objective.packing.names[k].clone(),
                });
            }
            self.errors[k] = (2.0 / own).sqrt().clamp(1e-8, 1.0);
        }
        Ok(())
    }

    /// A lower place along a step, halving it as needed (Armijo's condition with 10⁻⁴).
    fn downhill(&self, step: &[f64], slopes: &[f64]) -> Option<Centre> {
        let longest = self.in_errors(step);
        let spreads = self.objective.packing.log_spreads();
        let widest = spreads.iter().map(|(at, _)| step[*at].abs()).fold(0.0, f64::max);
        let mut share = (LONGEST / longest).min(1.0 / widest).min(1.0);
        let slope = dot(step, slopes);
        for _ in 0..30 {
            let x: Vec<f64> = self
                .centre
                .x
                .iter()
                .zip(step)
                .map(|(x, s)| x + share * s)
                .collect();
            if let Ok(next) = self.objective.centre(&x, Some(&self.centre))
                && next.total <= self.centre.total + 1e-4 * share * slope
            {
                return Some(next);
            }
            share *= 0.5;
        }
        None
    }

    fn check_spreads(&self) -> Result<(), PopulationError> {
        for (at, name) in self.objective.packing.log_spreads() {
            let found = self.centre.x[at];
            if found < self.start[at] - 7.0 {
                return Err(PopulationError::SpreadVanishes { name });
            }
            if found > self.start[at] + 7.0 {
                return Err(PopulationError::SpreadUnbounded {
                    name,
                    found: libm::exp(found),
                });
            }
        }
        Ok(())
    }

    /// A search that got stuck with a spread at a tenth of its start is on its way to zero, where the likelihood is flat.
    fn vanishing(&self) -> Option<PopulationError> {
        let spreads = self.objective.packing.log_spreads();
        let mut shrunk = spreads
            .into_iter()
            .filter(|(at, _)| self.centre.x[*at] < self.start[*at] - 2.3);
        shrunk
            .next()
            .map(|(_, name)| PopulationError::SpreadVanishes { name })
    }

    fn not_converged(&self, expected_fall: f64) -> PopulationError {
        if let Some(vanishing) = self.vanishing() {
            return vanishing;
        }
        PopulationError::NotConverged {
            iterations: self.iterations,
            minus_two_log_likelihood: self.centre.total,
            expected_fall,
        }
    }

    /// Names what the flattest direction runs along.
    fn flat(&self, scaled: &[f64]) -> PopulationError {
        if let Some(vanishing) = self.vanishing() {
            return vanishing;
        }
        let size = self.errors.len();
        // Inverse iteration from a matrix made positive turns towards the smallest eigenvalue.
        let factor = positive(scaled, size);
        let mut direction = vec![1.0; size];
        for _ in 0..20 {
            factor.solve(&mut direction);
            let length = dot(&direction, &direction).sqrt();
            direction.iter_mut().for_each(|d| *d /= length);
        }
        let names: Vec<&str> = direction
            .iter()
            .zip(&self.objective.packing.names)
            .filter(|(d, _)| d.abs() > 0.3)
            .map(|(_, name)| name.as_str())
            .collect();
        PopulationError::NotAMinimum {
            names: names.join(", "),
        }
    }
}

fn half(matrix: &[f64]) -> Vec<f64> {
    matrix.iter().map(|value| 0.5 * value).collect()
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// The matrix with ones on its diagonal; entries there that are not above zero count as one.
fn scaled(matrix: &[f64], size: usize) -> Vec<f64> {
    let scale = |k: usize| {
        let own = matrix[k * size + k];
        if own > 0.0 { own.sqrt() } else { 1.0 }
    };
    let mut scaled = matrix.to_vec();
    for k in 0..size {
        for l in 0..size {
            scaled[k * size + l] /= scale(k) * scale(l);
        }
    }
    scaled
}

/// The factor of a matrix, its diagonal raised until there is one.
fn positive(matrix: &[f64], size: usize) -> Cholesky {
    let largest = (0..size)
        .map(|k| matrix[k * size + k].abs())
        .fold(f64::MIN_POSITIVE, f64::max);
    let mut raise = 1e-12;
    loop {
        let mut raised = matrix.to_vec();
        for k in 0..size {
            let own = matrix[k * size + k].abs().max(1e-12 * largest);
            raised[k * size + k] += raise * own;
        }
        if let Some(factor) = Cholesky::new(&raised, size) {
            return factor;
        }
        raise *= 10.0;
        if raise > 1e12 {
            // Only a matrix that is no number comes here: the steepest way down.
            let mut unit = vec![0.0; size * size];
            for k in 0..size {
                unit[k * size + k] = 1.0;
            }
            return Cholesky::new(&unit, size).unwrap_or_default();
        }
    }
}

/// The rule of Broyden, Fletcher, Goldfarb and Shanno, damped so that the matrix stays positive (M. J. D. Powell 1978).
fn update(matrix: &mut [f64], moved: &[f64], turned: &[f64]) {
    let size = moved.len();
    let times: Vec<f64> = (0..size)
        .map(|i| dot(&matrix[i * size..(i + 1) * size], moved))
        .collect();
    let old = dot(moved, &times);
    let new = dot(moved, turned);
    if !(old > 0.0 && new.is_finite()) {
        return;
    }
    let share = if new >= 0.2 * old {
        1.0
    } else {
        0.8 * old / (old - new)
    };
    let damped: Vec<f64> = turned
        .iter()
        .zip(&times)
        .map(|(turned, times)| share * turned + (1.0 - share) * times)
        .collect();
    let along = dot(moved, &damped);
    for i in 0..size {
        for j in 0..size {
            matrix[i * size + j] += damped[i] * damped[j] / along - times[i] * times[j] / old;
        }
    }
}
