//! The assay room against published rules, reference fits and the laboratory's hard cases.
#![expect(
    clippy::print_stdout,
    reason = "measured coverage and skipped references are shown with --nocapture"
)]

mod laboratory;
mod noise;

mod calibration_reference;
mod clean_runs;
mod conversion;
mod coverage;

mod drop_and_refit;
mod hard_cases;
mod rule_vectors;
