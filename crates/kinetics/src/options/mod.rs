//! What could be given next, with its odds, or why nothing is said. Never an instruction: a licensed person decides.

mod level;
mod target;

pub use level::{AcceptedConcentration, AcceptedValue, InterpretableLevel, SystemicMatrix};
pub use target::{Against, Drug, DrugTable, TargetQuantity, TargetRange, targets_from_toml};
