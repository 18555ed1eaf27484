//! From levels to a person's parameters: the most probable ones, their uncertainty, and whether the levels fit at all.

mod averaging;
mod chains;
mod error;
mod explanation;
mod fit;
mod map;
mod optimum;
mod posterior;

pub use averaging::{Mixture, ModelWeight, mix_draws, weigh_models};
pub use error::EstimateError;
pub use explanation::{Explained, Explanation};
pub use fit::{EffectFit, FitOptions, GoodnessOfFit, LevelFit, assess_fit};
pub use map::{MapEstimate, MapOptions, OtherMinimum, Starts, estimate_map};
pub use posterior::{Posterior, PosteriorOptions, SamplingMethod, sample_posterior};
