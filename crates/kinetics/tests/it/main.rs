//! Tests against what lies outside the project.

#![allow(
    clippy::print_stdout,
    reason = "distances from references and skipped data are shown with --nocapture"
)]

mod attainment;
mod calibration;
mod cases;
mod map_checks;
mod models;
mod noncompartmental;
mod options;
mod people;
mod pooled_area;
mod population;
mod population_truth;
mod predictive_check;
mod properties;
mod simulated_patients;
mod structure_checks;
mod study_model;
mod support;
mod surprises;
