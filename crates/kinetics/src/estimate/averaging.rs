//! Two or more models for one person: weights by how well each predicted the levels, and how far they disagree.
//!
//! Weights are posterior model probabilities, prior weight times marginal likelihood (J. A. Hoeting, D. Madigan, A. E. Raftery,
//! C. T. Volinsky, Statist. Sci. 14 (1999) 382-417); the variance of a mixture splits into the mean within models and the variance
//! between them (the same, equation 3).

use super::error::EstimateError;

/// One model's weight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ModelWeight {
    /// Position in the list.
    pub position: usize,
    /// Weight before the levels, normalised.
    pub prior: f64,
    /// Weight after them; the weights sum to 1.
    pub weight: f64,
    /// ln of this model's marginal likelihood less the best one's.
    pub ln_ratio_to_best: f64,
}

/// Weighs models by (prior weight, ln marginal likelihood of the same levels).
///
/// # Errors
/// Fewer than two models, or prior weights and likelihoods that are no usable numbers.
pub fn weigh_models(models: &[(f64, f64)]) -> Result<Vec<ModelWeight>, EstimateError> {
    let usable = models
        .iter()
        .filter(|(prior, ln)| prior.is_finite() && *prior > 0.0 && ln.is_finite())
        .count();
    if usable < models.len().max(2) {
        return Err(EstimateError::ModelWeights {
            found: usable,
            least: models.len().max(2),
        });
    }
    let best = models.iter().map(|(_, ln)| *ln).fold(f64::NEG_INFINITY, f64::max);
    let prior_total: f64 = models.iter().map(|(prior, _)| prior).sum();
    let raw: Vec<f64> = models
        .iter()
        .map(|(prior, ln)| prior / prior_total * libm::exp(ln - best))
        .collect();
    let total: f64 = raw.iter().sum();
    Ok(models
        .iter()
        .zip(&raw)
        .enumerate()
        .map(|(position, ((prior, ln), raw))| ModelWeight {
            position,
            prior: prior / prior_total,
            weight: raw / total,
            ln_ratio_to_best: ln - best,
        })
        .collect())
}

/// One quantity under several models together.
#[derive(Debug, Clone, PartialEq)]
pub struct Mixture {
    /// Mean over models and draws.
    pub mean: f64,
    /// Each model's own median.
    pub medians: Vec<f64>,
    /// Share (0 to 1) of the total variance that lies between the models: near 0 they agree, near 1 the answer depends on
    /// which model is true.
    pub between_share: f64,
    /// Every draw with its weight; the weights sum to 1.
    pub weighted_draws: Vec<(f64, f64)>,
}

/// Mixes draws of one quantity, a list a model, in the order of the weights.
///
/// # Errors
/// Lists that do not match the weights, or an empty one.
pub fn mix_draws(weights: &[ModelWeight], draws: &[Vec<f64>]) -> Result<Mixture, EstimateError> {
    let usable = draws.iter().filter(|list| !list.is_empty()).count();
    if usable != weights.len() || draws.len() != weights.len() {
        return Err(EstimateError::ModelWeights {
            found: usable,
            least: weights.len(),
        });
    }
    let means: Vec<f64> = draws
        .iter()
        .map(|list| list.iter().sum::<f64>() / list.len() as f64)
        .collect();
    let mean: f64 = weights.iter().zip(&means).map(|(w, mean)| w.weight * mean).sum();
    let (mut within, mut between) = (0.0, 0.0);
    let mut weighted_draws = Vec::new();
    let mut medians = Vec::new();
    for ((weight, list), own) in weights.iter().zip(draws).zip(&means) {
        let spread: f64 = list.iter().map(|x| (x - own) * (x - own)).sum::<f64>() / list.len() as f64;
        within += weight.weight * spread;
        between += weight.weight * (own - mean) * (own - mean);
        let share = weight.weight / list.len() as f64;
        weighted_draws.extend(list.iter().map(|x| (*x, share)));
        let mut sorted = list.clone();
        sorted.sort_by(f64::total_cmp);
        medians.push(0.5 * (sorted[(sorted.len() - 1) / 2] + sorted[sorted.len() / 2]));
    }
    let total = within + between;
    Ok(Mixture {
        mean,
        medians,
        between_share: if total > 0.0 { between / total } else { 0.0 },
        weighted_draws,
    })
}
