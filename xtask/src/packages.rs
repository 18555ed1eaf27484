//! Debian packages that tests need, installed when missing.

use crate::{run, say};
use std::process::{Command, Stdio};

/// A program that a test starts, and the Debian package it comes in.
const NEEDED: [(&str, &str); 1] = [("chromium", "chromium")];

/// Installs what is missing. On a system without `apt-get` it says what is missing and goes on: the tests that need
/// it then say that they were skipped.
pub(crate) fn install_missing() -> Result<(), String> {
    let missing: Vec<&str> = NEEDED
        .iter()
        .filter(|(program, _)| !starts(program))
        .map(|(_, package)| *package)
        .collect();
    if missing.is_empty() {
        return Ok(());
    }
    if !starts("apt-get") {
        say(&format!(
            "no apt-get here; tests that need {} will say that they were skipped",
            missing.join(", ")
        ));
        return Ok(());
    }
    say(&format!("installing {}", missing.join(", ")));
    run(Command::new("apt-get").args(["update", "-qq"]))?;
    run(Command::new("apt-get")
        .args(["install", "-y", "-qq", "--no-install-recommends"])
        .args(&missing)
        .env("DEBIAN_FRONTEND", "noninteractive")
        .stdout(Stdio::null()))
}

fn starts(program: &str) -> bool {
    Command::new(program)
        .arg("--version")
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .is_ok()
}
