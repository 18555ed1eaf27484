//! What a photograph after extraction says: where the disc was taken, and what that means for the result.

use serde::{Deserialize, Serialize};

use super::reason::SpotReason;
use super::record::Suitability;

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
