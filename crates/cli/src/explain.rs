//! `spotwright explain`: one number's whole derivation.

use crate::arguments::Explain;
use crate::outcome::Outcome;
use crate::print::{complain, say};
use crate::problems;
use spotwright_workflow::explain::{Explanation, explain as derive};
use std::path::{Path, PathBuf};

/// Columns a line may take.
const WIDTH: usize = 100;

/// Explains a result.
pub(crate) fn explain(arguments: &Explain) -> Outcome {
    let Some(day) = arguments.day.clone().or_else(day_here) else {
        complain("This folder holds no injections.csv and no demo-day; name the laboratory day with --day.");
        return Outcome::BadInput;
    };
    match derive(&day, &arguments.result) {
        Err(error) => problems::tell(&error),
        Ok(explanation) => {
            say(&if arguments.json {
                serde_json::to_string_pretty(&explanation).unwrap_or_default()
            } else {
                text(&explanation)
            });
            Outcome::Accepted
        }
    }
}

fn day_here() -> Option<PathBuf> {
    [".", "demo-day"]
        .map(Path::new)
        .into_iter()
        .find(|folder| folder.join("injections.csv").exists())
        .map(Path::to_owned)
}

fn text(explanation: &Explanation) -> String {
    let mut text = format!("{}\n", explanation.result);
    for (number, step) in explanation.steps.iter().enumerate() {
        text.push_str(&format!("\n{}. {}\n", number + 1, step.title));
        for line in &step.lines {
            text.push_str(&wrapped(line, 3));
        }
    }
    text.trim_end().to_owned()
}

/// A line folded at spaces, indented; continuation lines two further.
fn wrapped(line: &str, indent: usize) -> String {
    let mut folded = String::new();
    let mut current = " ".repeat(indent);
    let mut empty = true;
    for word in line.split(' ') {
        if !empty && current.chars().count() + 1 + word.chars().count() > WIDTH {
            folded.push_str(&current);
            folded.push('\n');
            current = " ".repeat(indent + 2);
            empty = true;
        }
        if !empty {
            current.push(' ');
        }
        current.push_str(word);
        empty = false;
    }
    folded.push_str(&current);
    folded.push('\n');
    folded
}
