//! Photographs of cards with known truth: blood on paper, print, camera, light.
//!
//! ```text
//! seed ─► draw (what is on the card) ─► face (paper, print, spots; the true outlines) ─► photo (camera, light) ─► file
//! ```
//! Everything up to the sensor is linear light. What is true is described in `docs/truth.md`.

mod barcode;
mod blood;
mod camera;
mod day_cards;
mod draw;
mod drop;
mod encode;
mod extraction;
mod face;
mod fault;
mod lay;
mod layouts;
mod light;
mod measure;
mod photo;
mod print;
mod scene;
mod session;
mod set;
mod shape;
mod sheet;
mod surroundings;
mod texture;
mod truth;
mod write;

pub use barcode::Symbology;
pub(crate) use day_cards::photograph_cards;
pub use encode::FileForm;
pub use extraction::Taking;
pub use fault::{Grade, PhotoFault, PlannedFault, SpotFault, Suitability};
pub use set::{CardPhoto, CardSetPlan, CardStudio};
pub use surroundings::Background;
pub use truth::{
    BarcodeTruth, CameraTruth, ExtractionFault, ExtractionTruth, FaultSeverity, OutlineTruth, PhotoStage,
    PhotoTruth, SpotTruth,
};
pub use write::{CardSetSummary, write_cards};
