//! What can be wrong with a spot, how bad it is, and what should be said of it.

use serde::{Deserialize, Serialize};

/// What is wrong with a spot.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SpotFault {
    /// Too little blood.
    Small,
    /// The paper is scratched or its fibres lifted.
    Scratched,
    /// Not dry: very dark and glossy.
    Wet,
    /// Too much blood: oversized, in contact with a neighbour.
    Supersaturated,
    /// Thinned by water, alcohol or tissue fluid: pale, a washed edge.
    Diluted,
    /// Brown to black by heat, or green-grey by age and damp.
    Discoloured,
    /// Foreign colour on or beside the blood.
    Contaminated,
    /// A pale yellowish halo around a dark core.
    SerumRing,
    /// Dark granules.
    Clotted,
    /// A second drop over the first.
    Layered,
    /// Several small drops run together.
    Merged,
    /// Wiped while wet: a fading tail.
    Smeared,
    /// Nothing there.
    NoBlood,
    /// Blood that stayed on the surface: pale, mottled.
    NotSoakedThrough,
    /// Droplets beside the spot.
    Satellites,
    /// Not where the circle is.
    OutsideCircle,
    /// Pressed while wet.
    Compressed,
    /// A disc was already taken.
    AlreadyUsed,
    /// Cut by the card's edge.
    TouchesEdge,
}

impl SpotFault {
    /// Every fault.
    pub const ALL: [Self; 19] = [
        Self::Small,
        Self::Scratched,
        Self::Wet,
        Self::Supersaturated,
        Self::Diluted,
        Self::Discoloured,
        Self::Contaminated,
        Self::SerumRing,
        Self::Clotted,
        Self::Layered,
        Self::Merged,
        Self::Smeared,
        Self::NoBlood,
        Self::NotSoakedThrough,
        Self::Satellites,
        Self::OutsideCircle,
        Self::Compressed,
        Self::AlreadyUsed,
        Self::TouchesEdge,
    ];

    /// The fault's word.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Small => "small",
            Self::Scratched => "scratched",
            Self::Wet => "wet",
            Self::Supersaturated => "supersaturated",
            Self::Diluted => "diluted",
            Self::Discoloured => "discoloured",
            Self::Contaminated => "contaminated",
            Self::SerumRing => "serum-ring",
            Self::Clotted => "clotted",
            Self::Layered => "layered",
            Self::Merged => "merged",
            Self::Smeared => "smeared",
            Self::NoBlood => "no-blood",
            Self::NotSoakedThrough => "not-soaked-through",
            Self::Satellites => "satellites",
            Self::OutsideCircle => "outside-circle",
            Self::Compressed => "compressed",
            Self::AlreadyUsed => "already-used",
            Self::TouchesEdge => "touches-edge",
        }
    }

    /// What a sound judge makes of a spot with this fault at this grade. House choice: most faults follow their grade;
    /// droplets beside a spot and a spot beside its circle harm nothing by themselves; of what stayed on the surface
    /// the front shows only a part.
    #[must_use]
    pub fn expected(self, grade: Grade) -> Suitability {
        match (self, grade) {
            (Self::NoBlood | Self::AlreadyUsed, _) => Suitability::GrosslyBad,
            (Self::Satellites, Grade::Mild | Grade::Moderate) | (Self::OutsideCircle, Grade::Mild) => {
                Suitability::Good
            }
            (Self::Satellites, Grade::Gross)
            | (Self::OutsideCircle, Grade::Moderate | Grade::Gross)
            | (Self::NotSoakedThrough, Grade::Moderate) => Suitability::Marginal,
            (Self::NotSoakedThrough, Grade::Gross) => Suitability::Bad,
            (_, Grade::Mild) => Suitability::Marginal,
            (_, Grade::Moderate) => Suitability::Bad,
            (_, Grade::Gross) => Suitability::GrosslyBad,
        }
    }

    /// Whether the spot's outline is still one that can be measured: elsewhere "area" has no one meaning.
    #[must_use]
    pub fn outline_is_measurable(self) -> bool {
        !matches!(
            self,
            Self::Diluted
                | Self::Smeared
                | Self::NoBlood
                | Self::SerumRing
                | Self::AlreadyUsed
                | Self::TouchesEdge
                | Self::NotSoakedThrough
                | Self::Contaminated
                | Self::Supersaturated
                | Self::Compressed
        )
    }
}

/// How bad a fault is: severity up to 0.34, up to 0.67, above.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Grade {
    /// Seen only by looking for it.
    Mild,
    /// Seen by a trained eye.
    Moderate,
    /// Seen by anyone.
    Gross,
}

impl Grade {
    /// The grade of a severity (0 to 1).
    #[must_use]
    pub fn of(severity: f64) -> Self {
        if severity < 0.34 {
            Self::Mild
        } else if severity < 0.67 {
            Self::Moderate
        } else {
            Self::Gross
        }
    }
}

/// What a sound judge makes of a spot, best first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Suitability {
    /// Must be called suitable (with or without comment).
    Good,
    /// May be called either way.
    Marginal,
    /// Should be called unsuitable.
    Bad,
    /// Must never be called suitable.
    GrosslyBad,
}

/// A fault of a spot with its severity.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PlannedFault {
    /// The fault.
    pub fault: SpotFault,
    /// From 0 (hardly there) to 1 (as bad as it gets).
    pub severity: f64,
}

/// What can be wrong with a photograph.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PhotoFault {
    /// Blurred beyond use.
    OutOfFocus,
    /// Paper and pale blood at the ceiling.
    Overexposed,
    /// A reflection over a spot.
    Glare,
    /// The card fills too little of the photograph.
    TooSmall,
    /// Part of the card lies beyond the photograph.
    CutOff,
    /// There is no card.
    NoCard,
    /// There are two cards.
    TwoCards,
    /// The barcode is damaged beyond reading.
    BarcodeUnreadable,
    /// The barcode says another card than the file's name and the request.
    BarcodeOfAnother,
}

impl PhotoFault {
    /// Every fault of a photograph.
    pub const ALL: [Self; 9] = [
        Self::OutOfFocus,
        Self::Overexposed,
        Self::Glare,
        Self::TooSmall,
        Self::CutOff,
        Self::NoCard,
        Self::TwoCards,
        Self::BarcodeUnreadable,
        Self::BarcodeOfAnother,
    ];
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_those_of_the_truth() {
        for fault in SpotFault::ALL {
            let json = serde_json::to_string(&fault).unwrap();
            assert_eq!(json, format!("\"{}\"", fault.word()));
        }
    }
}
