//! Development tasks that plain cargo cannot do. `cargo xtask` lists them.

mod licences;
mod packages;

use std::env;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};

const USAGE: &str = "\
cargo xtask test        install what the tests need, then run every test
cargo xtask licences    check every dependency's licence and source against deny.toml, offline";

fn main() -> ExitCode {
    let outcome = match env::args().nth(1).as_deref() {
        Some("test") => test(),
        Some("licences") => licences::check(&root()),
        _ => Err(USAGE.to_owned()),
    };
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(message) => {
            complain(&message);
            ExitCode::FAILURE
        }
    }
}

fn test() -> Result<(), String> {
    packages::install_missing()?;
    run(Command::new(cargo())
        .args(["test", "--workspace", "--locked"])
        .current_dir(root()))
}

/// The workspace root: the parent of this package's folder.
fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .parent()
        .map_or_else(PathBuf::new, Path::to_path_buf)
}

fn cargo() -> String {
    env::var("CARGO").unwrap_or_else(|_| "cargo".to_owned())
}

fn run(command: &mut Command) -> Result<(), String> {
    let shown = format!("{command:?}");
    match command.status() {
        Ok(status) if status.success() => Ok(()),
        Ok(status) => Err(format!("{shown} ended with {status}")),
        Err(error) => Err(format!("{shown} did not start: {error}")),
    }
}

#[allow(clippy::print_stderr, reason = "a development task talks on the terminal")]
fn complain(message: &str) {
    eprintln!("{message}");
}

#[allow(clippy::print_stdout, reason = "a development task talks on the terminal")]
fn say(message: &str) {
    println!("{message}");
}
