//! Spots: constructed patches with known geometry and graded faults.

mod after;
mod beside_print;
mod blood;
mod closed_forms;
mod paint;
mod pictures;
mod reasons;
