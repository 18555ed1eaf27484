//! What could be given next, with its odds, or why nothing is said. Never an instruction: a licensed person decides.
//!
//! The way is one: an accepted concentration of blood or plasma ([`AcceptedConcentration`]) becomes a level
//! ([`InterpretableLevel`]), levels meet a model and a dose history in a [`Case`], [`estimate_case`] draws from its
//! posterior, and [`offer`] turns that into options or refusals.

pub mod aminoglycoside;
pub mod attainment;
mod case;
mod draws;
mod estimated;
mod forecast;
mod level;
mod loading;
mod offer;
mod quick_normal;
mod regimen;
pub mod saturable;
mod saturable_forecast;
mod target;

pub use case::Case;
pub use draws::{Evidence, LEAST_EFFECTIVE_DRAWS};
pub use estimated::{Estimated, estimate_case};
pub use level::{AcceptedConcentration, AcceptedValue, InterpretableLevel, SystemicMatrix};
pub use loading::Loading;
pub use offer::{Answer, CRITERION, DoseOption, NOT_AN_ORDER, TOXIC_PROBABILITY, TargetOdds, Wanted, offer};
pub use regimen::Regimen;
pub use target::{Against, Drug, DrugTable, TargetQuantity, TargetRange, targets_from_toml};
