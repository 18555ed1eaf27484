//! A photograph to measured spots.
//!
//! ```text
//! bytes ─► photo ─► plane (card found, scaled, lit evenly) ─► patches ─► spots ─► suitability, site, volume, haematocrit
//! ```
//! [`patch::Patch`] is the hinge: what stands before it knows cameras, what stands after it knows blood.

pub mod patch;
pub mod photo;

pub mod haematocrit;
mod site;
pub mod spot;
pub mod suitability;
pub mod volume;
