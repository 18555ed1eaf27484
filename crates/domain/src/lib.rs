//! The language: quantities with units, matrices, identifiers, traces, verdicts, versioned stage records.
//!
//! This room knows nobody. It computes nothing that needs a method or a file: it says what things *are*.

pub mod card;
pub mod case;
pub mod concentration;
pub mod conversion;
pub mod digest;
pub mod figures;
pub mod identifier;

pub mod injection;
pub mod interpretation;
pub mod matrix;
pub mod method;
pub mod peak;
pub mod plot;
pub mod quantity;
pub mod reason;
pub mod record;
pub mod request;
pub mod stage;
pub mod target;
pub mod trace;
pub mod ucum;
