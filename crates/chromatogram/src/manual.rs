//! Limits that a person set.

use crate::area::{Scatter, integrate};
use crate::baseline::Baseline;
use crate::figures;
use crate::reference::TransitionReference;
use crate::scratch::{Scratch, range};
use crate::smoothing::{Smoother, half_width};
use spotwright_domain::method::IntegrationSettings;
use spotwright_domain::peak::{Integration, Peak, PeakFlag, PeakOutcome};
use spotwright_domain::trace::Trace;

/// Integration limits that a person set for one transition of one injection. The automatic area is kept beside the
/// result (ICH M10 3.3.6).
#[derive(Debug, Clone, PartialEq)]
pub struct ManualLimits {
    /// Index of the transition in the method's order.
    pub transition: usize,
    /// Left limit (min).
    pub start_min: f64,
    /// Right limit (min).
    pub end_min: f64,
    /// Why; from the laboratory's list.
    pub reason: String,
    /// Role or code of the person.
    pub person: String,
}

/// Measures between the given limits. The baseline joins the smoothed trace at the two limits: what the person sees under
/// the cursor. `None` when fewer than three points lie between the limits or nothing stands above the line.
pub(crate) fn measure(
    trace: &Trace,
    reference: &TransitionReference,
    limits: &ManualLimits,
    automatic: &PeakOutcome,
    settings: &IntegrationSettings,
    scratch: &mut Scratch,
) -> Option<Peak> {
    let (start_min, end_min) = (limits.start_min, limits.end_min);
    if !start_min.is_finite() || !end_min.is_finite() || start_min >= end_min {
        return None;
    }
    let centre_min = 0.5 * (start_min + end_min);
    let half_s = 30.0 * (end_min - start_min);
    let width = reference.width_half_height_s();
    let extent = scratch.load(trace, centre_min, half_s + 2.0 * width, half_s + 2.0 * width)?;
    let points_per_width = if extent.step_s > 0.0 {
        width / extent.step_s
    } else {
        0.0
    };
    let smoother = Smoother::new(half_width(points_per_width, settings.smoothing_width_fraction));
    smoother.apply(&scratch.y, &mut scratch.smooth);
    let inside = range(&scratch.x, -half_s, half_s);
    if inside.len() < 3 {
        return None;
    }
    let (from, to) = (
        (-half_s).max(scratch.x[inside.start]),
        half_s.min(scratch.x[inside.end - 1]),
    );
    let noise = match automatic {
        PeakOutcome::Found(peak) => peak.noise_counts,
        PeakOutcome::NotFound(none) => none.noise_counts.unwrap_or(0.0),
    };
    let noise = if noise > 0.0 {
        noise
    } else {
        crate::noise::difference_noise(&scratch.y, &mut scratch.work, &mut scratch.kept)
    };
    let Scratch { x, y, smooth, .. } = scratch;
    let ends = [inside.start, inside.end - 1].map(|i| smooth[i]);
    let baseline = Baseline::through((from, ends[0]), (to, ends[1]), smoother.variance_ratio, noise);
    let scatter = Scatter {
        electronic: noise * noise * reference.empty_area_factor,
        model: reference.noise,
        inflation: 1.0,
    };
    let area = integrate(x, y, smooth, &baseline, &scatter, from, to)?;
    let apex = inside
        .clone()
        .max_by(|a, b| (smooth[*a] - baseline.at(x[*a])).total_cmp(&(smooth[*b] - baseline.at(x[*b]))))?;
    let height = smooth[apex] - baseline.at(x[apex]);
    let apex_s = crate::candidate::vertex(x, smooth, apex);
    let smooth_noise = noise * smoother.variance_ratio.sqrt();
    let figures = figures::read(
        x,
        smooth,
        &baseline,
        (apex, apex_s),
        height,
        smooth_noise,
        (2.0 * half_s, 2.0 * half_s),
    );
    let retention_time_min = centre_min + apex_s / 60.0;
    let mut flags = Vec::new();
    if figures::is_saturated(
        &x[inside.clone()],
        &y[inside.clone()],
        settings.saturation_counts,
        width,
        noise,
    ) {
        flags.push(PeakFlag::Saturated);
    }
    if inside.len() < settings.minimum_points {
        flags.push(PeakFlag::FewPoints);
    }
    if extent.first_s > -half_s || extent.last_s < half_s {
        flags.push(PeakFlag::AtTraceEnd);
    }
    if noise <= 0.0 {
        flags.push(PeakFlag::NoiseNotMeasurable);
    }
    flags.sort_unstable();
    let height_variance = smoother.variance_ratio * scatter.variance(height, baseline.at(apex_s))
        + noise * noise * baseline.unit_variance_at(apex_s);
    let width_half_height_s = figures.width_half_height_s.unwrap_or(width);
    let peak = Peak {
        area_counts_s: area.net,
        area_standard_uncertainty_counts_s: (area.point_variance + area.baseline_variance).sqrt(),
        height_counts: height,
        height_standard_uncertainty_counts: height_variance.sqrt(),
        retention_time_min,
        signal_to_noise: if noise > 0.0 { height / noise } else { 0.0 },
        noise_counts: noise,
        width_half_height_s,
        tailing_factor: figures.tailing_factor,
        asymmetry: figures.asymmetry,
        plates: crate::transition::plates(retention_time_min, width_half_height_s),
        points_across_peak: area.points,
        start_min: centre_min + from / 60.0,
        end_min: centre_min + to / 60.0,
        baseline_start_counts: baseline.at(from),
        baseline_end_counts: baseline.at(to),
        integration: Integration::Manual {
            reason: limits.reason.clone(),
            person: limits.person.clone(),
            automatic_area_counts_s: automatic.found().map(|peak| peak.area_counts_s),
        },
        flags,
    };
    crate::transition::is_finite(&peak).then_some(peak)
}
