//! Prints the table of damaged trace files for `docs/formats.md`.

#[path = "../tests/it/damaged_traces.rs"]
mod damaged_traces;

use std::io::Write;

fn main() -> std::io::Result<()> {
    std::io::stdout().write_all(damaged_traces::table().as_bytes())
}
