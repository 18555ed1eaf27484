//! Studies simulated from a population: the same persons, doses and times, new random effects and errors.

use super::PredictiveCheckError;
use crate::likelihood::{Observation, ResidualError};
use crate::population::{Person, PopulationValues, Study};
use crate::structure::{AtDoseTime, Course, ParameterName, ParameterTimeline, Parameters, TimelineKnot};
use spotwright_numerics::cholesky::Cholesky;
use spotwright_numerics::random::RandomStream;

/// A study ready to be simulated again and again.
pub(super) struct Simulator<'s> {
    persons: Vec<Prepared<'s>>,
    effects: Vec<ParameterName>,
    factor: Cholesky,
    residual: ResidualError,
    seed: u64,
}

struct Prepared<'s> {
    observations: &'s [Observation],
    timeline: ParameterTimeline,
    course: Course,
}

impl<'s> Simulator<'s> {
    pub(super) fn new(
        study: &'s Study<'_>,
        values: &PopulationValues,
        seed: u64,
    ) -> Result<Self, PredictiveCheckError> {
        let effects: Vec<ParameterName> = study
            .effects
            .iter()
            .flat_map(|block| block.parameters.iter().copied())
            .collect();
        let factor =
            Cholesky::new(&values.covariance, effects.len()).ok_or(PredictiveCheckError::Covariance)?;
        let persons = study.persons.iter().map(|person| prepare(study, values, person));
        Ok(Self {
            persons: persons.collect::<Result<_, _>>()?,
            effects,
            factor,
            residual: values.residual,
            seed,
        })
    }

    /// Predictions without random effects, on each sample's matrix, person by person.
    pub(super) fn typical(&mut self) -> Result<Vec<f64>, PredictiveCheckError> {
        let mut predictions = Vec::new();
        for person in &mut self.persons {
            predictions.extend(person.run(&Parameters::new())?);
        }
        Ok(predictions)
    }

    /// The levels of one simulated study, in the order of persons and samples. A level may be below zero: the laboratory would call it
    /// below its limit.
    pub(super) fn levels(&mut self, number: u64) -> Result<Vec<f64>, PredictiveCheckError> {
        let mut random = RandomStream::new(self.seed, number);
        let mut levels = Vec::new();
        let mut normal = vec![0.0; self.effects.len()];
        let mut eta = vec![0.0; self.effects.len()];
        for person in &mut self.persons {
            random.fill_normal(&mut normal);
            self.factor.multiply_lower(&normal, &mut eta);
            let mut factors = Parameters::new();
            for (name, eta) in self.effects.iter().zip(&eta) {
                factors.set(*name, libm::exp(*eta));
            }
            let predictions = person.run(&factors)?;
            for (observation, prediction) in person.observations.iter().zip(predictions) {
                let residual = observation.residual.unwrap_or(self.residual);
                levels.push(with_error(
                    prediction,
                    &residual,
                    observation.extra_variance,
                    random.normal(),
                ));
            }
        }
        Ok(levels)
    }
}

impl Prepared<'_> {
    fn run(&mut self, factors: &Parameters) -> Result<Vec<f64>, PredictiveCheckError> {
        let course = self.course.run(&self.timeline, factors);
        course.map_err(|error| PredictiveCheckError::Prediction {
            why: error.to_string(),
        })?;
        let pairs = self.course.concentrations().iter().zip(self.observations);
        Ok(pairs
            .map(|(concentration, observation)| concentration * observation.matrix_ratio)
            .collect())
    }
}

fn prepare<'s>(
    study: &Study<'_>,
    values: &PopulationValues,
    person: &'s Person,
) -> Result<Prepared<'s>, PredictiveCheckError> {
    let prediction = |why| PredictiveCheckError::Prediction { why };
    let mut knots = Vec::with_capacity(person.covariates.len());
    for knot in &person.covariates {
        let typical = study.typical.typical(&values.coefficients, &knot.values);
        knots.push(TimelineKnot {
            from_h: knot.from_h,
            values: typical.map_err(prediction)?,
        });
    }
    let timeline = ParameterTimeline {
        knots,
        between: study.between_knots,
    };
    let observations = person.observations.as_slice();
    let times: Vec<(f64, AtDoseTime)> = observations
        .iter()
        .map(|observation| (observation.time_h, AtDoseTime::Before))
        .collect();
    let course = Course::new(&study.structure, &timeline, &person.history, &times, &[]);
    Ok(Prepared {
        observations,
        course: course.map_err(|error| prediction(error.to_string()))?,
        timeline,
    })
}

fn with_error(prediction: f64, residual: &ResidualError, extra_variance: f64, normal: f64) -> f64 {
    match *residual {
        ResidualError::Combined {
            additive_sd,
            proportional_sd,
        } => {
            let proportional = proportional_sd * prediction;
            let variance = additive_sd * additive_sd + proportional * proportional + extra_variance;
            prediction + variance.sqrt() * normal
        }
        ResidualError::Log { sigma } => {
            let relative = if prediction > 0.0 {
                extra_variance / (prediction * prediction)
            } else {
                0.0
            };
            prediction * libm::exp((sigma * sigma + relative).sqrt() * normal)
        }
    }
}
