//! Writing a set of cards: photographs, requests and truth.

use super::layouts::OWN_LAYOUTS;
use super::set::{CardPhoto, CardSetPlan, CardStudio};
use crate::day::{MARKER, at, replace_folder, write_file};
use crate::error::SimulateError;
use rayon::prelude::*;
use std::fs;
use std::io::Write;
use std::path::Path;

const MARKER_TEXT: &str = "Every photograph in this folder is simulated: cards, people, blood.\n\
It proves nothing about any method and must never be reported for a person.\n\
truth/cards.jsonl holds what is true of it.\n";

/// Most cards of a set.
const MOST_CARDS: u64 = 100_000;
/// Most photographs of a card.
const MOST_PHOTOGRAPHS: u32 = 50;
/// Cards made side by side before they are written.
const BATCH: u64 = 16;

/// What was written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CardSetSummary {
    /// Cards.
    pub cards: u64,
    /// Photographs.
    pub photographs: u64,
    /// Circles on all cards, with blood or without.
    pub spots: u64,
    /// Bytes of all photographs.
    pub bytes: u64,
}

/// Writes a set of cards into `folder`, which must be absent, empty or simulated (then it is replaced). `progress` is
/// told the number of cards written so far. The same plan gives the same bytes whatever the number of threads.
///
/// # Errors
/// When the plan is outside its ranges, the folder holds something else, or a file cannot be written; the folder is
/// then what it was before.
pub fn write_cards(
    plan: &CardSetPlan,
    folder: &Path,
    progress: &dyn Fn(u64),
) -> Result<CardSetSummary, SimulateError> {
    check(plan)?;
    replace_folder(folder, |staging| write_into(plan, staging, progress))
}

fn check(plan: &CardSetPlan) -> Result<(), SimulateError> {
    let outside = |what, found: String, expected| {
        Err(SimulateError::OutsideRange {
            what,
            found,
            expected,
        })
    };
    if plan.cards == 0 || plan.cards > MOST_CARDS {
        return outside("number of cards", plan.cards.to_string(), "1 to 100 000");
    }
    if plan.repeat == 0 || plan.repeat > MOST_PHOTOGRAPHS {
        return outside("photographs of a card", plan.repeat.to_string(), "1 to 50");
    }
    match plan.width_px {
        Some(found) if !(300..=6000).contains(&found) => {
            outside("width of the photographs", found.to_string(), "300 to 6000 px")
        }
        _ => Ok(()),
    }
}

fn write_into(
    plan: &CardSetPlan,
    folder: &Path,
    progress: &dyn Fn(u64),
) -> Result<CardSetSummary, SimulateError> {
    let (photos, truth, designs) = (
        folder.join("photos"),
        folder.join("truth"),
        folder.join("layouts"),
    );
    for new in [&photos, &truth, &designs] {
        fs::create_dir_all(new).map_err(at(new))?;
    }
    write_file(&folder.join(MARKER), MARKER_TEXT.as_bytes())?;
    for (name, text) in OWN_LAYOUTS {
        write_file(&designs.join(format!("{name}.toml")), text.as_bytes())?;
    }
    let studio = CardStudio::new()?;
    let mut lines = Vec::new();
    let mut table = b"card,file,stage,photograph\n".to_vec();
    let mut summary = CardSetSummary {
        cards: 0,
        photographs: 0,
        spots: 0,
        bytes: 0,
    };
    let mut next = 1;
    while next <= plan.cards {
        let batch: Vec<u64> = (next..=plan.cards.min(next + BATCH - 1)).collect();
        next += BATCH;
        let written: Vec<Vec<CardPhoto>> = batch
            .par_iter()
            .map(|number| {
                let mut made = studio.photographs(plan, *number)?;
                for photograph in &mut made {
                    write_file(&photos.join(&photograph.truth.file), &photograph.bytes)?;
                    summary_only(photograph);
                }
                Ok(made)
            })
            .collect::<Result<_, SimulateError>>()?;
        for made in written {
            summary.cards += 1;
            summary.spots += made
                .first()
                .map_or(0, |photograph| photograph.truth.spots.len() as u64);
            for CardPhoto { bytes, truth } in made {
                summary.photographs += 1;
                summary.bytes += fs::metadata(photos.join(&truth.file)).map_err(at(&photos))?.len();
                drop(bytes);
                let stage = match truth.stage {
                    super::truth::PhotoStage::Before => "before",
                    super::truth::PhotoStage::After => "after",
                };
                writeln!(
                    table,
                    "{},{},{stage},{}",
                    truth.card, truth.file, truth.photograph
                )
                .map_err(at(folder))?;
                serde_json::to_writer(&mut lines, &truth)?;
                lines.push(b'\n');
            }
        }
        progress(summary.cards);
    }
    write_file(&folder.join("photos.csv"), &table)?;
    write_file(&truth.join("cards.jsonl"), &lines)?;
    Ok(summary)
}

/// Lets go of a written file's bytes, so that memory does not grow with the batch.
fn summary_only(photograph: &mut CardPhoto) {
    photograph.bytes = Vec::new();
}
