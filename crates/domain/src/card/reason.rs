//! Why a spot is judged as it is: a closed list of reasons, each with the measured value, the limit and the rule.

use serde::{Deserialize, Serialize};

use crate::reason::Severity;

/// One reason about a spot or a card.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SpotReason {
    /// Which reason, from the closed list.
    pub code: SpotReasonCode,
    /// The rule it comes from, e.g. `SPOT-01(1)` or `EV 2.3`.
    pub rule: String,
    /// How much it weighs.
    pub severity: Severity,
    /// What was measured, when it is a number.
    pub measured: Option<f64>,
    /// What is allowed, when it is a number.
    pub limit: Option<f64>,
    /// Unit of both (`mm`, `mm2`, `%`, `1`).
    pub unit: String,
    /// How far the measured value lies beyond the limit, in the same unit; positive: beyond.
    pub beyond: Option<f64>,
    /// The reason in a sentence a bench scientist can act on.
    pub text: String,
}

macro_rules! spot_reason_codes {
    ($(#[doc = $doc:literal] $variant:ident = $text:literal,)*) => {
        /// The closed list of reasons about spots (CLSI NBS01 rejection list as SPOT-01; categories of EV §2.1).
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub enum SpotReasonCode {
            $(#[doc = $doc] #[serde(rename = $text)] $variant,)*
        }

        impl SpotReasonCode {
            /// Every reason, in the order of the list.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)*];

            /// The stable word used in files.
            #[must_use]
            pub fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $text,)* }
            }

            /// What it means, in a line.
            #[must_use]
            pub fn meaning(self) -> &'static str {
                match self { $(Self::$variant => $doc.trim_ascii(),)* }
            }
        }
    };
}

spot_reason_codes! {
    // SPOT-01
    /// The spot is smaller than the method needs (SPOT-01 1, QNS).
    QuantityInsufficient = "quantity-insufficient",
    /// Thin pale lines: the surface was scratched or abraded (SPOT-01 2).
    Scratched = "scratched",
    /// Glossy and very dark: not dry (SPOT-01 3).
    NotDry = "not-dry",
    /// More blood than the paper holds: too large, over the circle (SPOT-01 4).
    Supersaturated = "supersaturated",
    /// Washed out: pale with a bleeding edge (SPOT-01 5: alcohol, water, tissue fluid).
    Diluted = "diluted",
    /// Colour is not that of blood of this age: brown, black or green (SPOT-01 5).
    Discoloured = "discoloured",
    /// A foreign colour on or in the spot (SPOT-01 5: ink, iodine, cream).
    Contaminated = "contaminated",
    /// A pale or yellow ring around a dark core (SPOT-01 6).
    SerumRing = "serum-ring",
    /// Dark granules (SPOT-01 7).
    Clotted = "clotted",
    /// A second contour inside: drops placed on one another (SPOT-01 7).
    Layered = "layered",
    /// Several drops side by side or run together (SPOT-01 7, MULTI).
    MultipleDrops = "multiple-drops",
    /// No blood where a spot is expected (SPOT-01 8).
    NoBlood = "no-blood",
    /// The back is paler or smaller than the front (SPOT-01 9).
    NotSoakedThrough = "not-soaked-through",
    // EV 2.1
    /// Drawn out: a tail, a fading gradient.
    Smeared = "smeared",
    /// Run into the next spot or circle.
    TouchesNeighbour = "touches-neighbour",
    /// Cut by the card's or the photograph's edge.
    CutByEdge = "cut-by-edge",
    /// Not where the printed circle is.
    OutsideCircle = "outside-circle",
    /// Small droplets beside the spot.
    Satellites = "satellites",
    /// Pressed while wet.
    Compressed = "compressed",
    /// A disc was already taken: hole or clamp ring.
    AlreadyUsed = "already-used",
    /// Density under the disc is uneven.
    Uneven = "uneven",
    /// Density changes by a step between middle and edge.
    RadialStep = "radial-step",
    /// Much paler than blood on this paper.
    TooPale = "too-pale",
    /// Much darker than blood on this paper.
    TooDark = "too-dark",
    /// Not round enough.
    NotRound = "not-round",
    /// Outline is not smooth or has bays.
    IrregularOutline = "irregular-outline",
    /// Fills too little of its printed circle.
    CircleNotFilled = "circle-not-filled",
    /// The extraction head's disc does not fit in the uniform zone.
    NoExtractionSite = "no-extraction-site",
    /// The disc fits, but closer to the edge than wanted.
    SiteMarginSmall = "site-margin-small",
    /// The photograph is burnt out over the spot.
    Glare = "glare",
    /// The photograph is too blurred, noisy or small at this place to say.
    NotMeasurable = "not-measurable",
    // Volume and haematocrit
    /// Volume outside the range the method's volume calibration covers.
    VolumeOutsideCalibration = "volume-outside-calibration",
    /// Haematocrit outside the validated range (DBS-02).
    HaematocritOutsideRange = "haematocrit-outside-range",
    /// Haematocrit from colour and the clinic's value disagree.
    HaematocritDisagrees = "haematocrit-disagrees",
    /// Colour lies outside the haematocrit calibration's range of colour or age.
    HaematocritOutsideCalibration = "haematocrit-outside-calibration",
    // After extraction
    /// The disc was taken away from the planned site.
    ExtractionOffSite = "extraction-off-site",
    /// Part of the disc lies on bare paper.
    DiscOnPaper = "disc-on-paper",
    /// Solvent went beyond the clamp ring.
    Leak = "leak",
    /// No trace of an extraction where one was planned.
    NotExtracted = "not-extracted",
    /// Another spot of the card was extracted.
    WrongSpot = "wrong-spot",
    /// The photograph after extraction shows another card.
    WrongCard = "wrong-card",
}

/// Heaviest severity among reasons; `None` for an empty list.
#[must_use]
pub fn heaviest_spot_reason(reasons: &[SpotReason]) -> Option<Severity> {
    reasons.iter().map(|reason| reason.severity).max()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_unique_kebab_case_and_survive_json() {
        let mut seen = std::collections::BTreeSet::new();
        for code in SpotReasonCode::ALL {
            let word = code.as_str();
            assert!(
                word.bytes().all(|b| b.is_ascii_lowercase() || b == b'-'),
                "{word}"
            );
            assert!(seen.insert(word), "{word} stands twice");
            assert!(code.meaning().ends_with('.'));
            let json = serde_json::to_string(code).unwrap();
            assert_eq!(json, format!("\"{word}\""));
            assert_eq!(serde_json::from_str::<SpotReasonCode>(&json).unwrap(), *code);
        }
    }
}
