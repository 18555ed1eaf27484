//! A photograph to measured spots.
//!
//! ```text
//! bytes ─► photo ─► plane (card found, scaled, lit evenly) ─► patches ─► spots ─► suitability, site, volume, haematocrit
//! ```
//! [`patch::Patch`] is the hinge: what stands before it knows cameras, what stands after it knows blood.
//! [`look_at_photo`] does everything before the hinge.

mod identity;
mod light;
pub mod patch;
pub mod photo;
pub mod plane;
mod problems;
mod straighten;
mod view;

pub mod after;
pub mod haematocrit;
mod site;
pub mod spot;
pub mod suitability;
pub mod volume;

pub use identity::reconcile;
pub use view::{CardView, Crop, PhotoSettings, SpotWindow, look_at_photo};
