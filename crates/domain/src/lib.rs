//! The language: quantities with units, matrices, identifiers, traces, verdicts, versioned stage records.
//!
//! This room knows nobody. It computes nothing that needs a method or a file: it says what things *are*.

pub mod trace;
