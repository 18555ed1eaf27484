//! The mzML room against files and numbers from outside.

mod reference;
mod round_trip;
