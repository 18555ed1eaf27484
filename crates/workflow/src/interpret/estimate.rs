//! One candidate model brought to a person's levels: minimum, posterior, fit.

use super::answer::sentence;
use super::person::PersonCase;
use spotwright_kinetics::estimate::{
    Explanation, FitOptions, GoodnessOfFit, MapEstimate, MapOptions, Posterior, PosteriorOptions,
    SamplingMethod, assess_fit, estimate_map, sample_posterior, weigh_models,
};
use spotwright_kinetics::model::Model;
use spotwright_kinetics::options::{Case, Evidence, InterpretableLevel, SystemicMatrix};
use spotwright_kinetics::refusal::{Refusal, RefusalCode};

/// A model and all it says of a person.
pub(super) struct Estimated<'m, M: SystemicMatrix> {
    pub(super) case: Case<'m, M>,
    pub(super) prior: f64,
    /// Weight among the candidates, set by [`weigh`].
    pub(super) weight: f64,
    pub(super) map: MapEstimate,
    pub(super) posterior: Posterior,
    pub(super) fit: GoodnessOfFit,
    pub(super) evidence: Evidence,
}

/// Estimates a person by one model.
pub(super) fn estimate<'m, M: SystemicMatrix>(
    case: &PersonCase,
    model: &'m Model,
    prior: f64,
    levels: &[InterpretableLevel<M>],
) -> Result<Estimated<'m, M>, Vec<Refusal>> {
    let known = Case::new(model, &case.person, &case.doses, levels, case.decision_h)?;
    let problem = known.problem();
    let not_converged = |error: &dyn std::fmt::Display| {
        vec![Refusal::new(
            RefusalCode::NotConverged,
            format!("model {}: {error}", model.id),
            "another level, or another model",
        )]
    };
    let map = estimate_map(problem, &MapOptions::default()).map_err(|error| not_converged(&error))?;
    let options = PosteriorOptions {
        seed: case.seed,
        ..PosteriorOptions::default()
    };
    let posterior = sample_posterior(problem, &map, &options).map_err(|error| not_converged(&error))?;
    let fit = assess_fit(
        problem,
        &map,
        &FitOptions {
            seed: case.seed,
            ..FitOptions::default()
        },
    )
    .map_err(|error| not_converged(&error))?;
    let evidence = Evidence {
        draws: posterior.draws.clone(),
        width: posterior.labels.len(),
        effective_draws: effective(&posterior.method),
        not_converged: None,
        surprises: surprises(&fit, &known),
    };
    Ok(Estimated {
        case: known,
        prior,
        weight: 1.0,
        map,
        posterior,
        fit,
        evidence,
    })
}

/// Weighs the candidates by how well each predicted the levels; gives the heaviest's place.
pub(super) fn weigh<M: SystemicMatrix>(candidates: &mut [Estimated<'_, M>]) -> Option<usize> {
    if candidates.len() > 1 {
        let likelihoods: Vec<(f64, f64)> = candidates
            .iter()
            .map(|candidate| (candidate.prior, candidate.posterior.ln_marginal_likelihood))
            .collect();
        if let Ok(weights) = weigh_models(&likelihoods) {
            for weight in weights {
                candidates[weight.position].weight = weight.weight;
            }
        }
    }
    (0..candidates.len()).max_by(|a, b| {
        candidates[*a]
            .weight
            .total_cmp(&candidates[*b].weight)
            .then(b.cmp(a))
    })
}

fn effective(method: &SamplingMethod) -> f64 {
    match method {
        SamplingMethod::Importance { effective, .. } | SamplingMethod::MarkovChains { effective, .. } => {
            *effective
        }
    }
}

impl<M: SystemicMatrix> Estimated<'_, M> {
    /// How the posterior was made, in a sentence.
    pub(super) fn method_sentence(&self) -> String {
        match self.posterior.method {
            SamplingMethod::Importance { rounds, .. } => format!(
                "Most probable person found with proof, then importance sampling in {rounds} round{}.",
                if rounds == 1 { "" } else { "s" }
            ),
            SamplingMethod::MarkovChains {
                split_r_hat,
                importance_effective,
                ..
            } => format!(
                "Markov chains (split R-hat {split_r_hat:.3}), since importance sampling gave only \
                 {importance_effective:.0} effective draws."
            ),
        }
    }
}

/// Every surprising level and effect, each in a sentence with its most probable explanation.
fn surprises<M: SystemicMatrix>(fit: &GoodnessOfFit, case: &Case<'_, M>) -> Vec<String> {
    let mut found = Vec::new();
    for level in fit.levels.iter().filter(|level| level.surprising) {
        let reported = level.reported;
        let unit = case.model().concentration_unit.display();
        let mut text = format!(
            "the level {reported:.3} {unit} lies at percentile {:.1} of what the model expected for these doses",
            level.prior_percentile
        );
        if let Some(explained) = fit
            .explanations
            .iter()
            .find(|explained| explained.position == level.position)
        {
            text += "; most probable explanation: ";
            text += &explanation(explained.explanation);
        }
        found.push(sentence(&text));
    }
    for effect in fit.effects.iter().filter(|effect| effect.surprising) {
        found.push(sentence(&format!(
            "the person would have to lie {:.1} standard deviations from people of these covariates",
            effect.standardised
        )));
    }
    found
}

/// An explanation in words. It is a question to ask, never a finding.
pub(super) fn explanation(of: Explanation) -> String {
    match of {
        Explanation::WrongSamplingTime { shift_h } => format!(
            "drawn {:.1} h {} than stated",
            shift_h.abs(),
            if shift_h > 0.0 { "later" } else { "earlier" }
        ),
        Explanation::DosesMissed { count: 1, .. } => "the dose before it was not taken".to_owned(),
        Explanation::DosesMissed { count, .. } => format!("the {count} doses before it were not taken"),
        Explanation::PeakReadAsTrough { after_dose_h } => {
            format!("drawn {after_dose_h:.1} h after the dose instead of before it")
        }
        Explanation::ContaminatedSample { factor } => {
            format!("drug on the finger or card ({factor:.1} times what was expected)")
        }
        Explanation::WrongCard { factor } => {
            format!("another person's card ({factor:.1} times what was expected)")
        }
    }
}
