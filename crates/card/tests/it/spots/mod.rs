//! Spots: constructed patches with known geometry and graded faults.

mod closed_forms;
mod paint;
