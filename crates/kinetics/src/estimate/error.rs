//! Why there is no estimate.

use crate::likelihood::ProblemError;

/// An estimate that cannot be given.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum EstimateError {
    /// The problem makes no sense, or has no value at the start.
    #[error(transparent)]
    Problem(#[from] ProblemError),
    /// The search did not settle from any start.
    #[error(
        "the search did not converge from {starts} starts: after {iterations} iterations the objective could still \
         fall by {decrement}"
    )]
    NotConverged {
        /// Starts tried.
        starts: usize,
        /// Iterations of the last one.
        iterations: usize,
        /// What a Newton step still promised there (half of gᵀH⁻¹g).
        decrement: f64,
    },
    /// The search settled where the curvature is not positive in every direction.
    #[error("the search settled at a point that is not a minimum: the Hessian is not positive definite")]
    NotAMinimum,
    /// A problem without random effects has no posterior to draw from.
    #[error("the problem has no random effect: there is nothing to draw")]
    NoEffects,
    /// Draws were asked for, but too few.
    #[error("{found} draws asked for; expected at least {least}")]
    TooFewDraws {
        /// Draws asked for.
        found: usize,
        /// Draws needed.
        least: usize,
    },
    /// Neither importance sampling nor the Markov chains gave a usable posterior.
    #[error(
        "the posterior could not be sampled: effective sample size {effective:.0} by importance, split R-hat \
         {split_r_hat:.3} by Markov chains"
    )]
    PosteriorNotSampled {
        /// Effective sample size of the importance sample.
        effective: f64,
        /// Split R-hat of the worst effect.
        split_r_hat: f64,
    },
    /// Fewer than two models to compare, or weights that are no probabilities.
    #[error("model weights need at least {least} models with prior weights above zero, found {found}")]
    ModelWeights {
        /// Models found.
        found: usize,
        /// Models needed.
        least: usize,
    },
}
