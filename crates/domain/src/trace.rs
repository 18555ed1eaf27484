//! A chromatogram as it was recorded: times, intensities and what the instrument was set to.

use serde::{Deserialize, Serialize};

/// Charge sign of the measured ions.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Polarity {
    /// Positive ions.
    Positive,
    /// Negative ions.
    Negative,
}

/// The m/z interval one mass filter lets through.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct IsolationWindow {
    /// Target m/z (Th).
    pub target_mz: f64,
    /// Distance from the target down to the lower edge (Th), when stated.
    pub lower_offset_mz: Option<f64>,
    /// Distance from the target up to the upper edge (Th), when stated.
    pub upper_offset_mz: Option<f64>,
}

/// What a trace is a record of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TraceKind {
    /// Total ion current.
    TotalIonCurrent,
    /// Base peak.
    BasePeak,
    /// Selected (or multiple) reaction monitoring: one transition.
    SelectedReactionMonitoring,
    /// Selected ion monitoring.
    SelectedIonMonitoring,
    /// Selected ion current, extracted from scans.
    SelectedIonCurrent,
    /// Light absorption.
    Absorption,
    /// Emission.
    Emission,
    /// Ion counts, pressure, temperature or another recorded quantity.
    Other,
}

/// Something legal but odd that was seen while reading a trace. The trace is kept; the oddity is reported.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(tag = "problem", rename_all = "kebab-case")]
pub enum TraceProblem {
    /// The same id stands on an earlier trace of the file.
    DuplicateId {
        /// Index of the first trace with this id.
        first_index: usize,
    },
    /// Another trace of the file measures the same transition.
    DuplicateTransition {
        /// Index of the first trace with this transition.
        first_index: usize,
    },
    /// Times go backwards at least once.
    UnsortedTimes {
        /// How many steps go backwards.
        steps_back: usize,
    },
    /// At least one time stands more than once in a row.
    RepeatedTimes {
        /// How many steps have zero length.
        repeats: usize,
    },
    /// Several segments were merged into this trace (SRM recorded as spectra, or scheduled segments).
    MergedSegments {
        /// How many segments.
        segments: usize,
    },
    /// An array's name contradicts its accession; the accession was followed.
    ArrayNameContradictsAccession {
        /// The accession that was followed, e.g. `MS:1002313`.
        accession: String,
        /// The name beside it.
        name: String,
    },
    /// The `index` attribute does not equal the position in the file.
    IndexOutOfOrder {
        /// What the file says.
        stated: u64,
    },
    /// A list's `count` attribute is absent.
    CountMissing,
    /// The list's `count` attribute is smaller than the position of this trace: the list holds more than it says.
    MoreThanCount {
        /// What the file says.
        stated: u64,
    },
    /// No unit is stated for the time array; minutes were assumed.
    TimeUnitMissing,
    /// The trace has no points.
    Empty,
    /// Intensities below zero occur.
    NegativeIntensity {
        /// How many points.
        points: usize,
    },
    /// Anything else worth a person's look.
    Note {
        /// In words.
        text: String,
    },
}

/// One recorded trace. Times are always minutes here, whatever the file's unit was.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace {
    /// The file's id for this trace.
    pub id: String,
    /// Position in the file, from 0.
    pub index: usize,
    /// What it records.
    pub kind: TraceKind,
    /// Polarity, when stated.
    pub polarity: Option<Polarity>,
    /// First mass filter, when stated.
    pub precursor: Option<IsolationWindow>,
    /// Second mass filter, when stated.
    pub product: Option<IsolationWindow>,
    /// Dwell time (s), when stated.
    pub dwell_s: Option<f64>,
    /// Times (min), one a point, all finite.
    pub time_min: Vec<f64>,
    /// Intensities (counts or counts per second, as recorded), one a point, all finite.
    pub intensity: Vec<f64>,
    /// Oddities, in a fixed order.
    pub problems: Vec<TraceProblem>,
}

impl Trace {
    /// Number of points.
    #[must_use]
    pub fn len(&self) -> usize {
        self.time_min.len()
    }

    /// Whether the trace holds no point.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.time_min.is_empty()
    }

    /// Area of the whole trace by the trapezoid rule (counts·s), no baseline taken off.
    #[must_use]
    pub fn trapezoid_area_counts_s(&self) -> f64 {
        let steps = self.time_min.windows(2).zip(self.intensity.windows(2));
        60.0 * steps
            .map(|(t, y)| (t[1] - t[0]) * (y[0] + y[1]) * 0.5)
            .sum::<f64>()
    }
}
