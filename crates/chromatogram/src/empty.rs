//! Where no peak stands: what is there all the same, and how much such places scatter.

use crate::area::{Scatter, integrate};
use crate::candidate::Candidate;
use crate::noise::NoiseModel;
use crate::scratch::Scratch;
use crate::transition::{FEWEST_POINTS, Finding};
use crate::view::{Aim, STRETCH, View, baseline_around, feet, is_late, view};
use spotwright_domain::method::IntegrationSettings;
use spotwright_domain::peak::{NoPeak, NoPeakReason, PeakOutcome};

/// What stands between the run's limits at the expected time.
pub(crate) fn nothing(
    aim: &Aim<'_>,
    settings: &IntegrationSettings,
    view: &View,
    scratch: &mut Scratch,
    tolerance_s: f64,
) -> Finding {
    let reference = aim.reference;
    let width = reference.width_half_height_s();
    let clear = settings.minimum_signal_to_noise * view.overview.noise;
    let elsewhere = |c: &&Candidate| {
        c.amplitude >= clear && (c.apex_s.abs() > tolerance_s || is_late(c, width, view.overview.noise))
    };
    let nearest = scratch
        .candidates
        .iter()
        .filter(elsewhere)
        .map(|c| c.apex_s)
        .min_by(|a, b| a.abs().total_cmp(&b.abs()));
    // A candidate within the tolerance that was not taken is noise, or too wide; it must not hide what stands in the limits.
    let baseline = baseline_around(scratch, reference, (0.0, 0.0), |_| false, &view.overview);
    let scatter = Scatter {
        electronic: baseline.noise * baseline.noise * reference.empty_area_factor,
        model: reference.noise,
        inflation: 1.0,
    };
    let Scratch { x, y, smooth, .. } = &*scratch;
    let limits = (-reference.left_limit_s, reference.right_limit_s);
    let area = integrate(x, y, smooth, &baseline, &scatter, limits.0, limits.1)
        .filter(|a| a.net.is_finite() && (a.point_variance + a.baseline_variance).is_finite());
    let captured = reference.captured_area_fraction;
    let reason = match nearest {
        // Within the tolerance only what is too wide is left.
        Some(s) if s.abs() <= tolerance_s => NoPeakReason::TooWide,
        Some(_) => NoPeakReason::NothingAtExpectedTime,
        None => NoPeakReason::NothingAboveNoise,
    };
    Finding {
        outcome: PeakOutcome::NotFound(NoPeak {
            reason,
            residual_area_counts_s: area.map(|a| a.net / captured),
            residual_standard_uncertainty_counts_s: area
                .map(|a| (a.point_variance + a.baseline_variance).sqrt() / captured),
            noise_counts: (baseline.measurable && baseline.noise.is_finite()).then_some(baseline.noise),
            nearest_peak_min: nearest.map(|s| aim.expected_min + s / 60.0),
        }),
        signal_to_noise_pharmacopoeia: None,
    }
}

/// Squared area between the run's limits at the expected time over its variance from the points, when no peak stands there or
/// in the baseline's stretches.
pub(crate) fn empty_area_square(
    aim: &Aim<'_>,
    settings: &IntegrationSettings,
    scratch: &mut Scratch,
) -> Option<f64> {
    let reference = aim.reference;
    let settings = &IntegrationSettings {
        search_half_width_min: 0.0,
        ..settings.clone()
    };
    let view = view(aim, settings, scratch)?;
    let (left, right) = feet(reference);
    let stretch = STRETCH * (reference.left_limit_s + reference.right_limit_s);
    let (from, to) = (-left - stretch, right + stretch);
    let free = scratch
        .candidates
        .iter()
        .all(|c| c.apex_s + right < from || c.apex_s - left > to);
    let inside = view.extent.first_s <= from && view.extent.last_s >= to && scratch.x.len() >= FEWEST_POINTS;
    if !free || !inside {
        return None;
    }
    let baseline = baseline_around(scratch, reference, (0.0, 0.0), |_| false, &view.overview);
    let scatter = Scatter {
        electronic: baseline.noise * baseline.noise,
        model: NoiseModel::NONE,
        inflation: 1.0,
    };
    let Scratch { x, y, smooth, .. } = &*scratch;
    let limits = (-reference.left_limit_s, reference.right_limit_s);
    let area = integrate(x, y, smooth, &baseline, &scatter, limits.0, limits.1)?;
    let square = area.net * area.net / (area.point_variance + area.baseline_variance);
    (baseline.measurable && square.is_finite()).then_some(square)
}
