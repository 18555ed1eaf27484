//! From levels to a person's parameters: the most probable ones, their uncertainty, and whether the levels fit at all.

mod chains;
mod error;
mod map;
mod optimum;
mod posterior;

pub use error::EstimateError;
pub use map::{MapEstimate, MapOptions, OtherMinimum, Starts, estimate_map};
pub use posterior::{Posterior, PosteriorOptions, SamplingMethod, sample_posterior};
