//! Words and strokes for spots and photographs.

use crate::words::Mark;
use spotwright_domain::card::{Finding, Identity, LookRecord, NameSource, Need, SpotRecord, Suitability};
use spotwright_domain::reason::Severity;

/// How a verdict is drawn: its mark, and the dashes of its outline, so that colour is never the only signal.
pub(super) struct Style {
    pub(super) mark: Mark,
    /// `stroke-dasharray` in millimetres; empty: solid.
    pub(super) dashes: &'static str,
}

pub(super) fn spot_style(spot: &SpotRecord) -> Style {
    match (spot.finding, spot.suitability) {
        (Finding::Empty, _) => Style {
            mark: mark("n", "–", "no blood"),
            dashes: "0.3 0.9",
        },
        (Finding::NotMeasurable, _) => Style {
            mark: mark("x", "✕", "not measurable"),
            dashes: "0.3 0.9",
        },
        (_, verdict) => Style {
            mark: suitability_mark(verdict),
            dashes: match verdict {
                Suitability::Suitable => "",
                Suitability::SuitableWithComment => "1.6 0.7",
                Suitability::Unsuitable => "0.4 0.7",
            },
        },
    }
}

fn mark(letter: &'static str, shape: &'static str, word: &'static str) -> Mark {
    Mark { letter, shape, word }
}

fn suitability_mark(verdict: Suitability) -> Mark {
    match verdict {
        Suitability::Suitable => mark("a", "✓", "suitable"),
        Suitability::SuitableWithComment => mark("c", "▲", "with comment"),
        Suitability::Unsuitable => mark("x", "✕", "unsuitable"),
    }
}

pub(super) fn need_heading(need: Need) -> (&'static str, &'static str) {
    match need {
        Need::Identity => (
            "Stopped: whose card is it?",
            "Names on the card, the file and the request disagree, or another card was extracted. Nothing of these cards is used until a person has looked.",
        ),
        Need::Extraction => (
            "The extraction went wrong",
            "The disc was taken from another spot, from none, or lies on bare paper: extract again before a result is used.",
        ),
        Need::AnotherPhoto => (
            "Another photograph needed",
            "The photograph was refused, not the card.",
        ),
        Need::AnotherCard => (
            "No spot can be used",
            "Ask for another card today, with the reason.",
        ),
        Need::Comment => (
            "Usable, with something to read first",
            "The result will carry the comment.",
        ),
        Need::Nothing => ("Usable", "Nothing to do."),
    }
}

/// What the photograph after extraction says, and what is wrong with it.
pub(super) fn after_line(of: &LookRecord) -> Option<String> {
    let after = of.after.as_ref()?;
    let mut line = format!("After extraction ({}):", after.file);
    match &after.extraction {
        Some(extraction) => {
            let shape = suitability_mark(extraction.suitability).shape;
            line += &format!(" {shape} {}", extraction.sentence());
            for reason in &extraction.reasons {
                line += &format!(" {}", reason.text);
            }
        }
        None => line += " ✕ Nothing can be said of the extraction.",
    }
    for problem in &after.problems {
        if problem.severity >= Severity::Comment {
            line += &format!(" {}", problem.text);
        }
    }
    Some(line)
}

/// Whose card, in a sentence.
pub(super) fn identity_sentence(of: &LookRecord) -> String {
    match &of.identity {
        Identity::Agreed { card, .. } => format!("Card {card}"),
        Identity::NotConfirmed { card: Some(card) } => {
            format!("Card {card} by name only: no code was read")
        }
        Identity::NotConfirmed { card: None } => "Nothing names this card".to_owned(),
        Identity::Conflict { names } => {
            let names: Vec<String> = names
                .iter()
                .map(|named| {
                    let by = match named.by {
                        NameSource::Code => "code",
                        NameSource::FileName => "file name",
                        NameSource::Request => "request",
                    };
                    format!("{by} says {}", named.name)
                })
                .collect();
            format!("Conflict: {}", names.join(", "))
        }
    }
}
