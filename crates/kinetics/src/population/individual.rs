//! One person under given population values: the conditional objective of its random effects, and its mode.

use super::level::level_term;
use super::predict::predict;
use super::study::{Person, PopulationValues, Study};
use crate::likelihood::{Problem, RandomEffects};
use crate::structure::{ParameterName, ParameterTimeline, TimelineKnot};
use spotwright_numerics::cholesky::Cholesky;

/// Steps allowed to find a mode.
const MOST_STEPS: usize = 200;
/// Newton decrement (twice the expected fall of the objective) at which a mode counts as found: 10⁻⁹ standard deviations of the
/// conditional distribution, so that differences of objectives at neighbouring population values are smooth.
const FOUND: f64 = 1e-18;
/// Decrement from which the true curvature is worth its price.
const NEAR: f64 = 1e-3;
/// Decrement below which rounding hides whether the objective falls.
const BELOW_ROUNDING: f64 = 1e-9;
/// Longest step of one effect on the log scale.
const LONGEST: f64 = 2.0;

/// Covariance of the random effects in the forms that are needed.
#[derive(Debug, Clone)]
pub(super) struct Spread {
    pub(super) size: usize,
    pub(super) precision: Vec<f64>,
    pub(super) ln_determinant: f64,
}

impl Spread {
    /// `None` when the covariance is not positive definite.
    pub(super) fn new(covariance: &[f64], size: usize) -> Option<Self> {
        let factor = Cholesky::new(covariance, size)?;
        let ln_determinant = factor.ln_determinant();
        let precision = factor.inverse();
        let finite = ln_determinant.is_finite() && precision.iter().all(|value| value.is_finite());
        finite.then_some(Self {
            size,
            precision,
            ln_determinant,
        })
    }
}

/// A person under population values.
pub(super) struct Individual<'s> {
    problem: Problem,
    spread: &'s Spread,
}

/// The conditional objective Σ −2 ln p(yⱼ|η) + ηᵀΩ⁻¹η at a place.
#[derive(Debug, Clone)]
pub(super) struct Place {
    pub(super) eta: Vec<f64>,
    pub(super) value: f64,
    pub(super) gradient: Vec<f64>,
    /// First-order information with the prior's: half the objective's expected curvature.
    pub(super) information: Vec<f64>,
}

/// The conditional mode.
#[derive(Debug, Clone)]
pub(super) struct Mode {
    pub(super) place: Place,
    /// Factor of half the true curvature there, when it could be had.
    pub(super) curvature: Option<Cholesky>,
}

/// Why a person has no conditional mode.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum NoMode {
    /// The model gives no prediction.
    Prediction(String),
    /// The search did not end.
    NotFound,
}

impl<'s> Individual<'s> {
    pub(super) fn new(
        study: &Study<'_>,
        effects: &[ParameterName],
        person: &Person,
        values: &PopulationValues,
        spread: &'s Spread,
    ) -> Result<Self, NoMode> {
        let mut knots = Vec::with_capacity(person.covariates.len());
        for knot in &person.covariates {
            let typical = study.typical.typical(&values.coefficients, &knot.values);
            knots.push(TimelineKnot {
                from_h: knot.from_h,
                values: typical.map_err(NoMode::Prediction)?,
            });
        }
        Ok(Self {
            problem: Problem {
                structure: study.structure,
                typical: ParameterTimeline {
                    knots,
                    between: study.between_knots,
                },
                effects: RandomEffects {
                    between_subject: effects.to_vec(),
                    covariance: values.covariance.clone(),
                    between_occasion: Vec::new(),
                    occasion_starts_h: Vec::new(),
                },
                residual: values.residual,
                history: person.history.clone(),
                observations: person.observations.clone(),
            },
            spread,
        })
    }

    pub(super) fn problem(&self) -> &Problem {
        &self.problem
    }

    /// The conditional objective.
    pub(super) fn place(&self, eta: &[f64]) -> Result<Place, NoMode> {
        let size = self.spread.size;
        let (predictions, slopes) = predict(&self.problem, eta).map_err(NoMode::Prediction)?;
        let mut place = Place {
            eta: eta.to_vec(),
            value: 0.0,
            gradient: vec![0.0; size],
            information: self.spread.precision.clone(),
        };
        for i in 0..size {
            let row = &self.spread.precision[i * size..(i + 1) * size];
            let product: f64 = row.iter().zip(eta).map(|(p, e)| p * e).sum();
            place.value += eta[i] * product;
            place.gradient[i] = 2.0 * product;
        }
        for (j, observation) in self.problem.observations.iter().enumerate() {
            let term = level_term(observation, &self.problem.residual, predictions[j]);
            let slope = &slopes[j * size..(j + 1) * size];
            place.value += term.value;
            for i in 0..size {
                place.gradient[i] += term.slope * slope[i];
                for k in 0..size {
                    place.information[i * size + k] += term.information * slope[i] * slope[k];
                }
            }
        }
        if place.value.is_finite() && place.gradient.iter().all(|slope| slope.is_finite()) {
            Ok(place)
        } else {
            Err(NoMode::Prediction(
                "the likelihood is not a finite number".to_owned(),
            ))
        }
    }

    /// Minus two log marginal likelihood by first-order conditional estimation with interaction: the integral over η by Laplace's
    /// method with the first-order information in place of the curvature (Y. Wang, J. Pharmacokinet. Pharmacodyn. 34 (2007)
    /// 575-593; M. L. Lindstrom, D. M. Bates, Biometrics 46 (1990) 673-687). Every constant is in it.
    pub(super) fn marginal(&self, place: &Place) -> Result<f64, NoMode> {
        let factor = Cholesky::new(&place.information, self.spread.size).ok_or(NoMode::NotFound)?;
        Ok(place.value + self.spread.ln_determinant + factor.ln_determinant())
    }

    /// The mode nearest downhill from `eta`. A known curvature from a neighbouring problem shortens the way.
    pub(super) fn mode(&self, eta: &[f64], known: Option<&Cholesky>) -> Result<Mode, NoMode> {
        let mut place = self.place(eta)?;
        let mut curvature = known.cloned();
        let mut before = f64::INFINITY;
        for _ in 0..MOST_STEPS {
            let own;
            let factor = match &curvature {
                Some(factor) => factor,
                None => {
                    own = Cholesky::new(&place.information, self.spread.size).ok_or(NoMode::NotFound)?;
                    &own
                }
            };
            let mut step: Vec<f64> = place.gradient.iter().map(|slope| -0.5 * slope).collect();
            factor.solve(&mut step);
            let decrement: f64 = -step.iter().zip(&place.gradient).map(|(s, g)| s * g).sum::<f64>();
            if !decrement.is_finite() {
                return Err(NoMode::NotFound);
            }
            if decrement <= FOUND {
                return Ok(Mode { place, curvature });
            }
            // A curvature that no longer serves, or that is not there yet and would.
            let slow = decrement > 0.3 * before;
            if decrement < NEAR && (curvature.is_none() || slow) {
                curvature = self.curvature(&place)?;
                before = f64::INFINITY;
                if curvature.is_some() {
                    continue;
                }
            } else if slow && curvature.is_some() {
                curvature = None;
                before = f64::INFINITY;
                continue;
            }
            before = decrement;
            match self.downhill(&place, &step, decrement)? {
                Some(next) => place = next,
                None if decrement < BELOW_ROUNDING => return Ok(Mode { place, curvature }),
                None if curvature.is_some() => curvature = None,
                None => return Err(NoMode::NotFound),
            }
        }
        Err(NoMode::NotFound)
    }

    /// A lower place along a step, halving it as needed.
    fn downhill(&self, place: &Place, step: &[f64], decrement: f64) -> Result<Option<Place>, NoMode> {
        let longest = step.iter().fold(0.0_f64, |longest, s| longest.max(s.abs()));
        let mut share = (LONGEST / longest).min(1.0);
        for _ in 0..40 {
            let eta: Vec<f64> = place.eta.iter().zip(step).map(|(e, s)| e + share * s).collect();
            // What cannot be predicted lies too far.
            if let Ok(next) = self.place(&eta)
                && (next.value < place.value || (decrement < BELOW_ROUNDING && share >= 1.0))
            {
                return Ok(Some(next));
            }
            share *= 0.5;
        }
        Ok(None)
    }

    /// Factor of half the true curvature, by central differences of the exact gradient; `None` when not positive definite.
    pub(super) fn curvature(&self, place: &Place) -> Result<Option<Cholesky>, NoMode> {
        let size = self.spread.size;
        let mut matrix = vec![0.0; size * size];
        for k in 0..size {
            let step = 1e-4;
            let beside = |sign: f64| {
                let mut eta = place.eta.clone();
                eta[k] += sign * step;
                self.place(&eta)
            };
            let (above, below) = (beside(1.0)?, beside(-1.0)?);
            for i in 0..size {
                matrix[i * size + k] = 0.25 * (above.gradient[i] - below.gradient[i]) / step;
            }
        }
        for i in 0..size {
            for k in 0..i {
                let mean = 0.5 * (matrix[i * size + k] + matrix[k * size + i]);
                matrix[i * size + k] = mean;
                matrix[k * size + i] = mean;
            }
        }
        Ok(Cholesky::new(&matrix, size))
    }
}
