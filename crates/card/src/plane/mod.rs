//! Photograph to card plane: which layout, where, how turned, how sure.
//!
//! Guesses come from dark blobs that stand as a layout's marks do, from straight edges that enclose its shape, and from
//! dark rings; every guess is then held against the print itself, first on a small overview and then in full pixels. The
//! card's edge alone decides nothing where there is print: a shadow makes as good an edge as the card.

mod blobs;
mod correction;
mod evidence;
mod from_marks;
mod from_outline;
mod from_rings;
mod homography;
mod locate;
mod outline;
mod refine;

pub use homography::Homography;
pub(crate) use locate::{Located, bounds as window_bounds, locate};
pub(crate) use refine::Fate;

use correction::{Correction, Prior};
