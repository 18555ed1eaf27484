//! One photograph, looked at: what `spotwright look` writes and a report shows.

use super::extraction::{AfterRecord, ExtractionRecord};
use super::photo::{Barcode, CardPlace, Identity, PhotoFormat, PhotoProblem};
use super::reason::{SpotReason, SpotReasonCode};
use super::record::{CardRecord, CardUse, Suitability};
use crate::reason::Severity;
use serde::{Deserialize, Serialize};

/// Version of the record layout; rises when a field changes meaning.
pub const LOOK_VERSION: u32 = 1;

/// One photograph and everything that was found on it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LookRecord {
    /// [`LOOK_VERSION`].
    pub version: u32,
    /// The file, as it was named.
    pub file: String,
    /// SHA-256 of the file's bytes (hexadecimal); `None`: it could not be read.
    pub sha256: Option<String>,
    /// What kind of file; `None`: not an image that is read.
    pub format: Option<PhotoFormat>,
    /// Width and height of the upright photograph (px).
    pub size_px: Option<[u32; 2]>,
    /// Simulated photograph: every page says so.
    pub simulated: bool,
    /// Where the card lies; `None`: no card could be located.
    pub place: Option<CardPlace>,
    /// Codes read.
    pub barcodes: Vec<Barcode>,
    /// Whose card it is.
    pub identity: Identity,
    /// What is wrong with the photograph, heaviest first.
    pub problems: Vec<PhotoProblem>,
    /// The spots; `None`: the photograph was refused and the problems say why.
    pub card: Option<CardRecord>,
    /// The photograph after extraction, when there is one.
    #[serde(default)]
    pub after: Option<AfterRecord>,
}

/// How much a photograph needs a person: the order of a day's sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Need {
    /// The card is stopped: whose it is is not certain.
    Identity,
    /// The extraction went wrong: another spot, none, or bare paper.
    Extraction,
    /// The photograph was refused: another is needed.
    AnotherPhoto,
    /// No spot can be used: another card is needed.
    AnotherCard,
    /// A spot can be used, and somebody should read a comment first.
    Comment,
    /// Nothing to do.
    Nothing,
}

impl Need {
    /// Every need, most urgent first.
    pub const ALL: [Self; 6] = [
        Self::Identity,
        Self::Extraction,
        Self::AnotherPhoto,
        Self::AnotherCard,
        Self::Comment,
        Self::Nothing,
    ];
}

impl LookRecord {
    /// What the photograph after extraction says.
    #[must_use]
    pub fn extraction(&self) -> Option<&ExtractionRecord> {
        self.after.as_ref()?.extraction.as_ref()
    }

    /// What the photograph needs of a person.
    #[must_use]
    pub fn need(&self) -> Need {
        if matches!(self.identity, Identity::Conflict { .. }) {
            return Need::Identity;
        }
        if let Some(extraction) = self.extraction() {
            let is_another_card = |reason: &SpotReason| reason.code == SpotReasonCode::WrongCard;
            if extraction.reasons.iter().any(is_another_card) {
                return Need::Identity;
            }
            if extraction.suitability == Suitability::Unsuitable {
                return Need::Extraction;
            }
        }
        let Some(card) = &self.card else {
            return Need::AnotherPhoto;
        };
        if self.after.is_some() && self.extraction().is_none() {
            return Need::AnotherPhoto;
        }
        if card.usable == CardUse::None {
            return Need::AnotherCard;
        }
        let remarked = self
            .problems
            .iter()
            .any(|problem| problem.severity >= Severity::Comment)
            || matches!(self.identity, Identity::NotConfirmed { .. })
            || card
                .reasons
                .iter()
                .any(|reason| reason.severity >= Severity::Comment)
            || self
                .extraction()
                .is_some_and(|extraction| extraction.suitability == Suitability::SuitableWithComment);
        let first_has_comment = card.use_order.first().is_some_and(|first| {
            card.spots
                .iter()
                .any(|spot| spot.index == *first && spot.suitability == Suitability::SuitableWithComment)
        });
        if remarked || first_has_comment {
            Need::Comment
        } else {
            Need::Nothing
        }
    }
}
