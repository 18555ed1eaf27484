//! A population model from a study's own data.
//!
//! The estimator is first-order conditional estimation with interaction: each person's likelihood is the Laplace integral over its
//! random effects at their conditional mode, with the expected curvature in place of the true one, where the residual variance may
//! depend on those effects (M. L. Lindstrom, D. M. Bates, Biometrics 46 (1990) 673-687; Y. Wang, J. Pharmacokinet. Pharmacodyn.
//! 34 (2007) 575-593). It was chosen before stochastic approximation (SAEM) because
//!
//! * it is a function of the data and the start alone: no random numbers, so the same study gives the same bits;
//! * its minimum can be proven or refused: gradient and curvature of the very function that is minimised are at hand;
//! * standard errors and likelihood differences come from that function, without a second estimate by sampling;
//! * a drug-monitoring study has tens of persons with several levels each, where its bias is small; the tests measure it.
//!
//! Where it is not the right tool, and says so: with one sparse level a person, or most levels below the limit, the expansion
//! around the mode is poor, which high shrinkage shows.

mod fit;
mod fitted_model;
mod individual;
mod level;
mod objective;
mod packing;
mod predict;
mod result;
mod search;
mod study;
mod study_model;
mod symmetric;

pub use fit::{PopulationOptions, empirical_bayes, estimate_population};
pub use result::{ConvergenceProof, Estimate, PersonEstimate, PopulationError, PopulationFit, Shrinkage};
pub use study::{
    Coefficient, CoefficientScale, CovariateKnot, EffectBlock, Person, PopulationValues, ResidualPart, Study,
    StudyError, StudyResidual, TypicalValues,
};
pub use study_model::{StudyModel, StudyModelError};
