//! From a case to what its levels say: estimate, posterior, fit, and the evidence options rest on.

use super::case::Case;
use super::draws::Evidence;
use super::level::SystemicMatrix;
use super::regimen::number;
use crate::estimate::{
    EstimateError, Explanation, FitOptions, GoodnessOfFit, MapEstimate, MapOptions, Posterior,
    PosteriorOptions, SamplingMethod, assess_fit, estimate_map, sample_posterior,
};
use crate::likelihood::EffectLabel;
use crate::refusal::{Refusal, RefusalCode};

/// Everything the levels of a case say.
#[derive(Debug, Clone, PartialEq)]
pub struct Estimated {
    /// The most probable parameters.
    pub map: MapEstimate,
    /// Draws from the posterior.
    pub posterior: Posterior,
    /// How far the levels were to be expected.
    pub fit: GoodnessOfFit,
    /// What options rest on.
    pub evidence: Evidence,
}

/// Estimates a case; the same seed gives the same bits.
///
/// # Errors
/// A refusal when there is no level, the search does not end in a proven minimum, or the posterior cannot be sampled.
pub fn estimate_case<M: SystemicMatrix>(case: &Case<'_, M>, seed: u64) -> Result<Estimated, Refusal> {
    let problem = case.problem();
    if problem.observations.is_empty() {
        return Err(Refusal::new(
            RefusalCode::NoLevel,
            "there is no accepted level to interpret",
            "an accepted, converted level",
        ));
    }
    let not_converged = |error: EstimateError| {
        Refusal::new(
            RefusalCode::NotConverged,
            format!("the estimate did not converge: {error}"),
            "another level, or another model",
        )
    };
    let map = estimate_map(problem, &MapOptions::default()).map_err(not_converged)?;
    let sampling = PosteriorOptions {
        seed,
        ..PosteriorOptions::default()
    };
    let posterior = sample_posterior(problem, &map, &sampling).map_err(not_converged)?;
    let assessing = FitOptions {
        seed,
        ..FitOptions::default()
    };
    let fit = assess_fit(problem, &map, &assessing).map_err(not_converged)?;
    let evidence = Evidence::of(&posterior, &fit);
    Ok(Estimated {
        map,
        posterior,
        fit,
        evidence,
    })
}

impl Evidence {
    /// The evidence of a posterior and of how its levels fit.
    #[must_use]
    pub fn of(posterior: &Posterior, fit: &GoodnessOfFit) -> Self {
        let effective_draws = match posterior.method {
            SamplingMethod::Importance { effective, .. } | SamplingMethod::MarkovChains { effective, .. } => {
                effective
            }
        };
        Self {
            draws: posterior.draws.clone(),
            width: posterior.labels.len(),
            effective_draws,
            not_converged: None,
            surprises: surprises(fit),
        }
    }
}

fn surprises(fit: &GoodnessOfFit) -> Vec<String> {
    let levels = fit.levels.iter().filter(|level| level.surprising).map(|level| {
        let others = level
            .percentile_given_others
            .map_or_else(String::new, |percentile| {
                format!(
                    ", at the {} of what the other levels let expect",
                    ordinal(percentile)
                )
            });
        let may = fit
            .explanations
            .iter()
            .filter(|explained| explained.position == level.position && explained.ln_bayes_factor > 0.0)
            .take(3)
            .map(|explained| may_be(explained.explanation))
            .collect::<Vec<_>>();
        let may = if may.is_empty() {
            String::new()
        } else {
            format!("; it would be less surprising with {}", may.join(", or "))
        };
        format!(
            "the level of {} lies at the {} of what the model expected (median {}){others}{may}",
            number(level.reported),
            ordinal(level.prior_percentile),
            number(level.expected_median)
        )
    });
    let effects = fit
        .effects
        .iter()
        .filter(|effect| effect.surprising)
        .map(|effect| {
            let name = match effect.label {
                EffectLabel::Subject(name) => name.symbol(),
                _ => "an effect of one occasion or time",
            };
            format!(
                "{name} would lie {} standard deviations from typical",
                number(effect.standardised.abs())
            )
        });
    levels.chain(effects).collect()
}

fn ordinal(percentile: f64) -> String {
    format!("{percentile:.1}th percentile")
}

fn may_be(explanation: Explanation) -> String {
    match explanation {
        Explanation::WrongSamplingTime { shift_h } => {
            let when = if shift_h < 0.0 { "earlier" } else { "later" };
            format!("a sample drawn {} h {when}", number(shift_h.abs()))
        }
        Explanation::DosesMissed { count, .. } => format!("{count} missed dose(s)"),
        Explanation::PeakReadAsTrough { after_dose_h } => {
            format!(
                "a sample drawn {} h after the dose instead of before it",
                number(after_dose_h)
            )
        }
        Explanation::ContaminatedSample { factor } => {
            format!("drug on the finger or the card (a factor of {})", number(factor))
        }
        Explanation::WrongCard { .. } => "another person's card".to_owned(),
    }
}
