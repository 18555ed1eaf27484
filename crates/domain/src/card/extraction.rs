//! What a photograph after extraction says: where the disc was taken, and what that means for the result.

use serde::{Deserialize, Serialize};

use super::photo::PhotoProblem;
use super::reason::SpotReason;
use super::record::Suitability;

/// The photograph after extraction that belongs to one before.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AfterRecord {
    /// The file, as it was named.
    pub file: String,
    /// SHA-256 of the file's bytes (hexadecimal); `None`: it could not be read.
    pub sha256: Option<String>,
    /// What is wrong with this photograph, heaviest first.
    pub problems: Vec<PhotoProblem>,
    /// What it says of the extraction; `None`: this photograph or the one before could not be used.
    pub extraction: Option<ExtractionRecord>,
}

/// How a disc was taken, as seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TakenBy {
    /// The paper is there and paler: eluted under a clamp.
    Elution,
    /// A hole.
    Punch,
}

/// A card before and after extraction, compared.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ExtractionRecord {
    /// The spot that was to be extracted.
    pub planned_spot: u32,
    /// The spot a disc was taken from; `None`: from none.
    pub taken_spot: Option<u32>,
    /// How.
    pub taken_by: Option<TakenBy>,
    /// Middle of the disc (mm).
    pub site_mm: Option<[f64; 2]>,
    /// Its standard uncertainty along each axis (mm).
    pub u_site_mm: Option<f64>,
    /// Distance from the plan (mm); `None` when another spot was taken.
    pub offset_mm: Option<f64>,
    /// Share of the disc on bare paper (%): the result may read low by up to this share.
    pub bare_paper_pct: Option<f64>,
    /// Its standard uncertainty (%), from that of the site.
    pub u_bare_paper_pct: Option<f64>,
    /// How far solvent went beyond the disc (mm); 0: not seen to.
    pub leak_mm: Option<f64>,
    /// Median agreement of the spots' areas before and after (shared over united area, 0 to 1): low on another card.
    pub agreement: f64,
    /// Whether the result may stand, as far as this photograph tells.
    pub suitability: Suitability,
    /// Why, heaviest first.
    pub reasons: Vec<SpotReason>,
}

impl ExtractionRecord {
    /// What was seen, in a sentence; the reasons say what it means.
    #[must_use]
    pub fn sentence(&self) -> String {
        let Some(spot) = self.taken_spot else {
            return format!(
                "No disc is seen to be taken; spot {} was planned.",
                self.planned_spot
            );
        };
        let mut text = format!("A disc was taken from spot {spot}");
        text += match self.taken_by {
            Some(TakenBy::Elution) => " by elution",
            Some(TakenBy::Punch) => " by a punch",
            None => "",
        };
        if let (Some([x, y]), Some(u)) = (self.site_mm, self.u_site_mm) {
            text += &format!(" at {x:.2}, {y:.2} mm (u {u:.2} mm)");
        }
        if let Some(offset) = self.offset_mm {
            text += &format!(", {offset:.2} mm from the plan");
        }
        if let (Some(bare), Some(u)) = (self.bare_paper_pct, self.u_bare_paper_pct) {
            text += &format!(", {bare:.1} % of it on bare paper (u {u:.1} %)");
        }
        text + "."
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sentence_says_what_was_seen_and_nothing_that_was_not() {
        let mut record = ExtractionRecord {
            planned_spot: 2,
            taken_spot: None,
            taken_by: None,
            site_mm: None,
            u_site_mm: None,
            offset_mm: None,
            bare_paper_pct: None,
            u_bare_paper_pct: None,
            leak_mm: None,
            agreement: 0.97,
            suitability: Suitability::Unsuitable,
            reasons: vec![],
        };
        assert_eq!(
            record.sentence(),
            "No disc is seen to be taken; spot 2 was planned."
        );
        record.taken_spot = Some(3);
        assert_eq!(record.sentence(), "A disc was taken from spot 3.");
        record.taken_by = Some(TakenBy::Punch);
        record.site_mm = Some([40.0, 30.126]);
        record.u_site_mm = Some(0.06);
        record.offset_mm = Some(0.5);
        record.bare_paper_pct = Some(3.25);
        record.u_bare_paper_pct = Some(0.4);
        assert_eq!(
            record.sentence(),
            "A disc was taken from spot 3 by a punch at 40.00, 30.13 mm (u 0.06 mm), 0.50 mm from the plan, \
             3.2 % of it on bare paper (u 0.4 %)."
        );
    }
}
