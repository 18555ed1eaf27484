//! Spots: constructed patches with known geometry and graded faults.

mod after;
mod blood;
mod closed_forms;
mod paint;
mod pictures;
mod reasons;
