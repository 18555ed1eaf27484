//! From levels to a person's parameters: the most probable ones, their uncertainty, and whether the levels fit at all.

mod error;
mod map;
mod optimum;

pub use error::EstimateError;
pub use map::{MapEstimate, MapOptions, OtherMinimum, Starts, estimate_map};
