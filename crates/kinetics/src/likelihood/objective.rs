//! The objective: −2 ln of likelihood times prior, with exact gradients.
//!
//! O(η) = Σ over quantified [(y − f)²/v + ln v] + Σ over below-limit [−2 ln Φ((LLOQ − f)/√v)] + η'Ω⁻¹η, with f the
//! individual prediction and v the variance there (L. B. Sheiner, S. L. Beal, J. Pharm. Sci. 71 (1982) 1344-1348 for the
//! estimate; S. L. Beal, J. Pharmacokinet. Pharmacodyn. 28 (2001) 481-504, method M3, for levels below the limit).

use super::check::check_problem;
use super::error::ProblemError;
use super::level::{LevelTerm, level_term};
use super::observation::{Level, ResidualError};
use super::{Observation, Problem, RandomEffects};
use crate::structure::modal::{ModalPlan, ModalScratch};
use crate::structure::plan::{Plan, SampleRequest};
use crate::structure::propagate::{Outcome, Scratch, SegmentParameters, walk};
use crate::structure::{
    AtDoseTime, ParameterName, ParameterTimeline, Parameters, Structure, StructureError, TimeUncertainty,
};
use spotwright_numerics::cholesky::Cholesky;
use spotwright_numerics::dual::{Dual, Real};
use spotwright_numerics::special::{normal_cdf, normal_density};

/// What one entry of the vector of effects is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EffectLabel {
    /// η of a parameter.
    Subject(ParameterName),
    /// κ of a parameter on an occasion, counted from 0.
    Occasion(ParameterName, usize),
    /// Standard normal value behind an uncertain dose time (position in the list of doses).
    DoseTime(usize),
    /// Standard normal value behind an uncertain sample time (position in the list of observations).
    SampleTime(usize),
}

/// A problem made ready to be evaluated many times without allocating.
#[derive(Debug, Clone)]
pub struct Objective {
    structure: Structure,
    typical: ParameterTimeline,
    residual: ResidualError,
    observations: Vec<Observation>,
    labels: Vec<EffectLabel>,
    /// Widths of the uncertain times, in the order of their effects.
    widths: Vec<TimeUncertainty>,
    subject_effects: usize,
    /// Distinct parameters that vary, and for every η and κ which one it moves.
    names: Vec<ParameterName>,
    name_of_effect: Vec<usize>,
    /// Ω⁻¹ and the other prior precisions, row by row over all effects; variances beside.
    precision: Vec<f64>,
    variances: Vec<f64>,
    prior_factor: Cholesky,
    ln_determinant: f64,
    plan: Plan,
    modal: Option<ModalPlan>,
    room: Room,
}

/// Scratch and the latest results.
#[derive(Debug, Clone, Default)]
struct Room {
    modal: ModalScratch,
    plain: Lanes<f64>,
    four: Lanes<Dual<4>>,
    eight: Lanes<Dual<8>>,
    concentrations: Vec<f64>,
    by_name: Vec<f64>,
    predictions: Vec<f64>,
    sensitivities: Vec<f64>,
    terms: Vec<LevelTerm>,
}

#[derive(Debug, Clone, Default)]
struct Lanes<R> {
    scratch: Scratch<R>,
    outcome: Outcome<R>,
    parameters: Vec<SegmentParameters<R>>,
    latent_h: Vec<R>,
}

impl Objective {
    /// Checks the problem and puts its events in order.
    ///
    /// # Errors
    /// Whatever makes no sense in the problem.
    pub fn new(problem: &Problem) -> Result<Self, ProblemError> {
        check_problem(problem)?;
        let effects = &problem.effects;
        let mut labels = effect_labels(effects);
        let subject_effects = effects.between_subject.len();
        let parameter_effects = labels.len();
        let mut widths = Vec::new();
        let dose_latents: Vec<Option<usize>> = problem
            .history
            .doses
            .iter()
            .enumerate()
            .map(|(i, dose)| {
                latent(
                    dose.time_uncertainty,
                    EffectLabel::DoseTime(i),
                    &mut labels,
                    &mut widths,
                )
            })
            .collect();
        let samples: Vec<SampleRequest> = problem
            .observations
            .iter()
            .enumerate()
            .map(|(i, observation)| SampleRequest {
                time_h: observation.time_h,
                side: AtDoseTime::Before,
                latent: latent(
                    observation.time_uncertainty,
                    EffectLabel::SampleTime(i),
                    &mut labels,
                    &mut widths,
                ),
            })
            .collect();
        let plan = Plan::new(
            &problem.structure,
            &problem.typical,
            &effects.occasion_starts_h,
            &problem.history,
            &dose_latents,
            &samples,
            &[],
        )?;
        let mut names: Vec<ParameterName> = Vec::new();
        let name_of_effect = labels[..parameter_effects]
            .iter()
            .filter_map(|label| match label {
                EffectLabel::Subject(name) | EffectLabel::Occasion(name, _) => Some(*name),
                EffectLabel::DoseTime(_) | EffectLabel::SampleTime(_) => None,
            })
            .map(|name| {
                names.iter().position(|known| *known == name).unwrap_or_else(|| {
                    names.push(name);
                    names.len() - 1
                })
            })
            .collect();
        let size = labels.len();
        let covariance = prior_covariance(effects, size);
        let prior_factor =
            Cholesky::new(&covariance, size).ok_or(ProblemError::CovarianceNotPositiveDefinite)?;
        Ok(Self {
            structure: problem.structure,
            typical: problem.typical.clone(),
            residual: problem.residual,
            observations: problem.observations.clone(),
            labels,
            widths,
            subject_effects,
            names,
            name_of_effect,
            precision: prior_factor.inverse(),
            variances: (0..size).map(|i| covariance[i * size + i]).collect(),
            ln_determinant: prior_factor.ln_determinant(),
            prior_factor,
            modal: ModalPlan::new(&plan),
            plan,
            room: Room::default(),
        })
    }

    /// Entries of the vector of effects.
    #[must_use]
    pub fn size(&self) -> usize {
        self.labels.len()
    }

    /// What each entry is.
    #[must_use]
    pub fn labels(&self) -> &[EffectLabel] {
        &self.labels
    }

    /// Prior variance of each entry.
    #[must_use]
    pub fn prior_variances(&self) -> &[f64] {
        &self.variances
    }

    /// Factor of the prior covariance of all entries.
    #[must_use]
    pub fn prior_factor(&self) -> &Cholesky {
        &self.prior_factor
    }

    /// The observations, in the problem's order.
    #[must_use]
    pub fn observations(&self) -> &[Observation] {
        &self.observations
    }

    /// The residual error of one observation.
    #[must_use]
    pub fn residual_of(&self, observation: &Observation) -> ResidualError {
        observation.residual.unwrap_or(self.residual)
    }

    /// Whether the objective can have several minima that matter: saturable elimination, censored levels, uncertain times.
    #[must_use]
    pub fn is_strongly_nonlinear(&self) -> bool {
        self.structure.elimination != crate::structure::Elimination::Linear
            || !self.widths.is_empty()
            || self
                .observations
                .iter()
                .any(|observation| !matches!(observation.level, Level::Quantified { .. }))
    }

    /// What O leaves out of −2 ln (likelihood · prior): `n_quantified·ln 2π + p·ln 2π + ln det Ω`.
    #[must_use]
    pub fn left_out_constant(&self) -> f64 {
        let quantified = self
            .observations
            .iter()
            .filter(|observation| matches!(observation.level, Level::Quantified { .. }))
            .count();
        let ln_two_pi = libm::log(2.0 * std::f64::consts::PI);
        (quantified + self.size()) as f64 * ln_two_pi + self.ln_determinant
    }

    /// O(effects).
    ///
    /// # Errors
    /// A vector of the wrong length, predictions that are not finite, or a level where nothing is predicted.
    pub fn value(&mut self, effects: &[f64]) -> Result<f64, ProblemError> {
        self.check_effects(effects)?;
        self.predict(effects, false)?;
        Ok(self.room.terms.iter().map(|term| term.value).sum::<f64>() + self.prior(effects))
    }

    /// η'Ω⁻¹η over all effects.
    #[must_use]
    pub fn prior(&self, effects: &[f64]) -> f64 {
        let size = self.size();
        let mut sum = 0.0;
        for (row, effect) in self.precision.chunks_exact(size.max(1)).zip(effects) {
            let inner: f64 = row.iter().zip(effects).map(|(p, e)| p * e).sum();
            sum += effect * inner;
        }
        sum
    }

    /// O(effects), its exact gradient and its expected (Fisher) curvature, row by row, which is positive definite.
    ///
    /// # Errors
    /// As [`value`](Self::value).
    pub fn value_gradient_curvature(
        &mut self,
        effects: &[f64],
        gradient: &mut [f64],
        curvature: &mut [f64],
    ) -> Result<f64, ProblemError> {
        let value = self.value_gradient(effects, gradient)?;
        let size = self.size();
        for (slot, precision) in curvature.iter_mut().zip(&self.precision) {
            *slot = 2.0 * precision;
        }
        for (term, row) in self
            .room
            .terms
            .iter()
            .zip(self.room.sensitivities.chunks_exact(size.max(1)))
        {
            for i in 0..size {
                let weighted = term.curvature * row[i];
                for j in 0..=i {
                    curvature[i * size + j] += weighted * row[j];
                }
            }
        }
        for i in 0..size {
            for j in 0..i {
                curvature[j * size + i] = curvature[i * size + j];
            }
        }
        Ok(value)
    }

    /// O(effects) and its exact gradient.
    ///
    /// # Errors
    /// As [`value`](Self::value).
    pub fn value_gradient(&mut self, effects: &[f64], gradient: &mut [f64]) -> Result<f64, ProblemError> {
        self.check_effects(effects)?;
        self.predict(effects, true)?;
        let size = self.size();
        let mut value = 0.0;
        for ((slot, row), effect) in gradient
            .iter_mut()
            .zip(self.precision.chunks_exact(size.max(1)))
            .zip(effects)
        {
            let inner: f64 = row.iter().zip(effects).map(|(p, e)| p * e).sum();
            *slot = 2.0 * inner;
            value += effect * inner;
        }
        for (term, row) in self
            .room
            .terms
            .iter()
            .zip(self.room.sensitivities.chunks_exact(size.max(1)))
        {
            value += term.value;
            for (slot, sensitivity) in gradient.iter_mut().zip(row) {
                *slot += term.slope * sensitivity;
            }
        }
        Ok(value)
    }

    /// Predictions of the latest evaluation, each on its own sample's matrix.
    #[must_use]
    pub fn predictions(&self) -> &[f64] {
        &self.room.predictions
    }

    /// Derivatives of the predictions by the effects from the latest gradient evaluation: a row an observation.
    #[must_use]
    pub fn sensitivities(&self) -> &[f64] {
        &self.room.sensitivities
    }

    /// What each parameter of a person is multiplied by, occasions aside: exp(η).
    #[must_use]
    pub fn subject_factors(&self, effects: &[f64]) -> Parameters {
        let mut factors = Parameters::new();
        for (label, effect) in self.labels.iter().zip(effects) {
            if let EffectLabel::Subject(name) = label {
                factors.set(*name, libm::exp(*effect));
            }
        }
        factors
    }

    /// A person's parameters over time, occasions aside: typical · exp(η).
    #[must_use]
    pub fn individual(&self, effects: &[f64]) -> ParameterTimeline {
        let mut individual = self.typical.clone();
        for (name, factor) in self.subject_factors(effects).iter() {
            individual = individual.scaled(name, factor);
        }
        individual
    }

    fn check_effects(&self, effects: &[f64]) -> Result<(), ProblemError> {
        if effects.len() == self.size() && effects.iter().all(|effect| effect.is_finite()) {
            Ok(())
        } else {
            Err(ProblemError::EffectsMalformed {
                expected: self.size(),
                found: effects.len(),
            })
        }
    }

    /// Predictions, their derivatives when wanted, and every level's term.
    fn predict(&mut self, effects: &[f64], derivatives: bool) -> Result<(), ProblemError> {
        let (size, count) = (self.size(), self.observations.len());
        self.room.predictions.resize(count, 0.0);
        self.room.sensitivities.resize(count * size, 0.0);
        if !self.predict_by_modes(effects, derivatives) {
            self.predict_by_walk(effects, derivatives)?;
        }
        self.room.terms.clear();
        for (position, observation) in self.observations.iter().enumerate() {
            let residual = observation.residual.as_ref().unwrap_or(&self.residual);
            let term = level_term(observation, residual, self.room.predictions[position])
                .ok_or(ProblemError::NothingPredicted { position })?;
            if !(term.value.is_finite() && term.slope.is_finite()) {
                return Err(StructureError::NotFinite.into());
            }
            self.room.terms.push(term);
        }
        Ok(())
    }

    /// The quick form; `false` when it does not serve.
    fn predict_by_modes(&mut self, effects: &[f64], derivatives: bool) -> bool {
        let Some(modal) = &self.modal else {
            return false;
        };
        let count = self.observations.len();
        let mut values = self.typical.knots[0].values;
        let mut exponents = [0.0; 12];
        for (effect, name) in effects.iter().zip(&self.name_of_effect) {
            exponents[*name] += effect;
        }
        for (name, exponent) in self.names.iter().zip(exponents) {
            if let Some(value) = values.get(*name) {
                values.set(*name, value * libm::exp(exponent));
            }
        }
        let room = &mut self.room;
        room.concentrations.resize(count, 0.0);
        let names: &[ParameterName] = if derivatives { &self.names } else { &[] };
        room.by_name.resize(count * names.len(), 0.0);
        let answered = modal.evaluate(
            &values,
            names,
            &mut room.modal,
            &mut room.concentrations,
            &mut [],
            &mut room.by_name,
        );
        if !answered || !room.concentrations.iter().all(|c| c.is_finite()) {
            return false;
        }
        for (i, observation) in self.observations.iter().enumerate() {
            let ratio = observation.matrix_ratio;
            room.predictions[i] = ratio * room.concentrations[i];
            if derivatives {
                let size = self.name_of_effect.len();
                let row = &mut room.sensitivities[i * size..(i + 1) * size];
                let by_name = &room.by_name[i * names.len()..(i + 1) * names.len()];
                for (slot, name) in row.iter_mut().zip(&self.name_of_effect) {
                    *slot = ratio * by_name[*name];
                }
            }
        }
        true
    }

    fn predict_by_walk(&mut self, effects: &[f64], derivatives: bool) -> Result<(), StructureError> {
        let size = self.size();
        let mut room = std::mem::take(&mut self.room);
        let mut result = Ok(());
        if !derivatives || size == 0 {
            result = self.walk_lanes(effects, &mut room.plain, |_, value| value);
            store(
                &room.plain.outcome.concentrations,
                &self.observations,
                0,
                size,
                &mut room.predictions,
                &mut room.sensitivities,
                |_| &[],
            );
        } else if size <= 4 {
            result = self.walk_lanes(effects, &mut room.four, |effect, value| {
                Dual::variable(value, effect)
            });
            store(
                &room.four.outcome.concentrations,
                &self.observations,
                0,
                size,
                &mut room.predictions,
                &mut room.sensitivities,
                |dual| &dual.derivatives,
            );
        } else {
            for first in (0..size).step_by(8) {
                result = self.walk_lanes(effects, &mut room.eight, |effect, value| {
                    // Effects of other chunks are constants in this one.
                    Dual::variable(value, effect.wrapping_sub(first))
                });
                if result.is_err() {
                    break;
                }
                store(
                    &room.eight.outcome.concentrations,
                    &self.observations,
                    first,
                    size,
                    &mut room.predictions,
                    &mut room.sensitivities,
                    |dual| &dual.derivatives,
                );
            }
        }
        self.room = room;
        result
    }

    fn walk_lanes<R: Real>(
        &self,
        effects: &[f64],
        lanes: &mut Lanes<R>,
        seed: impl Fn(usize, f64) -> R,
    ) -> Result<(), StructureError> {
        let occasion_effects = self.occasion_effects();
        lanes.parameters.clear();
        for (segment, place) in self.plan.segments.iter().enumerate() {
            let mut exponents = [None; 12];
            let first = self.subject_effects + place.occasion * occasion_effects;
            let own = (0..self.subject_effects).chain(first..first + occasion_effects);
            for effect in own {
                let name = self.names[self.name_of_effect[effect]] as usize;
                let value = seed(effect, effects[effect]);
                exponents[name] = Some(exponents[name].map_or(value, |sum: R| sum + value));
            }
            lanes.parameters.push(SegmentParameters::new(
                &self.plan,
                &self.typical,
                segment,
                |name| exponents[name as usize].map_or(R::constant(1.0), R::exp),
            ));
        }
        lanes.latent_h.clear();
        let parameter_effects = self.name_of_effect.len();
        for (i, width) in self.widths.iter().enumerate() {
            let effect = parameter_effects + i;
            let z = effects[effect];
            lanes.latent_h.push(match *width {
                TimeUncertainty::Normal { sd_h } => seed(effect, z) * sd_h,
                TimeUncertainty::Uniform { half_width_h } => {
                    // h·(2Φ(z) − 1), its slope carried by z's own direction.
                    let slope = 2.0 * half_width_h * normal_density(z);
                    let value = half_width_h * (2.0 * normal_cdf(z) - 1.0);
                    (seed(effect, z) - z) * slope + value
                }
            });
        }
        walk(
            &self.plan,
            &lanes.parameters,
            &lanes.latent_h,
            &mut lanes.scratch,
            &mut lanes.outcome,
        )
    }

    fn occasion_effects(&self) -> usize {
        self.labels
            .iter()
            .filter(|label| matches!(label, EffectLabel::Occasion(_, 0)))
            .count()
    }
}

/// Copies one chunk's concentrations and derivatives to the rows of all effects.
fn store<'a, R: Real + 'a>(
    concentrations: &'a [R],
    observations: &[Observation],
    first: usize,
    size: usize,
    predictions: &mut [f64],
    sensitivities: &mut [f64],
    derivatives: impl Fn(&'a R) -> &'a [f64],
) {
    for (i, (concentration, observation)) in concentrations.iter().zip(observations).enumerate() {
        let ratio = observation.matrix_ratio;
        predictions[i] = ratio * concentration.value();
        let row = &mut sensitivities[i * size..(i + 1) * size];
        for (slot, derivative) in row.iter_mut().skip(first).zip(derivatives(concentration)) {
            *slot = ratio * derivative;
        }
    }
}

fn effect_labels(effects: &RandomEffects) -> Vec<EffectLabel> {
    let subject = effects
        .between_subject
        .iter()
        .map(|name| EffectLabel::Subject(*name));
    let occasions = (0..effects.occasions()).flat_map(|occasion| {
        effects
            .between_occasion
            .iter()
            .map(move |effect| EffectLabel::Occasion(effect.parameter, occasion))
    });
    subject.chain(occasions).collect()
}

fn latent(
    uncertainty: Option<TimeUncertainty>,
    label: EffectLabel,
    labels: &mut Vec<EffectLabel>,
    widths: &mut Vec<TimeUncertainty>,
) -> Option<usize> {
    uncertainty.map(|width| {
        labels.push(label);
        widths.push(width);
        widths.len() - 1
    })
}

/// Covariance of all effects: Ω, the occasions' variances, 1 for every uncertain time.
fn prior_covariance(effects: &RandomEffects, size: usize) -> Vec<f64> {
    let subject = effects.between_subject.len();
    let mut covariance = vec![0.0; size * size];
    for i in 0..size {
        covariance[i * size + i] = 1.0;
    }
    for i in 0..subject {
        for j in 0..subject {
            covariance[i * size + j] = effects.covariance[i * subject + j];
        }
    }
    let per_occasion = effects.between_occasion.len();
    for occasion in 0..effects.occasions() {
        for (k, effect) in effects.between_occasion.iter().enumerate() {
            let i = subject + occasion * per_occasion + k;
            covariance[i * size + i] = effect.sd_log * effect.sd_log;
        }
    }
    covariance
}
