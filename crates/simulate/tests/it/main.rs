//! The simulated days, from outside.

mod cards;
mod day;
mod faults;
mod signal;
