//! How chromatograms are integrated; the same for every injection of a run (M10-33, EV-52).

use serde::{Deserialize, Serialize};

/// Integration settings of a method.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct IntegrationSettings {
    /// Expected full width of a peak at half height (s). A start only: the run's calibrators give the real width.
    pub expected_width_s: f64,
    /// How far from the expected retention peaks are looked for (min).
    pub search_half_width_min: f64,
    /// Smallest signal to noise (height over root-mean-square noise) that counts as a peak.
    pub minimum_signal_to_noise: f64,
    /// Limits are set where the run's mean peak falls to this share of its height.
    pub limit_height_fraction: f64,
    /// Full width of the smoothing window as a share of the width at half height; used to find peaks and limits,
    /// never for areas.
    pub smoothing_width_fraction: f64,
    /// Detector ceiling (counts); `None`: judged by a flat top alone.
    pub saturation_counts: Option<f64>,
    /// Fewest points across a peak before its area is flagged (PR-30).
    pub minimum_points: usize,
    /// Largest distance between a trace's target m/z and the method's for the two to be the same transition.
    pub mz_tolerance: f64,
}

impl Default for IntegrationSettings {
    fn default() -> Self {
        Self {
            expected_width_s: 4.0,
            search_half_width_min: 0.3,
            minimum_signal_to_noise: 3.0,
            limit_height_fraction: 0.02,
            smoothing_width_fraction: 0.5,
            saturation_counts: None,
            minimum_points: 8,
            mz_tolerance: 0.3,
        }
    }
}
