//! Nonlinear least squares by the Levenberg–Marquardt method.
//!
//! K. Levenberg, Quart. Appl. Math. 2 (1944) 164-168; D. W. Marquardt, J. SIAM 11 (1963) 431-441. Each step solves the
//! augmented least-squares problem by Householder reflections (never `JᵀJ`); the scaling is the largest column length met so far
//! (J. J. Moré, "The Levenberg-Marquardt algorithm", Lecture Notes in Mathematics 630 (1978), section 6); the damping is led
//! by the gain ratio (K. Madsen, H. B. Nielsen, O. Tingleff, Methods for non-linear least squares problems, 2004, 3.2).
//! Convergence is judged by the relative offset, the angle between the residuals and the tangent plane (D. M. Bates, D. G.
//! Watts, Technometrics 23 (1981) 179-183), or by the size of the undamped step. Undamped steps then polish the
//! parameters for as long as they shrink, so the answer is limited by rounding and not by the tolerance.

use crate::householder::{Triangularised, dot, triangularise};
use crate::matrix::SymmetricMatrix;

/// Sine of the angle below which a Jacobian column counts as dependent on the ones before it.
const RANK_TOLERANCE: f64 = 1e-14;

/// When to stop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NonlinearOptions {
    /// Steps tried, accepted or not, before giving up.
    pub max_iterations: usize,
    /// Relative offset at which the residuals count as orthogonal to the model.
    pub offset_tolerance: f64,
    /// Length of the undamped step relative to the parameters at which it counts as zero (both scaled by column lengths).
    pub step_tolerance: f64,
    /// Undamped steps allowed after convergence; 0 leaves the parameters as the tolerances left them.
    pub polish_steps: usize,
    /// First damping, relative to the scaled normal matrix: small when the start is good.
    pub initial_damping: f64,
}

impl Default for NonlinearOptions {
    fn default() -> Self {
        Self {
            max_iterations: 1000,
            offset_tolerance: 1e-6,
            step_tolerance: 1e-8,
            polish_steps: 50,
            initial_damping: 1e-3,
        }
    }
}

/// Why the iteration stopped with an answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Convergence {
    /// The residuals are orthogonal to the model within the offset tolerance.
    RelativeOffset,
    /// The undamped step is negligible.
    StepSize,
    /// The residuals are zero.
    ExactFit,
}

/// A nonlinear fit.
#[derive(Debug, Clone, PartialEq)]
pub struct NonlinearFit {
    /// The parameters.
    pub parameters: Vec<f64>,
    /// s²·(JᵀJ)⁻¹ at the solution; `None` when the data do not determine all parameters there.
    pub covariance: Option<SymmetricMatrix>,
    /// (JᵀJ)⁻¹ at the solution, for residuals scaled to a known standard deviation of 1; `None` as above.
    pub unscaled_covariance: Option<SymmetricMatrix>,
    /// Residuals as the problem defines them.
    pub residuals: Vec<f64>,
    /// Σ r².
    pub residual_sum_of_squares: f64,
    /// s = sqrt(Σ r² / degrees of freedom).
    pub residual_standard_deviation: f64,
    /// Residuals minus parameters, at least 1.
    pub degrees_of_freedom: usize,
    /// Steps tried.
    pub iterations: usize,
    /// Why it stopped.
    pub convergence: Convergence,
}

/// Why there is no fit.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum NonlinearFitError {
    /// No residual would be left over to judge the fit by, or there are no parameters.
    #[error("{needed} residuals are needed (one more than the {parameters} parameters), {found} were given")]
    TooFewResiduals {
        /// Parameters.
        parameters: usize,
        /// Parameters plus one.
        needed: usize,
        /// Residuals given.
        found: usize,
    },
    /// A starting value is NaN or infinite.
    #[error("start value {index} is not finite ({found})")]
    StartNotFinite {
        /// Position from 0.
        index: usize,
        /// The value.
        found: f64,
    },
    /// The residuals or the Jacobian are not finite at the start.
    #[error("the model is not finite at the start values")]
    ModelNotFiniteAtStart,
    /// The Jacobian is not finite at an accepted point.
    #[error("the derivatives of the model are not finite at {parameters:?}")]
    JacobianNotFinite {
        /// Where.
        parameters: Vec<f64>,
    },
    /// The number of steps ran out.
    #[error(
        "no convergence in {iterations} steps; residual sum of squares {residual_sum_of_squares}, relative offset {relative_offset}"
    )]
    MaxIterations {
        /// Steps tried.
        iterations: usize,
        /// Best parameters so far.
        parameters: Vec<f64>,
        /// Their Σ r².
        residual_sum_of_squares: f64,
        /// Their relative offset.
        relative_offset: f64,
    },
    /// No step, however short, lowers Σ r², and the convergence tests are not met.
    #[error(
        "no step lowers the residual sum of squares {residual_sum_of_squares}; relative offset {relative_offset}"
    )]
    Stalled {
        /// Steps tried.
        iterations: usize,
        /// Best parameters so far.
        parameters: Vec<f64>,
        /// Their Σ r².
        residual_sum_of_squares: f64,
        /// Their relative offset.
        relative_offset: f64,
    },
}

/// A least-squares problem: the residuals, weighted as the caller likes, and their derivatives.
pub trait ResidualModel {
    /// Number of residuals.
    fn residual_count(&self) -> usize;

    /// Writes the residuals at `parameters`. Values that are not finite make the step be refused.
    fn residuals(&self, parameters: &[f64], residuals: &mut [f64]);

    /// Writes ∂rᵢ/∂θⱼ at `jacobian[j * residual_count + i]`: parameter by parameter.
    ///
    /// Unless overridden, by central differences, error about 1e-10 relative in the derivative.
    fn jacobian(&self, parameters: &[f64], jacobian: &mut [f64]) {
        central_differences(self, parameters, jacobian);
    }
}

/// Minimises Σ r² from `start`.
///
/// # Errors
/// [`NonlinearFitError`]: too few residuals, a start that is not finite or where the model is not, derivatives not
/// finite, no convergence, no progress. An error is never a fit: the parameters it carries are for diagnosis.
pub fn fit_nonlinear<M: ResidualModel + ?Sized>(
    model: &M,
    start: &[f64],
    options: &NonlinearOptions,
) -> Result<NonlinearFit, NonlinearFitError> {
    let parameters = start.len();
    let rows = model.residual_count();
    if parameters == 0 || rows < parameters + 1 {
        return Err(NonlinearFitError::TooFewResiduals {
            parameters,
            needed: parameters + 1,
            found: rows,
        });
    }
    if let Some(index) = start.iter().position(|v| !v.is_finite()) {
        return Err(NonlinearFitError::StartNotFinite {
            index,
            found: start[index],
        });
    }
    let mut state = State::new(model, start)?;
    let mut damping = options.initial_damping;
    let mut growth = 2.0;
    let mut iterations = 0;
    let convergence = loop {
        if state.sum_of_squares <= 0.0 {
            break Convergence::ExactFit;
        }
        if state.relative_offset() <= options.offset_tolerance {
            break Convergence::RelativeOffset;
        }
        if state.undamped_step_size() <= options.step_tolerance {
            break Convergence::StepSize;
        }
        if iterations >= options.max_iterations {
            return Err(NonlinearFitError::MaxIterations {
                iterations,
                relative_offset: state.relative_offset(),
                residual_sum_of_squares: state.sum_of_squares,
                parameters: state.parameters,
            });
        }
        iterations += 1;
        let step = state.damped_step(damping);
        let predicted = state.predicted_reduction(&step, damping);
        let trial: Vec<f64> = state.parameters.iter().zip(&step).map(|(p, s)| p + s).collect();
        let mut residuals = vec![0.0; rows];
        model.residuals(&trial, &mut residuals);
        let sum_of_squares = dot(&residuals, &residuals);
        let reduction = state.sum_of_squares - sum_of_squares;
        let gain = reduction / predicted;
        if gain > 1e-4 && sum_of_squares.is_finite() {
            state.accept(model, trial, residuals, sum_of_squares)?;
            let shape = 2.0 * gain - 1.0;
            damping *= (1.0 - shape * shape * shape).max(1.0 / 3.0);
            damping = damping.max(1e-15);
            growth = 2.0;
        } else {
            damping *= growth;
            growth *= 2.0;
            if damping > 1e18 {
                return Err(NonlinearFitError::Stalled {
                    iterations,
                    relative_offset: state.relative_offset(),
                    residual_sum_of_squares: state.sum_of_squares,
                    parameters: state.parameters,
                });
            }
        }
    };
    state.polish(model, options.polish_steps)?;
    Ok(state.finish(iterations, convergence))
}

struct State {
    parameters: Vec<f64>,
    residuals: Vec<f64>,
    sum_of_squares: f64,
    factors: Triangularised<f64>,
    /// First entries of Qᵀr.
    rotated: Vec<f64>,
    /// Σ of the other entries of Qᵀr, squared.
    orthogonal: f64,
    /// Largest length of each Jacobian column so far.
    scale: Vec<f64>,
    columns: usize,
}

impl State {
    fn new<M: ResidualModel + ?Sized>(model: &M, start: &[f64]) -> Result<Self, NonlinearFitError> {
        let rows = model.residual_count();
        let columns = start.len();
        let mut residuals = vec![0.0; rows];
        model.residuals(start, &mut residuals);
        let sum_of_squares = dot(&residuals, &residuals);
        let jacobian = finite_jacobian(model, start);
        let (true, Some(jacobian)) = (sum_of_squares.is_finite(), jacobian) else {
            return Err(NonlinearFitError::ModelNotFiniteAtStart);
        };
        let mut state = Self {
            parameters: start.to_vec(),
            residuals,
            sum_of_squares,
            factors: triangularise(Vec::new(), rows, 0),
            rotated: Vec::new(),
            orthogonal: 0.0,
            scale: vec![0.0; columns],
            columns,
        };
        state.linearise(jacobian);
        Ok(state)
    }

    fn accept<M: ResidualModel + ?Sized>(
        &mut self,
        model: &M,
        parameters: Vec<f64>,
        residuals: Vec<f64>,
        sum_of_squares: f64,
    ) -> Result<(), NonlinearFitError> {
        let Some(jacobian) = finite_jacobian(model, &parameters) else {
            return Err(NonlinearFitError::JacobianNotFinite { parameters });
        };
        self.parameters = parameters;
        self.residuals = residuals;
        self.sum_of_squares = sum_of_squares;
        self.linearise(jacobian);
        Ok(())
    }

    fn linearise(&mut self, jacobian: Vec<f64>) {
        let rows = self.residuals.len();
        for (scale, column) in self.scale.iter_mut().zip(jacobian.chunks_exact(rows)) {
            *scale = scale.max(dot(column, column).sqrt());
        }
        self.factors = triangularise(jacobian, rows, self.columns);
        let mut rotated = self.residuals.clone();
        self.factors.rotate(&mut rotated);
        self.orthogonal = dot(&rotated[self.columns..], &rotated[self.columns..]);
        rotated.truncate(self.columns);
        self.rotated = rotated;
    }

    fn relative_offset(&self) -> f64 {
        // A parameter without an effect of its own has no direction in the tangent plane.
        let mut tangent = 0.0;
        let mut orthogonal = self.orthogonal;
        let mut dimension = 0;
        for (k, component) in self.rotated.iter().enumerate() {
            if self.factors.is_independent(k, RANK_TOLERANCE) {
                tangent += component * component;
                dimension += 1;
            } else {
                orthogonal += component * component;
            }
        }
        if tangent <= 0.0 {
            return 0.0;
        }
        let degrees_of_freedom = self.residuals.len() - dimension;
        (tangent / dimension as f64 / (orthogonal / degrees_of_freedom as f64)).sqrt()
    }

    /// The undamped step, or `None` when the Jacobian lacks rank.
    fn undamped_step(&self) -> Option<Vec<f64>> {
        if self.factors.dependent_column(RANK_TOLERANCE).is_some() {
            return None;
        }
        let mut step = self.factors.solve(&self.rotated);
        for s in &mut step {
            *s = -*s;
        }
        step.iter().all(|s| s.is_finite()).then_some(step)
    }

    fn undamped_step_size(&self) -> f64 {
        self.undamped_step().map_or(f64::INFINITY, |step| {
            self.scaled_length(&step) / self.parameter_length()
        })
    }

    /// Minimises |J·step + r|² + damping·|D·step|².
    fn damped_step(&self, damping: f64) -> Vec<f64> {
        let n = self.columns;
        let root = damping.sqrt();
        let mut augmented = vec![0.0; 2 * n * n];
        for j in 0..n {
            for i in 0..=j {
                augmented[j * 2 * n + i] = self.factors.r(i, j);
            }
            augmented[j * 2 * n + n + j] = root * self.scale_of(j);
        }
        let factors = triangularise(augmented, 2 * n, n);
        let mut right = vec![0.0; 2 * n];
        for (r, q) in right.iter_mut().zip(&self.rotated) {
            *r = -q;
        }
        factors.rotate(&mut right);
        factors.solve(&right)
    }

    /// By how much the linear model says the sum of squares will fall.
    fn predicted_reduction(&self, step: &[f64], damping: f64) -> f64 {
        let mut image = 0.0;
        for i in 0..self.columns {
            let mut entry = 0.0;
            for (j, s) in step.iter().enumerate().skip(i) {
                entry += self.factors.r(i, j) * s;
            }
            image += entry * entry;
        }
        let length = self.scaled_length(step);
        image + 2.0 * damping * length * length
    }

    fn scale_of(&self, j: usize) -> f64 {
        if self.scale[j] > 0.0 { self.scale[j] } else { 1.0 }
    }

    fn scaled_length(&self, vector: &[f64]) -> f64 {
        let mut sum = 0.0;
        for (j, v) in vector.iter().enumerate() {
            let scaled = v * self.scale_of(j);
            sum += scaled * scaled;
        }
        sum.sqrt()
    }

    fn parameter_length(&self) -> f64 {
        self.scaled_length(&self.parameters).max(f64::MIN_POSITIVE)
    }

    /// Undamped steps while each is at most nine tenths of the one before and the sum of squares does not rise.
    fn polish<M: ResidualModel + ?Sized>(
        &mut self,
        model: &M,
        steps: usize,
    ) -> Result<(), NonlinearFitError> {
        let rows = self.residuals.len();
        let mut last = f64::INFINITY;
        for _ in 0..steps {
            let Some(step) = self.undamped_step() else {
                return Ok(());
            };
            let length = self.scaled_length(&step);
            if length > 0.9 * last || length <= 0.25 * f64::EPSILON * self.parameter_length() {
                return Ok(());
            }
            last = length;
            let trial: Vec<f64> = self.parameters.iter().zip(&step).map(|(p, s)| p + s).collect();
            let mut residuals = vec![0.0; rows];
            model.residuals(&trial, &mut residuals);
            let sum_of_squares = dot(&residuals, &residuals);
            // Near the minimum the sum of squares is flat: it may wander by its own rounding, no more.
            let slack = 1e-10 * self.sum_of_squares;
            let acceptable = sum_of_squares <= self.sum_of_squares + slack;
            if !acceptable {
                return Ok(());
            }
            self.accept(model, trial, residuals, sum_of_squares)?;
        }
        Ok(())
    }

    fn finish(self, iterations: usize, convergence: Convergence) -> NonlinearFit {
        let degrees_of_freedom = self.residuals.len() - self.columns;
        let variance = self.sum_of_squares / degrees_of_freedom as f64;
        let unscaled_covariance = match self.factors.dependent_column(RANK_TOLERANCE) {
            Some(_) => None,
            None => Some(SymmetricMatrix::from_upper_factor(
                &self.factors.inverse_upper(),
                self.columns,
                1.0,
            )),
        }
        .filter(SymmetricMatrix::is_finite);
        let covariance = unscaled_covariance
            .as_ref()
            .map(|m| m.scaled(variance))
            .filter(SymmetricMatrix::is_finite);
        NonlinearFit {
            parameters: self.parameters,
            covariance,
            unscaled_covariance,
            residuals: self.residuals,
            residual_sum_of_squares: self.sum_of_squares,
            residual_standard_deviation: variance.sqrt(),
            degrees_of_freedom,
            iterations,
            convergence,
        }
    }
}

fn finite_jacobian<M: ResidualModel + ?Sized>(model: &M, parameters: &[f64]) -> Option<Vec<f64>> {
    let mut jacobian = vec![0.0; model.residual_count() * parameters.len()];
    model.jacobian(parameters, &mut jacobian);
    // Squares must be finite too: column lengths are taken.
    jacobian.iter().all(|v| (v * v).is_finite()).then_some(jacobian)
}

fn central_differences<M: ResidualModel + ?Sized>(model: &M, parameters: &[f64], jacobian: &mut [f64]) {
    /// Cube root of 2⁻⁵², the step that balances truncation and rounding of a central difference.
    const RELATIVE_STEP: f64 = 6.055_454_452_393_343e-6;
    let rows = model.residual_count();
    let mut at = parameters.to_vec();
    let mut below = vec![0.0; rows];
    for (j, column) in jacobian.chunks_exact_mut(rows).enumerate() {
        let size = parameters[j].abs();
        let step = RELATIVE_STEP * if size > 0.0 { size } else { 1.0 };
        // What was really added and taken away, after rounding.
        let (high, low) = (parameters[j] + step, parameters[j] - step);
        at[j] = high;
        model.residuals(&at, column);
        at[j] = low;
        model.residuals(&at, &mut below);
        at[j] = parameters[j];
        for (above, lower) in column.iter_mut().zip(&below) {
            *above = (*above - lower) / (high - low);
        }
    }
}
