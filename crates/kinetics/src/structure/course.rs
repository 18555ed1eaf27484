//! Concentrations and areas that a dose history makes.

use super::Structure;
use super::dose::{AtDoseTime, DoseHistory};
use super::error::StructureError;
use super::modal::{ModalPlan, ModalScratch};
use super::parameter::{ParameterName, Parameters};
use super::plan::{Plan, SampleRequest};
use super::propagate::{Outcome, Scratch, SegmentParameters, walk};
use super::timeline::ParameterTimeline;
use spotwright_numerics::dual::{Dual, Real};

/// Directions differentiated in one walk.
const LANES: usize = 4;

/// One history and one set of questions, answered for many parameter values without allocating again.
#[derive(Debug, Clone)]
pub struct Course {
    plan: Plan,
    modal: Option<ModalPlan>,
    modal_scratch: ModalScratch,
    scratch: Scratch<f64>,
    outcome: Outcome<f64>,
    parameters: Vec<SegmentParameters<f64>>,
}

impl Course {
    /// Concentrations at `times_h` (with the side of a dose at the same time) and areas under the concentration over
    /// `areas_h`, from each beginning to its end.
    ///
    /// # Errors
    /// Whatever makes no sense in the structure, its parameters, the doses or the times.
    pub fn new(
        structure: &Structure,
        timeline: &ParameterTimeline,
        history: &DoseHistory,
        times_h: &[(f64, AtDoseTime)],
        areas_h: &[(f64, f64)],
    ) -> Result<Self, StructureError> {
        let samples: Vec<SampleRequest> = times_h
            .iter()
            .map(|(time_h, side)| SampleRequest {
                time_h: *time_h,
                side: *side,
                latent: None,
            })
            .collect();
        let plan = Plan::new(structure, timeline, &[], history, &[], &samples, areas_h)?;
        Ok(Self {
            modal: ModalPlan::new(&plan),
            outcome: Outcome {
                concentrations: vec![0.0; plan.samples],
                areas: vec![0.0; plan.areas],
            },
            plan,
            modal_scratch: ModalScratch::default(),
            scratch: Scratch::default(),
            parameters: Vec::new(),
        })
    }

    /// Computes for these values: each of `timeline` times its factor, 1 where `factors` gives none. The timeline must
    /// have its knots at the times it was made for.
    ///
    /// # Errors
    /// A regimen without a steady state, or results that are not finite.
    pub fn run(&mut self, timeline: &ParameterTimeline, factors: &Parameters) -> Result<(), StructureError> {
        let factor = |name| factors.get(name).unwrap_or(1.0);
        if let Some(modal) = &self.modal {
            let mut values = timeline.knots[0].values;
            for (name, value) in timeline.knots[0].values.iter() {
                values.set(name, value * factor(name));
            }
            let answered = modal.evaluate(
                &values,
                &[],
                &mut self.modal_scratch,
                &mut self.outcome.concentrations,
                &mut self.outcome.areas,
                &mut [],
            );
            let outcome = &self.outcome;
            if answered
                && outcome
                    .concentrations
                    .iter()
                    .chain(&outcome.areas)
                    .all(|v| v.is_finite())
            {
                return Ok(());
            }
        }
        self.parameters.clear();
        for segment in 0..self.plan.segments.len() {
            self.parameters
                .push(SegmentParameters::new(&self.plan, timeline, segment, factor));
        }
        walk(
            &self.plan,
            &self.parameters,
            &[],
            &mut self.scratch,
            &mut self.outcome,
        )
    }

    /// Concentrations of the latest run, in the order of the times, in the structure's concentration unit.
    #[must_use]
    pub fn concentrations(&self) -> &[f64] {
        &self.outcome.concentrations
    }

    /// Areas of the latest run, concentration unit times hours.
    #[must_use]
    pub fn areas(&self) -> &[f64] {
        &self.outcome.areas
    }
}

/// Concentrations at these times; a sample exactly at a dose's time is taken before it.
///
/// # Errors
/// Whatever makes no sense in the structure, its parameters, the doses or the times.
pub fn predict(
    structure: &Structure,
    timeline: &ParameterTimeline,
    history: &DoseHistory,
    times_h: &[f64],
) -> Result<Vec<f64>, StructureError> {
    let times: Vec<_> = times_h.iter().map(|t| (*t, AtDoseTime::Before)).collect();
    let mut course = Course::new(structure, timeline, history, &times, &[])?;
    course.run(timeline, &Parameters::new())?;
    Ok(course.outcome.concentrations)
}

/// Areas under the concentration between these times, analytic where the kinetics are linear.
///
/// # Errors
/// Whatever makes no sense in the structure, its parameters, the doses or the times.
pub fn areas_under_concentration(
    structure: &Structure,
    timeline: &ParameterTimeline,
    history: &DoseHistory,
    areas_h: &[(f64, f64)],
) -> Result<Vec<f64>, StructureError> {
    let mut course = Course::new(structure, timeline, history, &[], areas_h)?;
    course.run(timeline, &Parameters::new())?;
    Ok(course.outcome.areas)
}

/// Concentrations with their derivatives.
#[derive(Debug, Clone, PartialEq)]
pub struct PredictionGradient {
    /// Concentration at every time.
    pub concentrations: Vec<f64>,
    /// Derivative of every concentration by the natural log of every named parameter: a row a time.
    pub by_ln_parameter: Vec<f64>,
}

/// Concentrations at these times with derivatives by the natural logs of parameters (all knots of a parameter together).
///
/// # Errors
/// Whatever makes no sense in the structure, its parameters, the doses or the times.
pub fn predict_with_gradient(
    structure: &Structure,
    timeline: &ParameterTimeline,
    history: &DoseHistory,
    times_h: &[(f64, AtDoseTime)],
    names: &[ParameterName],
) -> Result<PredictionGradient, StructureError> {
    let course = Course::new(structure, timeline, history, times_h, &[])?;
    let mut gradient = PredictionGradient {
        concentrations: vec![0.0; times_h.len()],
        by_ln_parameter: vec![0.0; times_h.len() * names.len()],
    };
    if let Some(modal) = &course.modal {
        let answered = modal.evaluate(
            &timeline.knots[0].values,
            names,
            &mut ModalScratch::default(),
            &mut gradient.concentrations,
            &mut [],
            &mut gradient.by_ln_parameter,
        );
        let finite = |values: &[f64]| values.iter().all(|v| v.is_finite());
        if answered && finite(&gradient.concentrations) && finite(&gradient.by_ln_parameter) {
            return Ok(gradient);
        }
    }
    let mut scratch = Scratch::default();
    let mut outcome = Outcome::default();
    let first_lanes = 0..names.len().div_ceil(LANES).max(1);
    for first in first_lanes.map(|chunk| chunk * LANES) {
        let factor = |name: ParameterName| {
            let direction = names.iter().position(|n| *n == name);
            match direction {
                Some(n) if n >= first && n < first + LANES => Dual::<LANES>::variable(1.0, n - first),
                _ => Dual::constant(1.0),
            }
        };
        let parameters: Vec<_> = (0..course.plan.segments.len())
            .map(|segment| SegmentParameters::new(&course.plan, timeline, segment, factor))
            .collect();
        walk(&course.plan, &parameters, &[], &mut scratch, &mut outcome)?;
        for (i, concentration) in outcome.concentrations.iter().enumerate() {
            gradient.concentrations[i] = concentration.value;
            for n in first..names.len().min(first + LANES) {
                gradient.by_ln_parameter[i * names.len() + n] = concentration.derivatives[n - first];
            }
        }
    }
    Ok(gradient)
}
