//! Refuses a problem that makes no sense, before any arithmetic.

use super::error::ProblemError;
use super::level::reported;
use super::observation::{Level, ResidualError};
use super::{Observation, Problem, RandomEffects};
use crate::structure::TimeUncertainty;

pub(crate) fn check_problem(problem: &Problem) -> Result<(), ProblemError> {
    check_effects(problem)?;
    check_residual(&problem.residual)?;
    for (position, dose) in problem.history.doses.iter().enumerate() {
        check_width("dose", position, dose.time_uncertainty)?;
    }
    if problem
        .history
        .steady_state
        .is_some_and(|steady| steady.dose.time_uncertainty.is_some())
    {
        return Err(ProblemError::SteadyStateTimeUncertain);
    }
    for (position, observation) in problem.observations.iter().enumerate() {
        check_observation(position, observation)?;
        check_dosed(problem, position, observation)?;
    }
    Ok(())
}

fn check_effects(problem: &Problem) -> Result<(), ProblemError> {
    let RandomEffects {
        between_subject,
        covariance,
        between_occasion,
        ..
    } = &problem.effects;
    let size = between_subject.len();
    if covariance.len() != size * size {
        return Err(ProblemError::CovarianceSize {
            effects: size,
            expected: size * size,
            found: covariance.len(),
        });
    }
    for i in 0..size {
        for j in 0..i {
            let (a, b) = (covariance[i * size + j], covariance[j * size + i]);
            if (a - b).abs() > 1e-12 * (a.abs() + b.abs()) {
                return Err(ProblemError::CovarianceNotPositiveDefinite);
            }
        }
    }
    for (i, name) in between_subject.iter().enumerate() {
        if between_subject[..i].contains(name) {
            return Err(ProblemError::EffectTwice { name: *name });
        }
    }
    for (i, effect) in between_occasion.iter().enumerate() {
        if between_occasion[..i]
            .iter()
            .any(|other| other.parameter == effect.parameter)
        {
            return Err(ProblemError::EffectTwice {
                name: effect.parameter,
            });
        }
        if !(effect.sd_log.is_finite() && effect.sd_log > 0.0) {
            return Err(ProblemError::OccasionSdOutOfRange {
                name: effect.parameter,
                found: effect.sd_log,
            });
        }
    }
    let names = between_subject
        .iter()
        .copied()
        .chain(between_occasion.iter().map(|effect| effect.parameter));
    for name in names {
        if problem
            .typical
            .knots
            .iter()
            .any(|knot| knot.values.get(name).is_none())
        {
            return Err(ProblemError::EffectWithoutParameter { name });
        }
    }
    Ok(())
}

/// What is wrong with a residual error: the number's name, the number, what was expected.
fn residual_fault(residual: &ResidualError) -> Option<(&'static str, f64, &'static str)> {
    let fine = |sd: f64| sd.is_finite() && sd >= 0.0;
    match *residual {
        ResidualError::Combined {
            additive_sd,
            proportional_sd,
        } => {
            if !fine(additive_sd) {
                Some(("additive SD", additive_sd, "a finite number of at least zero"))
            } else if !fine(proportional_sd) {
                Some((
                    "proportional SD",
                    proportional_sd,
                    "a finite number of at least zero",
                ))
            } else if additive_sd + proportional_sd <= 0.0 {
                Some(("total SD", 0.0, "an additive or a proportional part above zero"))
            } else {
                None
            }
        }
        ResidualError::Log { sigma } => {
            (!(sigma.is_finite() && sigma > 0.0)).then_some(("sigma", sigma, "a finite number above zero"))
        }
    }
}

fn check_residual(residual: &ResidualError) -> Result<(), ProblemError> {
    residual_fault(residual).map_or(Ok(()), |(what, found, expected)| {
        Err(ProblemError::ResidualOutOfRange {
            what,
            found,
            expected,
        })
    })
}

fn check_observation(position: usize, observation: &Observation) -> Result<(), ProblemError> {
    let refuse = |what, found, expected| {
        Err(ProblemError::ObservationOutOfRange {
            position,
            what,
            found,
            expected,
        })
    };
    if let Some(residual) = &observation.residual
        && let Some((what, found, expected)) = residual_fault(residual)
    {
        return refuse(what, found, expected);
    }
    if !observation.time_h.is_finite() {
        return refuse("time (h)", observation.time_h, "a finite number");
    }
    let level = reported(&observation.level);
    if !(level.is_finite() && level > 0.0) {
        return refuse("level or limit", level, "a finite number above zero");
    }
    let extra = observation.extra_variance;
    if !(extra.is_finite() && extra >= 0.0) {
        return refuse("variance", extra, "a finite number of at least zero");
    }
    let ratio = observation.matrix_ratio;
    if !(ratio.is_finite() && ratio > 0.0) {
        return refuse("matrix ratio", ratio, "a finite number above zero");
    }
    check_width("observation", position, observation.time_uncertainty)
}

fn check_width(
    whose: &'static str,
    position: usize,
    uncertainty: Option<TimeUncertainty>,
) -> Result<(), ProblemError> {
    let found = match uncertainty {
        None => return Ok(()),
        Some(TimeUncertainty::Normal { sd_h }) => sd_h,
        Some(TimeUncertainty::Uniform { half_width_h }) => half_width_h,
    };
    if found.is_finite() && found > 0.0 {
        Ok(())
    } else {
        Err(ProblemError::TimeWidthOutOfRange {
            whose,
            position,
            found,
        })
    }
}

/// A quantified level needs a dose before it (one that may lie later by its uncertainty counts).
fn check_dosed(problem: &Problem, position: usize, observation: &Observation) -> Result<(), ProblemError> {
    if matches!(observation.level, Level::BelowLimit { .. }) || problem.history.steady_state.is_some() {
        return Ok(());
    }
    let Some(first_dose_h) = problem
        .history
        .doses
        .iter()
        .filter(|dose| dose.amount > 0.0)
        .map(|dose| dose.time_h)
        .min_by(f64::total_cmp)
    else {
        return Err(ProblemError::LevelWithoutDose { position });
    };
    if observation.time_h <= first_dose_h && observation.time_uncertainty.is_none() {
        return Err(ProblemError::LevelBeforeFirstDose {
            position,
            time_h: observation.time_h,
            first_dose_h,
        });
    }
    Ok(())
}
