//! What was measured on a spot and what was concluded, as reports and files hold it.
//!
//! Lengths are millimetres of the layout, on the side that was photographed (SPOT-03: the front of a spot reads about
//! 0.41 mm larger in diameter than its back). Densities are decadic optical densities of reflected light against the
//! blank paper beside the spot, `D = -log10(R / R_paper)`.

use serde::{Deserialize, Serialize};

use super::reason::SpotReason;

/// Whether a spot may be extracted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Suitability {
    /// No objection.
    Suitable,
    /// May be used; the result carries the comment.
    SuitableWithComment,
    /// Must not be used.
    Unsuitable,
}

impl Suitability {
    /// The stable word used in files.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Suitable => "suitable",
            Self::SuitableWithComment => "suitable-with-comment",
            Self::Unsuitable => "unsuitable",
        }
    }
}

/// Which side of the card the photograph shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CardSide {
    /// The side blood was put on.
    #[default]
    Front,
    /// The opposite side, from which SPOT-03 measures diameters.
    Back,
}

/// What was found where a spot is expected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Finding {
    /// Blank paper.
    Empty,
    /// A spot, measured.
    Measured,
    /// Something that cannot be measured; the reasons say why.
    NotMeasurable,
}

/// Everything measured on a spot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SpotMeasures {
    /// Centre of area (mm).
    pub centre_mm: [f64; 2],
    /// Standard uncertainty of the centre along each axis (mm).
    pub u_centre_mm: f64,
    /// Area inside the outline (mm²).
    pub area_mm2: f64,
    /// Standard uncertainty of the area (mm²).
    pub u_area_mm2: f64,
    /// Diameter of the circle of the same area, `2·√(A/π)` (mm; SPOT-03), on the side photographed.
    pub equivalent_diameter_mm: f64,
    /// Standard uncertainty of that diameter (mm).
    pub u_equivalent_diameter_mm: f64,
    /// Length of the smoothed sub-pixel outline (mm).
    pub perimeter_mm: f64,
    /// `4πA/P²`: 1 for a disc (EV 2.3).
    pub circularity: f64,
    /// Area over the area of the convex hull: 1 without bays (EV 2.3).
    pub solidity: f64,
    /// Eccentricity of the ellipse with the same second moments: 0 for a disc.
    pub eccentricity: f64,
    /// Minor over major axis of that ellipse: 1 for a disc (EV 2.3).
    pub aspect: f64,
    /// Direction of the major axis from the x axis, towards y (rad, −π/2 to π/2).
    pub orientation_rad: f64,
    /// Centre of the largest circle inside the outline (mm; EV-16).
    pub inscribed_centre_mm: [f64; 2],
    /// Its diameter (mm).
    pub inscribed_diameter_mm: f64,
    /// Greatest distance of the outline from the inscribed circle's centre over that circle's radius: 1 for a disc.
    pub extension: f64,
    /// Drops the outline is made of: maxima of the distance from the outline that stand apart.
    pub lobes: u32,
    /// Deepest bay of the outline below its convex hull (mm).
    pub bay_depth_mm: f64,
    /// Share of the printed circle covered by blood (0 to 1); `None` without a circle.
    pub filled_fraction: Option<f64>,
    /// Share of the spot beyond the printed circle (0 to 1); `None` without a circle.
    pub outside_fraction: Option<f64>,
    /// Distance of the spot's centre from the printed circle's (mm); `None` without a circle.
    pub offset_mm: Option<f64>,
    /// Median density of the inner zone in red, green and blue.
    pub density: [f64; 3],
    /// Red over green density of the inner zone: low for fresh blood, towards 1 as it browns and blackens.
    pub browning: f64,
    /// Scatter of density inside the zone the disc would take: robust CV less what the photograph's noise makes (%; EV 2.3).
    pub inner_cv_pct: f64,
    /// Largest step of the radial median density profile inside 0 to 80 % of the radius, of the median (%; EV 2.3).
    pub radial_step_pct: f64,
    /// Density of the outer ring (80 to 95 % of the radius) above that of the inner zone (%); negative: paler edge.
    pub edge_excess_pct: f64,
    /// Median density at ten equal steps of radius from middle to edge, relative to the inner zone.
    pub radial_profile: Vec<f64>,
    /// Distance over which the edge falls from 75 % to 25 % of its step in reflectance, blur taken off (mm).
    pub edge_width_mm: f64,
    /// Mean width of stained paper outside the outline, blur taken off (mm; EV 2.3).
    pub halo_width_mm: f64,
    /// Share of the outline with such a stain beside it (0 to 1).
    pub halo_share: f64,
    /// Farthest stain connected with the spot beyond its outline (mm), blur taken off.
    pub tail_mm: f64,
    /// Change of density across the spot along its steepest direction, of the median, over one diameter (%).
    pub gradient_pct: f64,
    /// Strongest density step along a line or arc of 2 mm inside the spot, of the median (%): layering.
    pub layer_step_pct: f64,
    /// Length over which such steps stand (mm).
    pub layer_length_mm: f64,
    /// Strongest thin pale line of 2 mm inside the spot: loss of density, of its surroundings (%).
    pub scratch_depth_pct: f64,
    /// Length over which such lines stand (mm).
    pub scratch_length_mm: f64,
    /// Share of the inner zone in dark islands (%).
    pub clot_share_pct: f64,
    /// Share of the spot with mirror-like reflections (%).
    pub gloss_share_pct: f64,
    /// Share of the spot and its surroundings in a colour that is not blood's, of the spot's area (%).
    pub foreign_share_pct: f64,
    /// Share of a circle of a clamp's or punch's size that shows as an edge inside the spot (0 to 1).
    pub ring_share: f64,
    /// Area of holes inside the outline: paper, or what lies behind it (mm²).
    pub hole_area_mm2: f64,
    /// Droplets beside the spot.
    pub satellites: u32,
    /// Their area (mm²).
    pub satellite_area_mm2: f64,
    /// Free paper between this spot and the nearest other spot (mm); `None`: none seen; 0: they touch.
    pub neighbour_gap_mm: Option<f64>,
    /// Share of the spot's pixels that say nothing (burnt out, beyond card or photograph; %).
    pub unreadable_share_pct: f64,
}

/// A limit, what was measured against it, and the room left.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LimitMargin {
    /// Name of the limit (`max_inner_cv_pct`).
    pub limit_name: String,
    /// Measured value.
    pub measured: f64,
    /// Limit.
    pub limit: f64,
    /// Unit of all three.
    pub unit: String,
    /// Room left; negative: beyond the limit.
    pub margin: f64,
}

/// Where the extraction head goes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ExtractionSite {
    /// Centre of the disc (mm).
    pub centre_mm: [f64; 2],
    /// Standard uncertainty of the centre along each axis (mm).
    pub u_mm: f64,
    /// Diameter of the extraction head's disc (mm).
    pub head_diameter_mm: f64,
    /// Least distance from the disc's rim to the end of the uniform zone (mm).
    pub margin_mm: f64,
    /// Standard uncertainty of the margin (mm).
    pub u_margin_mm: f64,
}

/// Where a number comes from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "from", content = "detail")]
pub enum Origin {
    /// Published figures, named.
    Published(String),
    /// The method's own calibration, named.
    Calibration(String),
    /// What is known of people of this age and sex.
    Population(String),
    /// Calibration and population together.
    CalibrationAndPopulation(String),
    /// The clinic's measurement.
    Clinical,
}

/// Volume of blood on the spot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct VolumeEstimate {
    /// Volume of the whole spot (µL).
    pub volume_ul: f64,
    /// Its standard uncertainty (µL).
    pub u_volume_ul: f64,
    /// Volume under the extraction head's disc (µL), `V·(d_disc/d_spot)²` (SPOT-04).
    pub disc_volume_ul: f64,
    /// Its standard uncertainty (µL).
    pub u_disc_volume_ul: f64,
    /// Haematocrit assumed: one area cannot yield both volume and haematocrit (EV-18).
    pub assumed_haematocrit: f64,
    /// Standard uncertainty of that.
    pub u_assumed_haematocrit: f64,
    /// Where the relation of area and volume comes from.
    pub origin: Origin,
}

/// Haematocrit of the blood on the spot (volume fraction).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HaematocritEstimate {
    /// Volume fraction of cells.
    pub fraction: f64,
    /// Its standard uncertainty.
    pub u_fraction: f64,
    /// Where it comes from.
    pub origin: Origin,
    /// What colour alone says, with standard uncertainty, when the method has a calibration.
    pub from_colour: Option<[f64; 2]>,
}

/// A spot, or the place where one is expected.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SpotRecord {
    /// Number of the printed circle, or the place in reading order; from 1.
    pub index: u32,
    /// Where it is expected (mm): the printed circle's centre; `None` on a card without circles.
    pub expected_centre_mm: Option<[f64; 2]>,
    /// What was found.
    pub finding: Finding,
    /// Side photographed.
    pub side: CardSide,
    /// The measures; `None` unless measured.
    pub measures: Option<SpotMeasures>,
    /// The proposal.
    pub suitability: Suitability,
    /// Why, heaviest first.
    pub reasons: Vec<SpotReason>,
    /// Room left to every limit that was applied.
    pub margins: Vec<LimitMargin>,
    /// Place in the order of use, from 1; `None`: not to be used.
    pub use_order: Option<u32>,
    /// Where to extract; `None`: no site, the reasons say why.
    pub site: Option<ExtractionSite>,
    /// Volume, when measured.
    pub volume: Option<VolumeEstimate>,
    /// Haematocrit, when anything is known.
    pub haematocrit: Option<HaematocritEstimate>,
    /// The outline, closed (the last point joins the first), simplified to 0.02 mm (mm).
    pub outline_mm: Vec<[f64; 2]>,
}

/// What a card allows (EV-11).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CardUse {
    /// Two or more spots: duplicates.
    Duplicate,
    /// One spot.
    Single,
    /// No spot.
    None,
}

/// All spots of a card, judged together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CardRecord {
    /// Spots in printed or reading order, empty places included.
    pub spots: Vec<SpotRecord>,
    /// Indices of usable spots, best first.
    pub use_order: Vec<u32>,
    /// What the card allows.
    pub usable: CardUse,
    /// Reasons about the card as a whole.
    pub reasons: Vec<SpotReason>,
}

/// A person's decision beside the proposal; both are kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Overrule {
    /// Spot.
    pub index: u32,
    /// What was proposed.
    pub proposal: Suitability,
    /// What the person decided.
    pub decision: Suitability,
    /// Why; never empty.
    pub reason: String,
    /// Who; never empty.
    pub person: String,
}

/// Why an overrule is not taken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum OverruleError {
    /// No reason.
    #[error("spot {index}: a decision that differs from the proposal needs a reason")]
    NoReason {
        /// The spot.
        index: u32,
    },
    /// No person.
    #[error("spot {index}: a decision needs the name of who decides")]
    NoPerson {
        /// The spot.
        index: u32,
    },
    /// Nothing changes.
    #[error("spot {index}: the decision is the proposal ({proposal}): nothing to overrule")]
    NothingChanges {
        /// The spot.
        index: u32,
        /// The proposal's word.
        proposal: &'static str,
    },
    /// A spot without a site cannot be made suitable by decision alone.
    #[error("spot {index}: there is no extraction site, so the spot cannot be used")]
    NoSite {
        /// The spot.
        index: u32,
    },
}

impl SpotRecord {
    /// A person's decision on this spot.
    ///
    /// # Errors
    /// Without a reason, without a person, when nothing changes, or when the spot has no extraction site and the
    /// decision would use it.
    pub fn overrule(
        &self,
        decision: Suitability,
        reason: &str,
        person: &str,
    ) -> Result<Overrule, OverruleError> {
        let index = self.index;
        if reason.trim().is_empty() {
            return Err(OverruleError::NoReason { index });
        }
        if person.trim().is_empty() {
            return Err(OverruleError::NoPerson { index });
        }
        if decision == self.suitability {
            return Err(OverruleError::NothingChanges {
                index,
                proposal: decision.as_str(),
            });
        }
        if decision != Suitability::Unsuitable && self.site.is_none() {
            return Err(OverruleError::NoSite { index });
        }
        Ok(Overrule {
            index,
            proposal: self.suitability,
            decision,
            reason: reason.trim().to_owned(),
            person: person.trim().to_owned(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place() -> SpotRecord {
        SpotRecord {
            index: 3,
            expected_centre_mm: Some([48.0, 36.0]),
            finding: Finding::Empty,
            side: CardSide::Front,
            measures: None,
            suitability: Suitability::Unsuitable,
            reasons: vec![],
            margins: vec![],
            use_order: None,
            site: None,
            volume: None,
            haematocrit: None,
            outline_mm: vec![],
        }
    }

    #[test]
    fn an_overrule_needs_a_reason_a_person_and_a_site() {
        let mut spot = place();
        let decide = |spot: &SpotRecord, reason, person| {
            spot.overrule(Suitability::SuitableWithComment, reason, person)
        };
        assert_eq!(decide(&spot, " ", "A"), Err(OverruleError::NoReason { index: 3 }));
        assert_eq!(
            decide(&spot, "seen", ""),
            Err(OverruleError::NoPerson { index: 3 })
        );
        assert_eq!(
            decide(&spot, "seen", "A"),
            Err(OverruleError::NoSite { index: 3 })
        );
        spot.site = Some(ExtractionSite {
            centre_mm: [48.0, 36.0],
            u_mm: 0.05,
            head_diameter_mm: 4.0,
            margin_mm: 1.0,
            u_margin_mm: 0.05,
        });
        let overrule = decide(&spot, "seen under the lens ", "second reader").unwrap();
        assert_eq!(
            (overrule.proposal, overrule.decision),
            (Suitability::Unsuitable, Suitability::SuitableWithComment)
        );
        assert_eq!(spot.suitability, Suitability::Unsuitable, "the proposal stays");
        assert!(matches!(
            spot.overrule(Suitability::Unsuitable, "x", "y"),
            Err(OverruleError::NothingChanges { .. })
        ));
    }
}
