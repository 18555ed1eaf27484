//! From bytes to windows on spots.

mod cards;
mod drawn;
mod hostile;
mod pictures;

use std::path::{Path, PathBuf};

fn corpus(part: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../corpus/images")
        .join(part)
}
