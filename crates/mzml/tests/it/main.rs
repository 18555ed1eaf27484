//! The mzML room against files and numbers from outside, against itself, and against damage.

mod damage;
mod numpress;
mod odd;
mod reference;
mod round_trip;
