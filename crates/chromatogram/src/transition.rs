//! One transition of one injection: from the window of a trace to a peak, or to what stands where it would be.

use crate::area::{Area, Scatter, integrate};
use crate::baseline::Baseline;
use crate::candidate::Candidate;
use crate::deconvolution::{Component, MOST_PEAKS};
use crate::empty::nothing;
use crate::figures::{self, Figures};
use crate::placement::{Placement, amplitude_at, place};
use crate::reference::TransitionReference;
use crate::residuals::{inflation, own_noise};
use crate::scratch::{Scratch, range};
use crate::shoulder::{bump, deconvolve, resolve_shoulder};
use crate::smoothing::Smoother;
use crate::view::{Aim, View, baseline_around, choose, feet, has_neighbour, split_partner, view};
use spotwright_domain::method::IntegrationSettings;
use spotwright_domain::peak::{Integration, NoPeakReason, Peak, PeakFlag, PeakOutcome};

/// What was found.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Finding {
    pub outcome: PeakOutcome,
    /// 2H/h.
    pub signal_to_noise_pharmacopoeia: Option<f64>,
}

/// Fewest points in the window.
pub(crate) const FEWEST_POINTS: usize = 5;
/// Widths above this multiple of the run's are flagged …
const UNUSUAL_WIDTH: f64 = 1.5;
/// … when signal to noise is above this: below, the width is not known well enough.
const WIDTH_READABLE: f64 = 20.0;
/// A neighbour whose area within the limits is above this share of the peak's overlaps with it.
const OVERLAP_SHARE: f64 = 0.003;
/// Another peak within the tolerance makes the choice doubtful when it is at least this share of the chosen.
const RIVAL_SHARE: f64 = 0.05;

/// Measures the transition.
pub(crate) fn measure(aim: &Aim<'_>, settings: &IntegrationSettings, scratch: &mut Scratch) -> Finding {
    let absent = |reason| Finding {
        outcome: PeakOutcome::absent(reason),
        signal_to_noise_pharmacopoeia: None,
    };
    if !aim.expected_min.is_finite() {
        return absent(NoPeakReason::TooFewPoints);
    }
    let Some(view) = view(aim, settings, scratch) else {
        return absent(NoPeakReason::TooFewPoints);
    };
    let tolerance_s = 60.0 * aim.tolerance_min;
    if view.extent.last_s < -tolerance_s || view.extent.first_s > tolerance_s {
        return absent(NoPeakReason::WindowOutsideTrace);
    }
    if scratch.x.len() < FEWEST_POINTS {
        return absent(NoPeakReason::TooFewPoints);
    }
    let chosen = choose(scratch, aim.reference, tolerance_s, settings, view.overview.noise);
    let found = chosen.and_then(|position| measure_candidate(aim, settings, &view, scratch, position));
    match found {
        Some(finding) => finding,
        None => nothing(aim, settings, &view, scratch, tolerance_s),
    }
}

fn measure_candidate(
    aim: &Aim<'_>,
    settings: &IntegrationSettings,
    view: &View,
    scratch: &mut Scratch,
    position: usize,
) -> Option<Finding> {
    let reference = aim.reference;
    let shape = &reference.shape;
    let width = shape.width_half_height_s();
    let chosen = scratch.candidates[position];
    let split_with = split_partner(scratch, position, width);
    let one_peak = split_with.filter(|_| aim.tops_are_one_peak);
    let tops = match one_peak {
        Some(other) => {
            let other = scratch.candidates[other].apex_s;
            (chosen.apex_s.min(other), chosen.apex_s.max(other))
        }
        None => (chosen.apex_s, chosen.apex_s),
    };
    let baseline = baseline_around(
        scratch,
        reference,
        tops,
        |p| p == position || Some(p) == one_peak,
        &view.overview,
    );
    let noise = baseline.noise;
    let joined = has_neighbour(scratch, position, reference);
    let placed = place(&scratch.x, &scratch.y, &baseline, shape, chosen.apex_s)
        .filter(|p| !joined && (p.apex_s - chosen.apex_s).abs() < 0.5 * width);
    let placement = placed.unwrap_or_else(|| {
        let (amplitude, shape_square) = amplitude_at(&scratch.x, &scratch.y, &baseline, shape, chosen.apex_s);
        Placement {
            apex_s: chosen.apex_s,
            amplitude,
            shape_square,
        }
    });
    // Spikes are low here and broad noise is not raised; a peak unlike the run's is judged by its own height.
    if placement.amplitude <= 0.0 || placement.amplitude < settings.minimum_signal_to_noise * noise {
        return None;
    }
    let apex_s = placement.apex_s;
    if apex_s.abs() > 60.0 * aim.tolerance_min + 0.25 * width {
        return None;
    }
    let tops = if one_peak.is_some() {
        tops
    } else {
        (apex_s, apex_s)
    };
    let limits = (tops.0 - reference.left_limit_s, tops.1 + reference.right_limit_s);

    let overlaps = |c: &Candidate| {
        let d = apex_s - c.apex_s;
        let inside = shape.area_between(d - reference.left_limit_s, d + reference.right_limit_s);
        c.amplitude * inside > OVERLAP_SHARE * placement.amplitude * reference.captured_area_fraction
    };
    let reach = 2.0 * (feet(reference).0 + feet(reference).1);
    let mut starts = [(apex_s, placement.amplitude); MOST_PEAKS];
    let mut peaks = 1;
    let mut several = false;
    for (p, c) in scratch.candidates.iter().enumerate() {
        if p == position || Some(p) == one_peak {
            continue;
        }
        several |=
            c.apex_s.abs() <= 60.0 * aim.tolerance_min && c.amplitude > RIVAL_SHARE * placement.amplitude;
        if peaks < MOST_PEAKS && (c.apex_s - apex_s).abs() < reach && overlaps(c) {
            starts[peaks] = (c.apex_s, c.amplitude);
            peaks += 1;
        }
    }

    let electronic = noise * noise;
    let model = own_noise(reference.noise, scratch, &baseline, shape, &placement);
    let mut scatter = Scatter {
        electronic: electronic * reference.empty_area_factor,
        model,
        inflation: 1.0,
    };
    if peaks == 1 && one_peak.is_none() {
        scatter.inflation = inflation(scratch, &baseline, shape, &placement, model);
    }
    let Scratch { x, y, smooth, .. } = &*scratch;
    let area = integrate(x, y, smooth, &baseline, &scatter, limits.0, limits.1)?;

    let mut flags = Vec::new();
    let mut component = None;
    let mut shoulder = false;
    if peaks > 1 {
        flags.push(PeakFlag::Overlapping);
        component = deconvolve(scratch, &baseline, reference, &scatter, &starts[..peaks], limits);
    } else if one_peak.is_none()
        && let Some(bump) = bump(scratch, &baseline, shape, &placement, &scatter, limits, view)
    {
        component = resolve_shoulder(scratch, &baseline, reference, &scatter, &placement, bump, limits);
        shoulder = component.is_some();
    }

    let index = highest_near(
        x,
        smooth,
        if component.is_some() {
            apex_s
        } else {
            chosen.apex_s
        },
    );
    let value = smooth_at(x, smooth, apex_s);
    let mut height = value - baseline.at(apex_s);
    let mut retention_s = apex_s;
    if let Some(component) = &component {
        height = component.height;
        retention_s = component.apex_s;
    }
    let smooth_noise = noise * view.smoother.variance_ratio.sqrt();
    let figures = figures::read(
        x,
        smooth,
        &baseline,
        (index, x[index].clamp(apex_s - width, apex_s + width)),
        height,
        smooth_noise,
        reach_of(reference),
    );
    let inside = range(x, limits.0, limits.1);
    if figures::is_saturated(
        &x[inside.clone()],
        &y[inside],
        settings.saturation_counts,
        width,
        noise,
    ) {
        flags.push(PeakFlag::Saturated);
    }
    if one_peak.is_some() {
        flags.push(PeakFlag::Split);
    }
    if shoulder {
        flags.push(PeakFlag::Shoulder);
    }
    if several {
        flags.push(PeakFlag::SeveralInWindow);
    }
    if area.points < settings.minimum_points {
        flags.push(PeakFlag::FewPoints);
    }
    if view.extent.first_s > limits.0 || view.extent.last_s < limits.1 {
        flags.push(PeakFlag::AtTraceEnd);
    }
    let wide = figures
        .width_half_height_s
        .is_some_and(|w| w > UNUSUAL_WIDTH * width);
    if wide && height > WIDTH_READABLE * noise && peaks == 1 && one_peak.is_none() {
        flags.push(PeakFlag::UnusuallyWide);
    }
    if !baseline.measurable {
        flags.push(PeakFlag::NoiseNotMeasurable);
    }
    flags.sort_unstable();

    let peak = assemble(
        aim,
        reference,
        &baseline,
        &scatter,
        &view.smoother,
        Parts {
            area,
            component,
            peaks: if shoulder { 2 } else { peaks },
            limits,
            height,
            retention_s,
            figures,
            flags,
        },
    );
    let signal_to_noise_pharmacopoeia =
        (baseline.measurable && baseline.peak_to_peak > 0.0).then(|| 2.0 * height / baseline.peak_to_peak);
    is_finite(&peak).then(|| Finding {
        outcome: PeakOutcome::Found(peak),
        signal_to_noise_pharmacopoeia: signal_to_noise_pharmacopoeia.filter(|v| v.is_finite()),
    })
}

struct Parts {
    area: Area,
    component: Option<Component>,
    peaks: usize,
    limits: (f64, f64),
    height: f64,
    retention_s: f64,
    figures: Figures,
    flags: Vec<PeakFlag>,
}

fn assemble(
    aim: &Aim<'_>,
    reference: &TransitionReference,
    baseline: &Baseline,
    scatter: &Scatter,
    smoother: &Smoother,
    parts: Parts,
) -> Peak {
    let Parts {
        area,
        component,
        peaks,
        limits,
        height,
        retention_s,
        figures,
        flags,
    } = parts;
    let (area_counts_s, variance, integration) = match component {
        Some(c) => (c.area, c.variance, Integration::Deconvolution { peaks }),
        None => {
            let captured = reference.captured_area_fraction;
            let variance = (area.point_variance + area.baseline_variance) / (captured * captured);
            (area.net / captured, variance, Integration::Sum)
        }
    };
    let noise = baseline.noise;
    let background = baseline.at(retention_s);
    let height_variance = smoother.variance_ratio * scatter.variance(height, background)
        + noise * noise * baseline.unit_variance_at(retention_s);
    let minutes = |s: f64| aim.expected_min + s / 60.0;
    let width_half_height_s = figures
        .width_half_height_s
        .unwrap_or(reference.width_half_height_s());
    Peak {
        area_counts_s,
        area_standard_uncertainty_counts_s: variance.sqrt(),
        height_counts: height,
        height_standard_uncertainty_counts: height_variance.sqrt(),
        retention_time_min: minutes(retention_s),
        signal_to_noise: if noise > 0.0 { height / noise } else { 0.0 },
        noise_counts: noise,
        width_half_height_s,
        tailing_factor: figures.tailing_factor,
        asymmetry: figures.asymmetry,
        plates: plates(minutes(retention_s), width_half_height_s),
        points_across_peak: area.points,
        start_min: minutes(limits.0),
        end_min: minutes(limits.1),
        baseline_start_counts: baseline.at(limits.0),
        baseline_end_counts: baseline.at(limits.1),
        integration,
        flags,
    }
}

fn reach_of(reference: &TransitionReference) -> (f64, f64) {
    let (left, right) = feet(reference);
    (1.5 * left, 1.5 * right)
}

/// Position of the highest smoothed point within two points of `at_s`.
fn highest_near(x: &[f64], smooth: &[f64], at_s: f64) -> usize {
    let middle = x.partition_point(|v| *v < at_s).min(x.len() - 1);
    let (first, last) = (middle.saturating_sub(2), (middle + 2).min(x.len() - 1));
    (first..=last).fold(middle, |best, i| if smooth[i] > smooth[best] { i } else { best })
}

/// The smoothed trace at `at_s`, by the parabola through the three nearest points.
fn smooth_at(x: &[f64], smooth: &[f64], at_s: f64) -> f64 {
    let n = x.len();
    let after = x.partition_point(|v| *v < at_s).min(n - 1);
    let nearest = if after > 0 && at_s - x[after - 1] < x[after] - at_s {
        after - 1
    } else {
        after
    };
    let i = nearest.clamp(1, n - 2);
    let (a, b, c) = (x[i - 1], x[i], x[i + 1]);
    let t = at_s.clamp(a, c);
    smooth[i - 1] * ((t - b) * (t - c)) / ((a - b) * (a - c))
        + smooth[i] * ((t - a) * (t - c)) / ((b - a) * (b - c))
        + smooth[i + 1] * ((t - a) * (t - b)) / ((c - a) * (c - b))
}

/// Plates, 5.54·(tR/w½)² (Ph. Eur. 2.2.46).
pub(crate) fn plates(retention_min: f64, width_half_height_s: f64) -> Option<f64> {
    let ratio = 60.0 * retention_min / width_half_height_s;
    let plates = 5.54 * ratio * ratio;
    (retention_min > 0.0 && plates.is_finite()).then_some(plates)
}

/// Whether every number of the peak is finite.
pub(crate) fn is_finite(peak: &Peak) -> bool {
    [
        peak.area_counts_s,
        peak.area_standard_uncertainty_counts_s,
        peak.height_counts,
        peak.height_standard_uncertainty_counts,
        peak.retention_time_min,
        peak.signal_to_noise,
        peak.noise_counts,
        peak.width_half_height_s,
        peak.start_min,
        peak.end_min,
        peak.baseline_start_counts,
        peak.baseline_end_counts,
    ]
    .iter()
    .chain(
        [&peak.tailing_factor, &peak.asymmetry, &peak.plates]
            .into_iter()
            .flatten(),
    )
    .all(|v| v.is_finite())
}
