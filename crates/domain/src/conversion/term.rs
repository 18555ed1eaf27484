//! The terms by which a spot reads other than the blood it was made of, each relative to the calibrators (EV-71).
//! Each is there only when the method validated it, and then corrected once.

use super::Estimate;
use serde::{Deserialize, Serialize};

/// The terms of a spot.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct SpotTerms {
    /// Effect of the haematocrit on what a disc reads, g(H).
    pub haematocrit_effect: Option<HaematocritEffect>,
    /// Effect of the blood's volume on what a disc reads, v.
    pub volume: Option<VolumeTerm>,
    /// Effect of where the disc was taken, e.
    pub site: Option<SiteTerm>,
    /// Extraction against the calibrators', `R/R_cal`.
    pub recovery: Option<RecoveryTerm>,
    /// What is left after days in the post, s.
    pub stability: Option<StabilityTerm>,
}

impl SpotTerms {
    /// Whether any term depends on the haematocrit.
    #[must_use]
    pub fn needs_haematocrit(&self) -> bool {
        self.haematocrit_effect.is_some()
            || self
                .recovery
                .is_some_and(|recovery| recovery.depends_on_haematocrit())
    }

    /// Whether any term depends on the spot's age.
    #[must_use]
    pub fn needs_age(&self) -> bool {
        self.stability
            .is_some_and(|stability| stability.loss_per_day.is_some())
            || self.recovery.is_some_and(|recovery| recovery.depends_on_age())
    }
}

/// What a disc reads against what the blood holds, by haematocrit: apparent = true·g(H). Its sign belongs to method
/// and paper (CONV-06, SPOT-05).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "effect", rename_all = "kebab-case")]
pub enum HaematocritEffect {
    /// `g = 1/(1 + area_slope·(H − reference))` (EV-18): thick blood spreads less, so a disc holds more of it.
    Spreading {
        /// Relative change of the spot's area per L/L of haematocrit: −0.76 for cellulose paper (SPOT-05).
        area_slope: Estimate,
        /// Haematocrit of the calibrators' blood (L/L).
        reference_haematocrit: f64,
    },
    /// `g = at_zero + per_unit·H`: an analytical correction found by experiment (CONV-06: 1.6305 − 1.559·H).
    Linear {
        /// g at haematocrit 0.
        at_zero: f64,
        /// Change of g per L/L of haematocrit.
        per_unit: Estimate,
    },
}

/// A disc of a small spot holds less blood: `v = 1 + slope·ln(V/reference)`. The shape follows EV-17 within 2 %
/// from 10 to 30 µL, with slope 0.23 about 30 µL.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct VolumeTerm {
    /// Relative change of the disc's blood per natural logarithm of the volume.
    pub slope: Estimate,
    /// Volume of the calibrators' spots (µL).
    pub reference_ul: f64,
    /// Smallest and largest volume it was validated for (µL).
    pub range_ul: [f64; 2],
    /// Scatter that an unknown volume adds (CV, %).
    pub unknown_cv_pct: f64,
}

/// The edge of a spot reads other than its centre (EV-21): `e = 1 + edge_excess·(r/R)²`, r the distance of the disc's
/// centre from the spot's, R the spot's radius.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SiteTerm {
    /// Relative difference of the edge from the centre; may be negative.
    pub edge_excess: Estimate,
    /// Largest r/R it was validated for.
    pub largest_radius_fraction: f64,
    /// Scatter that an unknown place adds (CV, %).
    pub unknown_cv_pct: f64,
}

/// `R/R_cal = 1 + per_haematocrit·(H − reference) + per_day·age` (DBS-05).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RecoveryTerm {
    /// Relative change per L/L of haematocrit.
    pub per_haematocrit: Estimate,
    /// Haematocrit of the calibrators' blood (L/L).
    pub reference_haematocrit: f64,
    /// Relative change per day of age.
    pub per_day: Estimate,
}

impl RecoveryTerm {
    /// Whether it changes with the haematocrit.
    #[must_use]
    pub fn depends_on_haematocrit(&self) -> bool {
        self.per_haematocrit.value.abs() > 0.0 || self.per_haematocrit.standard_uncertainty > 0.0
    }

    /// Whether it changes with the spot's age.
    #[must_use]
    pub fn depends_on_age(&self) -> bool {
        self.per_day.value.abs() > 0.0 || self.per_day.standard_uncertainty > 0.0
    }
}

/// Drug lost on the card in the post (DBS-08): `s = 1 − loss_per_day·age`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct StabilityTerm {
    /// Share lost a day, where a slope was validated; `None`: a limit and no correction.
    pub loss_per_day: Option<Estimate>,
    /// Oldest age that was validated (days).
    pub validated_age_d: f64,
    /// What is said of an older spot.
    pub beyond: BeyondStability,
}

/// What is said of a spot older than was validated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BeyondStability {
    /// Nothing.
    Refuse,
    /// At least so much: the drug can only have become less.
    AtLeast,
}

/// What pictures of a spot say of it. Everything may be unknown.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct SpotEvidence {
    /// Haematocrit (L/L) estimated from the spot.
    pub haematocrit: Option<Estimate>,
    /// Volume of blood on the card (µL).
    pub volume_ul: Option<Estimate>,
    /// Distance of the disc's centre from the spot's, over the spot's radius.
    pub radius_fraction: Option<f64>,
}
