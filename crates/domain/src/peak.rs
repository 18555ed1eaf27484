//! What was found where a peak was expected.

use serde::{Deserialize, Serialize};

/// How an area was obtained.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Integration {
    /// Trapezoid sum of the recorded points over a fitted baseline.
    Sum,
    /// Exponentially modified Gaussian fitted beside overlapping neighbours.
    Deconvolution {
        /// Peaks in the fit.
        peaks: usize,
    },
    /// Trapezoid sum between limits a person set.
    Manual {
        /// Why.
        reason: String,
        /// Role or code of the person.
        person: String,
        /// What the automatic limits gave (counts·s), kept beside it. `None`: no automatic peak.
        automatic_area_counts_s: Option<f64>,
    },
}

/// Something about a peak that a person should know.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PeakFlag {
    /// Flat top at the detector's ceiling.
    Saturated,
    /// The peak has two tops.
    Split,
    /// The peak has a shoulder.
    Shoulder,
    /// Another peak reaches into the limits.
    Overlapping,
    /// More than one peak stands in the retention window.
    SeveralInWindow,
    /// Fewer points than the limit.
    FewPoints,
    /// The limits touch the end of the trace.
    AtTraceEnd,
    /// Much wider than the run's peaks of this transition.
    UnusuallyWide,
    /// Noise could not be measured (all-zero baseline): signal to noise is not a number to rely on.
    NoiseNotMeasurable,
}

/// A peak, measured. All numbers finite.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Peak {
    /// Area above the baseline (counts·s).
    pub area_counts_s: f64,
    /// Standard uncertainty of the area from noise, counting and baseline (counts·s).
    pub area_standard_uncertainty_counts_s: f64,
    /// Height above the baseline (counts).
    pub height_counts: f64,
    /// Standard uncertainty of the height (counts).
    pub height_standard_uncertainty_counts: f64,
    /// Time of the apex (min).
    pub retention_time_min: f64,
    /// Height over root-mean-square noise of the baseline.
    pub signal_to_noise: f64,
    /// Root-mean-square noise of the baseline (counts).
    pub noise_counts: f64,
    /// Full width at half height (s).
    pub width_half_height_s: f64,
    /// Tailing factor at 5 % of height (USP <621> / Ph. Eur. 2.2.46 symmetry factor): w0.05 / (2 d).
    pub tailing_factor: Option<f64>,
    /// Asymmetry at 10 % of height: b/a.
    pub asymmetry: Option<f64>,
    /// Plates, `5.54 (tR / w_half)²` (Ph. Eur. 2.2.46).
    pub plates: Option<f64>,
    /// Recorded points between the limits.
    pub points_across_peak: usize,
    /// Left limit (min).
    pub start_min: f64,
    /// Right limit (min).
    pub end_min: f64,
    /// Baseline at the left limit (counts).
    pub baseline_start_counts: f64,
    /// Baseline at the right limit (counts).
    pub baseline_end_counts: f64,
    /// How the area was obtained.
    pub integration: Integration,
    /// What a person should know, sorted.
    pub flags: Vec<PeakFlag>,
}

/// Why there is no peak.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NoPeakReason {
    /// Nothing stands out of the noise in the window.
    NothingAboveNoise,
    /// Peaks exist, none within the retention tolerance.
    NothingAtExpectedTime,
    /// A peak stands at the expected time, but more than twice as wide as the run's: it elutes late from an earlier
    /// injection, and what it may hide cannot be told.
    TooWide,
    /// The window lies outside the recorded time.
    WindowOutsideTrace,
    /// Too few points to say anything.
    TooFewPoints,
    /// The file holds no trace of this transition.
    TraceAbsent,
    /// The file could not be read.
    FileUnreadable,
}

/// No peak, and what the trace shows where it would have been.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NoPeak {
    /// Why.
    pub reason: NoPeakReason,
    /// Area between the run's limits for this transition (counts·s), baseline taken off: what a blank is judged by.
    pub residual_area_counts_s: Option<f64>,
    /// Its standard uncertainty (counts·s).
    pub residual_standard_uncertainty_counts_s: Option<f64>,
    /// Root-mean-square noise (counts), when it could be measured.
    pub noise_counts: Option<f64>,
    /// Time of the nearest peak outside the tolerance (min).
    pub nearest_peak_min: Option<f64>,
}

/// What was found where a peak was expected.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PeakOutcome {
    /// A peak.
    Found(Peak),
    /// No peak.
    NotFound(NoPeak),
}

impl PeakOutcome {
    /// The peak, if there is one.
    #[must_use]
    pub fn found(&self) -> Option<&Peak> {
        match self {
            Self::Found(peak) => Some(peak),
            Self::NotFound(_) => None,
        }
    }

    /// Nothing known but the reason.
    #[must_use]
    pub fn absent(reason: NoPeakReason) -> Self {
        Self::NotFound(NoPeak {
            reason,
            residual_area_counts_s: None,
            residual_standard_uncertainty_counts_s: None,
            noise_counts: None,
            nearest_peak_min: None,
        })
    }
}

/// The few numbers of a [`PeakOutcome`] that judging a run needs; small, so that a long run fits in memory.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Response {
    /// Why there is no peak; `None` when there is one.
    pub missing: Option<NoPeakReason>,
    /// Peak area, or the residual area where the peak would have been (counts·s); `None` when neither is known.
    pub area_counts_s: Option<f64>,
    /// Standard uncertainty of the area (counts·s); 0 when the area is unknown.
    pub area_standard_uncertainty_counts_s: f64,
    /// Apex (min); 0 when there is no peak.
    pub retention_time_min: f64,
    /// Signal to noise; 0 when there is no peak.
    pub signal_to_noise: f64,
    /// Full width at half height (s); 0 when there is no peak.
    pub width_half_height_s: f64,
    /// Flags as a set: bit `n` is the `n`th variant of [`PeakFlag`].
    pub flags: u16,
    /// Limits were set by hand.
    pub manual: bool,
}

impl Response {
    /// Whether a peak was found.
    #[must_use]
    pub fn found(&self) -> bool {
        self.missing.is_none()
    }

    /// Whether the peak carries this flag.
    #[must_use]
    pub fn has(&self, flag: PeakFlag) -> bool {
        self.flags & (1 << flag as u16) != 0
    }
}

impl From<&PeakOutcome> for Response {
    fn from(outcome: &PeakOutcome) -> Self {
        match outcome {
            PeakOutcome::Found(peak) => Self {
                missing: None,
                area_counts_s: Some(peak.area_counts_s),
                area_standard_uncertainty_counts_s: peak.area_standard_uncertainty_counts_s,
                retention_time_min: peak.retention_time_min,
                signal_to_noise: peak.signal_to_noise,
                width_half_height_s: peak.width_half_height_s,
                flags: peak.flags.iter().fold(0, |set, flag| set | (1 << *flag as u16)),
                manual: matches!(peak.integration, Integration::Manual { .. }),
            },
            PeakOutcome::NotFound(none) => Self {
                missing: Some(none.reason),
                area_counts_s: none.residual_area_counts_s,
                area_standard_uncertainty_counts_s: none
                    .residual_standard_uncertainty_counts_s
                    .unwrap_or(0.0),
                retention_time_min: 0.0,
                signal_to_noise: 0.0,
                width_half_height_s: 0.0,
                flags: 0,
                manual: false,
            },
        }
    }
}

/// A [`PeakOutcome`] spread flat beside its neighbours' fields (`"outcome": "found", "area_counts_s": …`), for
/// `#[serde(flatten, with = "flat_outcome")]`. The plain form stays as it is because compact encodings that do not
/// name fields cannot hold a flat one.
pub mod flat_outcome {
    use super::{NoPeak, Peak, PeakOutcome};
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    #[derive(Serialize)]
    #[serde(tag = "outcome", rename_all = "kebab-case")]
    enum FlatRef<'a> {
        Found(&'a Peak),
        NotFound(&'a NoPeak),
    }

    #[derive(Deserialize)]
    #[serde(tag = "outcome", rename_all = "kebab-case")]
    enum Flat {
        Found(Peak),
        NotFound(NoPeak),
    }

    /// Writes the outcome flat.
    ///
    /// # Errors
    /// When the serializer fails.
    pub fn serialize<S: Serializer>(outcome: &PeakOutcome, serializer: S) -> Result<S::Ok, S::Error> {
        match outcome {
            PeakOutcome::Found(peak) => FlatRef::Found(peak),
            PeakOutcome::NotFound(none) => FlatRef::NotFound(none),
        }
        .serialize(serializer)
    }

    /// Reads the outcome from the flat form.
    ///
    /// # Errors
    /// When the fields are not those of an outcome.
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<PeakOutcome, D::Error> {
        Ok(match Flat::deserialize(deserializer)? {
            Flat::Found(peak) => PeakOutcome::Found(peak),
            Flat::NotFound(none) => PeakOutcome::NotFound(none),
        })
    }
}
