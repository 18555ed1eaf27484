//! The simulated days, from outside.

mod day;
mod faults;
mod signal;
