//! Prints the table of broken days for `docs/formats.md`.

#[path = "../tests/it/broken_days.rs"]
mod broken_days;
#[path = "../tests/it/tiny_day.rs"]
mod tiny_day;

use std::io::Write;

fn main() -> std::io::Result<()> {
    std::io::stdout().write_all(broken_days::table().as_bytes())
}
