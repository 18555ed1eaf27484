//! One candidate model brought to a person's levels: minimum, posterior, fit.

use super::person::PersonCase;
use spotwright_kinetics::estimate::{
    Explanation, GoodnessOfFit, MapEstimate, Posterior, SamplingMethod, weigh_models,
};
use spotwright_kinetics::model::Model;
use spotwright_kinetics::options::{Case, Evidence, InterpretableLevel, SystemicMatrix, estimate_case};
use spotwright_kinetics::refusal::Refusal;

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
    let estimated = estimate_case(&known, case.seed).map_err(|refusal| vec![refusal])?;
    Ok(Estimated {
        case: known,
        prior,
        weight: 1.0,
        map: estimated.map,
        posterior: estimated.posterior,
        fit: estimated.fit,
        evidence: estimated.evidence,
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
