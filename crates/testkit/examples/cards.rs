//! Holds `spotwright look` against the truth of simulated cards:
//!
//! ```text
//! spotwright simulate --scenario cards --cards 400 --seed 900001 --repeat 2 --out cards
//! spotwright look cards/photos --json > look.json
//! cargo run --release -p spotwright-testkit --example cards -- cards look.json
//! ```
#![allow(clippy::print_stdout, reason = "an example talks on the terminal")]

use spotwright_testkit::cards::{compare, read_look, read_truth};
use std::path::PathBuf;

fn main() -> std::io::Result<()> {
    let arguments: Vec<PathBuf> = std::env::args_os().skip(1).map(PathBuf::from).collect();
    let [folder, look] = arguments.as_slice() else {
        return Err(std::io::Error::other("expected: FOLDER LOOK.json"));
    };
    let truths = read_truth(&folder.join("truth").join("cards.jsonl"))?;
    println!("{}", compare(&truths, &read_look(look)?));
    Ok(())
}
