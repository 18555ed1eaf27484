//! The assay room against published rules, reference fits and the laboratory's hard cases.

mod laboratory;
mod noise;

mod clean_runs;

mod rule_vectors;
