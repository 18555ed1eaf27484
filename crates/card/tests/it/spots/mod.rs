//! Spots: constructed patches with known geometry and graded faults.

mod after;
mod closed_forms;
mod paint;
mod pictures;
mod reasons;
