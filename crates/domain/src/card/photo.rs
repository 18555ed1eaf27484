//! What a photograph of a card was found to be: its problems, its codes, where the card lies in it.

use crate::reason::Severity;
use serde::{Deserialize, Serialize};

/// Something wrong with a photograph, with what was measured and what to do.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PhotoProblem {
    /// Which problem, from the closed list.
    pub code: PhotoProblemCode,
    /// How much it weighs: [`Severity::Reject`] asks for another photograph.
    pub severity: Severity,
    /// Where the limit comes from, e.g. `PR-10`.
    pub rule: String,
    /// What was measured, when it is a number.
    pub measured: Option<f64>,
    /// What was allowed, when it is a number.
    pub limit: Option<f64>,
    /// Unit of both (`px/mm`, `mm`, `%`, `1`).
    pub unit: String,
    /// The printed circle concerned; `None`: the whole photograph.
    pub circle: Option<u32>,
    /// What is wrong and what to do, in a sentence or two.
    pub text: String,
}

macro_rules! words {
    ($(#[$doc:meta])* $name:ident { $($(#[$variant_doc:meta])* $variant:ident = $text:literal,)* }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
        pub enum $name {
            $($(#[$variant_doc])* #[serde(rename = $text)] $variant,)*
        }

        impl $name {
            /// Every one, in the order of the list.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)*];

            /// The stable word used in files.
            #[must_use]
            pub fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $text,)* }
            }
        }
    };
}

words! {
    /// The closed list of problems of a photograph.
    PhotoProblemCode {
        // Where the card is
        /// No card of any known layout was found.
        NoCard = "no-card",
        /// Part of the card that matters is beyond the frame.
        CardCutOff = "card-cut-off",
        /// More than one card is in the frame.
        SeveralCards = "several-cards",
        /// More than one layout fits equally well.
        AmbiguousLayout = "ambiguous-layout",
        /// The layout fits equally well turned: its print does not say which way up it is.
        AmbiguousOrientation = "ambiguous-orientation",
        /// Place and scale rest on the card's edge alone: no print confirmed them.
        PositionNotConfirmed = "position-not-confirmed",
        /// Print and layout disagree by more than allowed: a bent card, a distorting lens, another layout.
        PositionUncertain = "position-uncertain",
        /// The card's edge as found contradicts the print; the print was followed.
        EdgeContradictsPrint = "edge-contradicts-print",
        /// The scale was taken from the layout's stated pixels per millimetre.
        ScaleStated = "scale-stated",
        // What the camera did
        /// Out of focus, or the camera moved.
        OutOfFocus = "out-of-focus",
        /// Too few pixels a millimetre.
        TooSmall = "too-small",
        /// Too dark.
        TooDark = "too-dark",
        /// The paper is burnt out.
        Clipped = "clipped",
        /// Glare over a spot.
        Glare = "glare",
        /// The light changes too steeply across a spot to be evened.
        UnevenLight = "uneven-light",
        /// No blank paper beside a spot to judge colour by.
        NoBlankPaper = "no-blank-paper",
        /// The camera looked at the card too obliquely.
        TiltTooSteep = "tilt-too-steep",
        // The file
        /// The file cannot be read, or is no photograph.
        Unreadable = "unreadable",
        /// A colour profile other than sRGB was not applied.
        ColourProfileIgnored = "colour-profile-ignored",
        /// Of several frames or pages only the first was looked at.
        FirstFrameOnly = "first-frame-only",
        /// Transparent parts were laid on white.
        Transparent = "transparent",
        // Identity
        /// Two codes on the card, or a code and the request or the file name, disagree.
        CodeConflict = "code-conflict",
        /// The layout has a place for a code and none could be read.
        CodeNotRead = "code-not-read",
    }
}

words! {
    /// Kind of a printed code.
    Symbology {
        /// Code 128 (ISO/IEC 15417).
        Code128 = "code-128",
        /// Data Matrix ECC 200 (ISO/IEC 16022).
        DataMatrix = "data-matrix",
        /// QR code (ISO/IEC 18004).
        QrCode = "qr-code",
    }
}

/// A code read on a photograph.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Barcode {
    /// What it says.
    pub text: String,
    /// Its kind.
    pub symbology: Symbology,
    /// Its corners, in order round it, in the layout's millimetres; `None` when the card was not found.
    pub corners_mm: Option<[[f64; 2]; 4]>,
    /// Its corners in pixels of the upright photograph.
    pub corners_px: [[f64; 2]; 4],
}

/// Whose card a photograph shows.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "outcome", rename_all = "kebab-case")]
pub enum Identity {
    /// At least one code was read, and everything that names a card names the same.
    Agreed {
        /// The card.
        card: String,
        /// Whether the request was there to agree with.
        with_request: bool,
        /// Whether the file name was there to agree with.
        with_file_name: bool,
    },
    /// No code was read; the name comes from elsewhere and is not confirmed by the card itself.
    NotConfirmed {
        /// The card the request or the file name gives; `None`: nothing names it.
        card: Option<String>,
    },
    /// Names that disagree: the card stops until a person has looked.
    Conflict {
        /// Every name found, and where.
        names: Vec<NamedBy>,
    },
}

/// A card's name and what gave it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct NamedBy {
    /// The name.
    pub name: String,
    /// What gave it.
    pub by: NameSource,
}

words! {
    /// What gave a card's name.
    NameSource {
        /// A code on the photograph.
        Code = "code",
        /// The photograph's file name.
        FileName = "file-name",
        /// The request.
        Request = "request",
    }
}

/// Kind of image file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PhotoFormat {
    /// JPEG (ISO/IEC 10918-1).
    Jpeg,
    /// PNG (ISO/IEC 15948).
    Png,
    /// TIFF 6.0.
    Tiff,
}

/// Where the card lies in the photograph, and how well that is known.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CardPlace {
    /// Name of the layout.
    pub layout: String,
    /// Projective map from the layout's millimetres to pixels of the upright photograph (pixel centres at whole
    /// numbers), row by row, scaled so that the last entry is 1.
    pub card_to_photo: [f64; 9],
    /// Scale at the middle of the spots (px/mm).
    pub px_per_mm: f64,
    /// Standard uncertainty of a place on the card (mm).
    pub position_u_mm: f64,
    /// Root mean square distance of the print found from the print expected (mm); `None`: no print was used.
    pub residual_mm: Option<f64>,
    /// Printed circles found.
    pub circles_found: usize,
    /// Fiducials found.
    pub fiducials_found: usize,
    /// Sides of the card's outline found.
    pub edges_found: usize,
}

/// Limits on photographs. Defaults from common practice (practice notes PR-10, sections 2.3 and 2.4), every one to be
/// confirmed by the laboratory.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct PhotoLimits {
    /// Below this scale at any spot a comment (px/mm). PR-10: 12.
    pub comment_below_px_per_mm: f64,
    /// Below this scale at any spot no spot is measured (px/mm). Common practice: two thirds of PR-10.
    pub min_px_per_mm: f64,
    /// Widest blur, as standard deviation of the edge spread (mm): beyond it an outline is worth less than the margin
    /// around an extraction disc.
    pub max_blur_mm: f64,
    /// Darkest blank paper, as a share of the full scale in linear light (%).
    pub min_paper_level_pct: f64,
    /// Most of the blank paper round a spot that may be burnt out in all channels (%).
    pub max_paper_burnt_out_pct: f64,
    /// Most of a printed circle's inside that may be burnt out against its surroundings (%).
    pub max_glare_pct: f64,
    /// Steepest change of light across one spot's surroundings (% of the mean).
    pub max_light_change_pct: f64,
    /// Steepest angle between the camera's view and the card's normal (degrees).
    pub max_tilt_deg: f64,
    /// Largest root mean square distance of print from layout (mm).
    pub max_residual_mm: f64,
    /// Largest standard uncertainty of a place on the card (mm).
    pub max_position_u_mm: f64,
}

impl Default for PhotoLimits {
    fn default() -> Self {
        Self {
            comment_below_px_per_mm: 12.0,
            min_px_per_mm: 8.0,
            max_blur_mm: 0.18,
            min_paper_level_pct: 6.0,
            max_paper_burnt_out_pct: 25.0,
            max_glare_pct: 2.0,
            max_light_change_pct: 60.0,
            max_tilt_deg: 40.0,
            max_residual_mm: 0.25,
            max_position_u_mm: 0.2,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_stand_once_and_are_what_serde_writes() {
        for (index, code) in PhotoProblemCode::ALL.iter().enumerate() {
            assert!(
                PhotoProblemCode::ALL[..index]
                    .iter()
                    .all(|other| other.as_str() != code.as_str())
            );
            assert_eq!(
                serde_json::to_string(code).unwrap(),
                format!("\"{}\"", code.as_str())
            );
        }
    }
}
