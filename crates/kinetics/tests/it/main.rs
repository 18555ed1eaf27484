//! Tests against what lies outside the project.

mod map_checks;
mod models;
mod noncompartmental;
mod pooled_area;
mod structure_checks;
mod support;
