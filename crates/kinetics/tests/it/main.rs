//! Tests against what lies outside the project.

mod noncompartmental;
mod pooled_area;
mod support;
