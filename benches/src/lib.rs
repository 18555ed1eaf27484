//! How fast a laboratory day is run, against the cost of its decoding alone.
//!
//! The floor F is base64-decoding and inflating the arrays of a day's trace files and nothing else, with the fastest
//! published Rust decoders, on one thread, from bytes already in memory. No program that computes from the same
//! files can be faster than F unless its decoders are. See `benches/README.md`.

pub mod child;
pub mod clock;
pub mod floor;
pub mod inflaters;
pub mod payload;
pub mod spread;
