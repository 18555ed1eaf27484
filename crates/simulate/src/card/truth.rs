//! What is true of a photograph of a card; described in `docs/truth.md`.

use super::barcode::Symbology;
use super::encode::FileForm;
use super::extraction::Taking;
use super::fault::{Grade, PhotoFault, SpotFault, Suitability};
use super::surroundings::Background;
use serde::{Deserialize, Serialize};

/// One line of `truth/cards.jsonl`: a photograph.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PhotoTruth {
    /// The file's name within `photos/`.
    pub file: String,
    /// Before or after extraction.
    pub stage: PhotoStage,
    /// The card the file's name and the request speak of.
    pub card: String,
    /// The card that lies there; another one where the rack was shifted.
    pub shows_card: String,
    /// Which photograph of the card, from 1.
    pub photograph: u32,
    /// The layout's name.
    pub layout: String,
    /// Codes on the photograph, the card's own first.
    pub barcodes: Vec<BarcodeTruth>,
    /// What is wrong with the photograph.
    pub photo_faults: Vec<PhotoFault>,
    /// Number of the spot beneath the glare.
    pub glare_over: Option<u32>,
    /// How it was taken.
    pub camera: CameraTruth,
    /// Spots in the order of the layout; of a photograph without a card: none.
    pub spots: Vec<SpotTruth>,
    /// The disc taken, on a photograph after extraction.
    pub extraction: Option<ExtractionTruth>,
}

/// Before or after extraction.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PhotoStage {
    /// Before extraction.
    Before,
    /// After extraction.
    After,
}

/// A code on a photograph.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BarcodeTruth {
    /// What it says.
    pub text: String,
    /// How.
    pub symbology: Symbology,
    /// Side of a module (px), by the photograph's scale at the card's middle.
    pub module_px: f64,
    /// Whether it must be readable: undamaged, modules of at least 4 px, blur below a third of a module.
    pub legible: bool,
}

/// Geometry and making of a photograph. Pixels are those of the photograph as seen, its orientation followed; the
/// middle of the first pixel is (0.5, 0.5).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CameraTruth {
    /// Columns as seen.
    pub width_px: usize,
    /// Rows as seen.
    pub height_px: usize,
    /// Exif orientation of the file.
    pub orientation: u8,
    /// Homography from the layout's millimetres to undistorted pixels, row by row.
    pub homography_px_per_mm: [[f64; 3]; 3],
    /// An undistorted place is `middle + (seen − middle)·(1 + distortion·(r/half diagonal)²)`.
    pub distortion: f64,
    /// Scale at the card's middle.
    pub pixels_per_mm: f64,
    /// Tilt of the card against the sensor (degrees).
    pub tilt_deg: f64,
    /// Turn of the card (degrees, clockwise).
    pub turn_deg: f64,
    /// Standard deviation of the lens's blur (px).
    pub blur_px: f64,
    /// What the card lies on.
    pub background: Background,
    /// The file.
    pub form: FileForm,
}

/// What is true of a spot, whatever photograph shows it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SpotTruth {
    /// Number of the circle.
    pub index: u32,
    /// Middle of the circle (mm).
    pub circle_mm: [f64; 2],
    /// The outline; `None`: no blood.
    pub outline: Option<OutlineTruth>,
    /// Whether the outline's measures have one meaning (see `docs/truth.md`).
    pub measurable: bool,
    /// Volume of blood (µL).
    pub volume_ul: f64,
    /// Haematocrit (L/L).
    pub haematocrit: f64,
    /// Age of the spot (d).
    pub age_d: f64,
    /// Extra density at the edge, of the core's.
    pub volcano: f64,
    /// What is wrong.
    pub faults: Vec<FaultSeverity>,
    /// Whether the spot is in contact with another one (gap below 0.3 mm).
    pub touches_neighbour: bool,
    /// What a sound judge makes of it.
    pub expected: Suitability,
}

/// The outline of a spot: where optical density is one half of the core's, before lens and sensor, holes filled.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct OutlineTruth {
    /// Area (mm²).
    pub area_mm2: f64,
    /// Diameter of the circle of equal area (mm).
    pub equivalent_diameter_mm: f64,
    /// Centre of the area (mm).
    pub centroid_mm: [f64; 2],
    /// Centre of the largest circle within the outline (mm).
    pub inscribed_centre_mm: [f64; 2],
    /// Its diameter (mm).
    pub inscribed_diameter_mm: f64,
}

/// A fault with its severity.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FaultSeverity {
    /// The fault.
    pub fault: SpotFault,
    /// From 0 to 1.
    pub severity: f64,
    /// Its grade.
    pub grade: Grade,
}

/// What was taken.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ExtractionTruth {
    /// Spot that was to be used.
    pub planned_spot: u32,
    /// Spot nearest to the disc.
    pub taken_spot: u32,
    /// How.
    pub taking: Taking,
    /// Diameter of the head (mm).
    pub head_diameter_mm: f64,
    /// Where the disc was to be (mm).
    pub planned_site_mm: [f64; 2],
    /// Where it is (mm).
    pub site_mm: [f64; 2],
    /// Share of the disc on bare paper, by area.
    pub bare_paper_share: f64,
    /// How far solvent ran beyond the clamp (mm).
    pub leak_mm: f64,
    /// What went wrong.
    pub fault: Option<ExtractionFault>,
}

/// What can go wrong when a disc is taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ExtractionFault {
    /// Partly beside the spot.
    OffSpot,
    /// Another spot of the card.
    WrongSpot,
    /// Another card: the rack was shifted by one.
    WrongCard,
    /// Solvent ran beyond the clamp.
    Leak,
}
