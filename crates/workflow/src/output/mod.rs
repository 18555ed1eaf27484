//! What a computed day leaves behind: `results.json`, `results.csv`, an HTML page a run.

pub(crate) mod csv;
pub(crate) mod folder;
pub(crate) mod json;
