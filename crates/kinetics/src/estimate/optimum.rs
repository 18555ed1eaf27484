//! From one start to a minimum of the objective, with proof.
//!
//! Fisher scoring (damped as by D. W. Marquardt, J. SIAM 11 (1963) 431-441) leads near the minimum; Newton steps with the
//! Hessian, differenced from exact gradients, settle it. Proof is the Newton decrement gᵀH⁻¹g, which is what the objective
//! could still fall by (S. Boyd, L. Vandenberghe, Convex Optimization (2004), 9.5.1), and the Cholesky factor of H.

use super::error::EstimateError;
use crate::likelihood::{Objective, ProblemError};
use spotwright_numerics::cholesky::Cholesky;

/// Scoring hands over to Newton when a step promises less than this.
const SCORING_DECREMENT: f64 = 1e-5;
/// Decrement below which the minimum is proven; relative to 1 + |O|, below what rounding can show.
const PROVEN_DECREMENT: f64 = 1e-12;
/// Shift of the point, in its own standard deviations squared, beyond which the Hessian is taken anew.
const HESSIAN_SHIFT: f64 = 1e-13;
/// Step of the differences, in effects.
const DIFFERENCE: f64 = 1e-4;
/// Scoring steps before its speed is judged, and the least share by which each must then lower the promise.
const SCORING_TRIAL: usize = 6;
const SCORING_SPEED: f64 = 0.5;
/// Hessians taken before giving up.
const MOST_HESSIANS: usize = 40;
/// Longest step of one effect.
const LONGEST_STEP: f64 = 1.0;

/// A minimum and its proof.
#[derive(Debug, Clone, Default)]
pub(crate) struct Optimum {
    pub(crate) effects: Vec<f64>,
    pub(crate) objective: f64,
    pub(crate) gradient: Vec<f64>,
    pub(crate) hessian: Vec<f64>,
    pub(crate) factor: Cholesky,
    pub(crate) decrement: f64,
    pub(crate) iterations: usize,
}

/// Room of the search, kept between starts.
#[derive(Debug, Clone, Default)]
pub(crate) struct Search {
    gradient: Vec<f64>,
    curvature: Vec<f64>,
    damped: Vec<f64>,
    step: Vec<f64>,
    trial: Vec<f64>,
    trial_gradient: Vec<f64>,
    trial_curvature: Vec<f64>,
    factor: Cholesky,
}

impl Search {
    /// Descends from `start`.
    pub(crate) fn descend(
        &mut self,
        objective: &mut Objective,
        start: &[f64],
        most_iterations: usize,
    ) -> Result<Optimum, EstimateError> {
        let size = objective.size();
        let mut optimum = Optimum {
            effects: start.to_vec(),
            ..Optimum::default()
        };
        for room in [
            &mut self.gradient,
            &mut self.trial_gradient,
            &mut self.trial,
            &mut self.step,
        ] {
            room.resize(size, 0.0);
        }
        for room in [&mut self.curvature, &mut self.trial_curvature, &mut self.damped] {
            room.resize(size * size, 0.0);
        }
        optimum.objective =
            objective.value_gradient_curvature(&optimum.effects, &mut self.gradient, &mut self.curvature)?;
        self.score(objective, &mut optimum, most_iterations)?;
        self.settle(objective, &mut optimum)?;
        Ok(optimum)
    }

    /// Damped Fisher scoring until a step promises almost nothing.
    fn score(
        &mut self,
        objective: &mut Objective,
        optimum: &mut Optimum,
        most_iterations: usize,
    ) -> Result<(), EstimateError> {
        let size = objective.size();
        let mut damping = 0.0;
        let mut last_promise = f64::INFINITY;
        loop {
            self.damped.copy_from_slice(&self.curvature);
            for i in 0..size {
                self.damped[i * size + i] *= 1.0 + damping;
            }
            let mut promise = 0.0;
            if self.factor.refactor(&self.damped, size) {
                for (slot, g) in self.step.iter_mut().zip(&self.gradient) {
                    *slot = -g;
                }
                self.factor.solve(&mut self.step);
                promise = -self
                    .step
                    .iter()
                    .zip(&self.gradient)
                    .map(|(s, g)| s * g)
                    .sum::<f64>();
                optimum.decrement = 0.5 * promise;
                if promise <= SCORING_DECREMENT && damping <= 1e-3 {
                    return Ok(());
                }
                // Large residuals make the expected curvature a poor one: Newton steps go on from here.
                if optimum.iterations >= SCORING_TRIAL
                    && promise > SCORING_SPEED * last_promise
                    && promise < 1.0
                {
                    return Ok(());
                }
                last_promise = promise;
                let longest = self.step.iter().fold(0.0f64, |most, s| most.max(s.abs()));
                let shrink = if longest > LONGEST_STEP {
                    LONGEST_STEP / longest
                } else {
                    1.0
                };
                for ((slot, x), s) in self.trial.iter_mut().zip(&optimum.effects).zip(&self.step) {
                    *slot = x + shrink * s;
                }
                optimum.iterations += 1;
                let tried = objective.value_gradient_curvature(
                    &self.trial,
                    &mut self.trial_gradient,
                    &mut self.trial_curvature,
                );
                if let Ok(value) = tried
                    && value < optimum.objective
                {
                    optimum.objective = value;
                    std::mem::swap(&mut optimum.effects, &mut self.trial);
                    std::mem::swap(&mut self.gradient, &mut self.trial_gradient);
                    std::mem::swap(&mut self.curvature, &mut self.trial_curvature);
                    damping = if damping > 1e-4 { 0.2 * damping } else { 0.0 };
                    if optimum.iterations >= most_iterations {
                        break;
                    }
                    continue;
                }
            }
            damping = if damping > 0.0 { 5.0 * damping } else { 1e-3 };
            // So short a step that rounding hides any gain: as near as scoring can lead.
            if damping > 1e9 || promise > 0.0 && promise < 1e-12 * (1.0 + optimum.objective.abs()) {
                return Ok(());
            }
            if optimum.iterations >= most_iterations {
                break;
            }
        }
        Err(EstimateError::NotConverged {
            starts: 1,
            iterations: optimum.iterations,
            decrement: optimum.decrement,
        })
    }

    /// Newton steps with the differenced Hessian until the decrement is proven.
    fn settle(&mut self, objective: &mut Objective, optimum: &mut Optimum) -> Result<(), EstimateError> {
        let size = objective.size();
        let mut indefinite = false;
        for _ in 0..MOST_HESSIANS {
            self.hessian(objective, optimum)?;
            indefinite = !optimum.factor.refactor(&optimum.hessian, size);
            if indefinite && !self.regularise(optimum, size) {
                return Err(EstimateError::NotAMinimum);
            }
            let mut moved = 0.0;
            let mut last = f64::INFINITY;
            // Steps with one Hessian for as long as they gain; only the first may be shortened.
            for repeat in 0..6 {
                for (slot, g) in self.step.iter_mut().zip(&self.gradient) {
                    *slot = -g;
                }
                optimum.factor.solve(&mut self.step);
                let decrement = -self
                    .step
                    .iter()
                    .zip(&self.gradient)
                    .map(|(s, g)| s * g)
                    .sum::<f64>();
                optimum.decrement = 0.5 * decrement;
                if decrement <= 1e-18 || decrement >= 0.25 * last {
                    break;
                }
                last = decrement;
                if !self.take_step(objective, optimum, if repeat == 0 { 20 } else { 1 }) {
                    break;
                }
                optimum.iterations += 1;
                moved += decrement.max(0.0).sqrt();
            }
            let proven = optimum.decrement <= PROVEN_DECREMENT * (1.0 + optimum.objective.abs());
            // The Hessian belongs to a point `moved` away.
            if proven && moved * moved <= HESSIAN_SHIFT {
                if indefinite {
                    return Err(EstimateError::NotAMinimum);
                }
                optimum.gradient.clone_from(&self.gradient);
                return Ok(());
            }
            if moved <= 0.0 {
                break;
            }
        }
        if indefinite {
            return Err(EstimateError::NotAMinimum);
        }
        Err(EstimateError::NotConverged {
            starts: 1,
            iterations: optimum.iterations,
            decrement: optimum.decrement,
        })
    }

    /// Goes along `self.step`, halving it up to `most` times until the objective does not rise; `false` when it always does.
    fn take_step(&mut self, objective: &mut Objective, optimum: &mut Optimum, most: usize) -> bool {
        let longest = self.step.iter().fold(0.0f64, |most, s| most.max(s.abs()));
        let mut shrink = if longest > LONGEST_STEP {
            LONGEST_STEP / longest
        } else {
            1.0
        };
        // What rounding can hide.
        let allowed = optimum.objective + 1e-11 * (1.0 + optimum.objective.abs());
        for _ in 0..most {
            for ((slot, x), s) in self.trial.iter_mut().zip(&optimum.effects).zip(&self.step) {
                *slot = x + shrink * s;
            }
            if let Ok(value) = objective.value_gradient(&self.trial, &mut self.trial_gradient)
                && value <= allowed
            {
                optimum.objective = value;
                std::mem::swap(&mut optimum.effects, &mut self.trial);
                std::mem::swap(&mut self.gradient, &mut self.trial_gradient);
                return true;
            }
            shrink *= 0.5;
        }
        false
    }

    /// A positive definite stand-in for an indefinite Hessian: its diagonal raised until it has a factor.
    fn regularise(&mut self, optimum: &mut Optimum, size: usize) -> bool {
        let scale = (0..size).fold(1e-3f64, |most, i| most.max(optimum.hessian[i * size + i].abs()));
        let mut add = 1e-3 * scale;
        for _ in 0..12 {
            self.damped.copy_from_slice(&optimum.hessian);
            for i in 0..size {
                self.damped[i * size + i] += add;
            }
            if optimum.factor.refactor(&self.damped, size) {
                return true;
            }
            add *= 4.0;
        }
        false
    }

    fn hessian(&mut self, objective: &mut Objective, optimum: &mut Optimum) -> Result<(), ProblemError> {
        let size = objective.size();
        optimum.hessian.resize(size * size, 0.0);
        self.trial.copy_from_slice(&optimum.effects);
        for j in 0..size {
            let at = optimum.effects[j];
            self.trial[j] = at + DIFFERENCE;
            objective.value_gradient(&self.trial, &mut self.trial_gradient)?;
            self.trial[j] = at - DIFFERENCE;
            objective.value_gradient(&self.trial, &mut self.step)?;
            self.trial[j] = at;
            for i in 0..size {
                optimum.hessian[i * size + j] = (self.trial_gradient[i] - self.step[i]) / (2.0 * DIFFERENCE);
            }
        }
        for i in 0..size {
            for j in 0..i {
                let mean = 0.5 * (optimum.hessian[i * size + j] + optimum.hessian[j * size + i]);
                optimum.hessian[i * size + j] = mean;
                optimum.hessian[j * size + i] = mean;
            }
        }
        Ok(())
    }
}
