//! Words and strokes for spots and photographs.

use crate::words::Mark;
use spotwright_domain::card::{Finding, Identity, LookRecord, NameSource, Need, SpotRecord, Suitability};

/// How a verdict is drawn: its mark, and the dashes of its outline, so that colour is never the only signal.
pub(super) struct Style {
    pub(super) mark: Mark,
    /// `stroke-dasharray` in millimetres; empty: solid.
    pub(super) dashes: &'static str,
}

pub(super) fn spot_style(spot: &SpotRecord) -> Style {
    let mark = |letter, shape, word| Mark { letter, shape, word };
    match (spot.finding, spot.suitability) {
        (Finding::Empty, _) => Style {
            mark: mark("n", "–", "no blood"),
            dashes: "0.3 0.9",
        },
        (Finding::NotMeasurable, _) => Style {
            mark: mark("x", "✕", "not measurable"),
            dashes: "0.3 0.9",
        },
        (_, Suitability::Suitable) => Style {
            mark: mark("a", "✓", "suitable"),
            dashes: "",
        },
        (_, Suitability::SuitableWithComment) => Style {
            mark: mark("c", "▲", "with comment"),
            dashes: "1.6 0.7",
        },
        (_, Suitability::Unsuitable) => Style {
            mark: mark("x", "✕", "unsuitable"),
            dashes: "0.4 0.7",
        },
    }
}

pub(super) fn need_heading(need: Need) -> (&'static str, &'static str) {
    match need {
        Need::Identity => (
            "Stopped: whose card is it?",
            "Names on the card, the file and the request disagree. Nothing of these cards is used until a person has looked.",
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
