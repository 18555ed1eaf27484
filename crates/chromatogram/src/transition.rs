//! One transition of one injection: from the window of a trace to a peak, or to what stands where it would be.

use crate::area::{Area, Scatter, integrate};
use crate::baseline::{self, Baseline};
use crate::candidate::{self, Candidate, Criteria, Overview};
use crate::deconvolution::{self, Component, MOST_PEAKS, Overlap};
use crate::figures::{self, Figures};
use crate::noise::{NoiseModel, NoiseSample};
use crate::placement::{Placement, amplitude_at, place};
use crate::reference::TransitionReference;
use crate::scratch::{Extent, Scratch, range};
use crate::smoothing::{Smoother, half_width};
use spotwright_domain::method::IntegrationSettings;
use spotwright_domain::peak::{Integration, NoPeak, NoPeakReason, Peak, PeakFlag, PeakOutcome};
use spotwright_domain::trace::Trace;

/// Where to look, and for what.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Aim<'a> {
    pub trace: &'a Trace,
    pub reference: &'a TransitionReference,
    /// Expected apex (min), relative to this injection's internal standards.
    pub expected_min: f64,
    /// How far from it a peak may stand (min).
    pub tolerance_min: f64,
    /// Two tops in the limits are one split peak, not two substances: so it is when an internal standard is split alike.
    pub tops_are_one_peak: bool,
}

/// What was found.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Finding {
    pub outcome: PeakOutcome,
    /// 2H/h.
    pub signal_to_noise_pharmacopoeia: Option<f64>,
}

/// The window and the tools that fit it.
pub(crate) struct View {
    pub extent: Extent,
    pub overview: Overview,
    pub smoother: Smoother,
}

/// The baseline is fitted to stretches of this many times the distance of the limits on each side. Longer ones would average more noise but
/// follow a wandering baseline less: with both as usual for such traces the total is least about here.
const STRETCH: f64 = 0.75;
/// The noise comes from stretches of this many times the distance of the limits.
const NOISE_STRETCH: f64 = 1.5;
/// Fewest points in the window.
const FEWEST_POINTS: usize = 5;
/// Candidates narrower than this share of the run's peaks are spikes.
const NARROWEST: f64 = 0.35;
/// Candidates wider than this multiple elute late from an earlier injection, unless flat-topped.
const WIDEST: f64 = 2.0;
/// Below this signal to noise a candidate's width is not known well enough to call it late.
const LATE_SIGNAL_TO_NOISE: f64 = 10.0;
/// Widths above this multiple of the run's are flagged …
const UNUSUAL_WIDTH: f64 = 1.5;
/// … when signal to noise is above this: below, the width is not known well enough.
const WIDTH_READABLE: f64 = 20.0;
/// A neighbour whose area within the limits is above this share of the peak's overlaps with it.
const OVERLAP_SHARE: f64 = 0.003;
/// A neighbour of this share of a peak's height bends its shape.
const NEIGHBOUR_SHARE: f64 = 0.02;
/// Another peak within the tolerance makes the choice doubtful when it is at least this share of the chosen.
const RIVAL_SHARE: f64 = 0.05;
/// Two tops closer than this many widths, the lower above this share of the higher, may be one split peak.
const SPLIT_DISTANCE: f64 = 1.6;
const SPLIT_SHARE: f64 = 0.2;

/// Loads the window around the expected time and lists the candidates in it.
pub(crate) fn view(aim: &Aim<'_>, settings: &IntegrationSettings, scratch: &mut Scratch) -> Option<View> {
    let reference = aim.reference;
    let (foot_left, foot_right) = feet(reference);
    let stretch = NOISE_STRETCH * (reference.left_limit_s + reference.right_limit_s);
    let width = reference.width_half_height_s();
    let search = 60.0 * settings.search_half_width_min.max(aim.tolerance_min) + width;
    let tolerance = 60.0 * aim.tolerance_min;
    let before = search.max(tolerance + foot_left + stretch);
    let after = search.max(tolerance + foot_right + stretch);
    let extent = scratch.load(aim.trace, aim.expected_min, before, after)?;
    let points_per_width = if extent.step_s > 0.0 {
        width / extent.step_s
    } else {
        0.0
    };
    let smoother = Smoother::new(half_width(points_per_width, settings.smoothing_width_fraction));
    let criteria = Criteria {
        shape: &reference.shape,
        noise: reference.noise,
        signal_to_noise: settings.minimum_signal_to_noise,
        narrowest: if points_per_width >= 3.0 { NARROWEST } else { 0.0 },
    };
    let overview = candidate::find(scratch, &smoother, &criteria);
    Some(View {
        extent,
        overview,
        smoother,
    })
}

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

/// Distances (s) from the apex at which the mean peak has come down to the baseline.
pub(crate) fn feet(reference: &TransitionReference) -> (f64, f64) {
    let (left, right) = reference.shape.feet_s();
    (
        left.max(reference.left_limit_s),
        right.max(reference.right_limit_s),
    )
}

/// The candidate to take: nearest to the expected time; among those that retention cannot tell apart (half a width) the one
/// whose width is most like the run's; among those alike in width (10 %) the highest. Height never comes first (EV-51).
pub(crate) fn choose(
    scratch: &Scratch,
    reference: &TransitionReference,
    tolerance_s: f64,
    settings: &IntegrationSettings,
    noise: f64,
) -> Option<usize> {
    let width = reference.width_half_height_s();
    let plausible = |c: &Candidate| {
        let late = c.width_s > WIDEST * width && c.height > LATE_SIGNAL_TO_NOISE * noise;
        c.apex_s.abs() <= tolerance_s && (!late || has_flat_top(scratch, c, width, settings, noise))
    };
    let of = |(position, c): (usize, &Candidate)| plausible(c).then_some((position, *c));
    let all = || scratch.candidates.iter().enumerate().filter_map(of);
    let nearest = all().map(|(_, c)| c.apex_s.abs()).fold(f64::INFINITY, f64::min);
    let unlike = |c: &Candidate| libm::log(c.width_s.max(1e-9 * width) / width).abs();
    let close = || all().filter(|(_, c)| c.apex_s.abs() <= nearest + 0.5 * width);
    let likest = close().map(|(_, c)| unlike(&c)).fold(f64::INFINITY, f64::min);
    close()
        .filter(|(_, c)| unlike(c) <= likest + 0.1)
        .max_by(|(_, a), (_, b)| a.height.total_cmp(&b.height))
        .map(|(position, _)| position)
}

fn has_flat_top(
    scratch: &Scratch,
    candidate: &Candidate,
    width: f64,
    settings: &IntegrationSettings,
    noise: f64,
) -> bool {
    let around = range(
        &scratch.x,
        candidate.apex_s - candidate.width_s,
        candidate.apex_s + candidate.width_s,
    );
    let (x, y) = (&scratch.x[around.clone()], &scratch.y[around]);
    figures::is_saturated(x, y, settings.saturation_counts, width, noise)
}

/// The baseline around a peak at `apex_s`, other candidates left out.
pub(crate) fn baseline_around(
    scratch: &mut Scratch,
    reference: &TransitionReference,
    apex_s: (f64, f64),
    own: impl Fn(usize) -> bool,
    overview: &Overview,
) -> Baseline {
    let (foot_left, foot_right) = feet(reference);
    let between = reference.left_limit_s + reference.right_limit_s;
    let stretch = NOISE_STRETCH * between;
    let width = reference.width_half_height_s();
    let candidates = std::mem::take(&mut scratch.candidates);
    let (left, right) = (apex_s.0 - foot_left, apex_s.1 + foot_right);
    let fitted = baseline::fit(
        scratch,
        (left - stretch, left),
        (right, right + stretch),
        STRETCH * between,
        |x| {
            candidates.iter().enumerate().any(|(position, c)| {
                let scale = (c.width_s / width).clamp(1.0, 5.0);
                !own(position) && x > c.apex_s - scale * foot_left && x < c.apex_s + scale * foot_right
            })
        },
    );
    scratch.candidates = candidates;
    let mut fitted = fitted.unwrap_or_else(|| {
        // No free stretch on either side: the lower of the two valleys.
        let at = |s: f64| scratch.x.partition_point(|x| *x < s).min(scratch.x.len() - 1);
        let level = scratch.smooth[at(left)].min(scratch.smooth[at(right)]);
        Baseline::flat(level, overview.noise)
    });
    if !fitted.measurable {
        fitted.noise = overview.noise;
    }
    fitted
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

/// What stands between the run's limits at the expected time.
fn nothing(
    aim: &Aim<'_>,
    settings: &IntegrationSettings,
    view: &View,
    scratch: &mut Scratch,
    tolerance_s: f64,
) -> Finding {
    let reference = aim.reference;
    let width = reference.width_half_height_s();
    let clear = settings.minimum_signal_to_noise * view.overview.noise;
    let elsewhere =
        |c: &&Candidate| c.amplitude >= clear && (c.apex_s.abs() > tolerance_s || c.width_s > WIDEST * width);
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

/// Whether another candidate's peak reaches into this one's: then the mean shape laid over the points is drawn towards it.
pub(crate) fn has_neighbour(scratch: &Scratch, position: usize, reference: &TransitionReference) -> bool {
    let chosen = scratch.candidates[position];
    let (left, right) = feet(reference);
    let reach = left + right;
    scratch.candidates.iter().enumerate().any(|(p, c)| {
        p != position
            && (c.apex_s - chosen.apex_s).abs() < reach
            && c.height > NEIGHBOUR_SHARE * chosen.height
    })
}

/// Another top so close and so high that the two may be one split peak.
fn split_partner(scratch: &Scratch, position: usize, width: f64) -> Option<usize> {
    let chosen = scratch.candidates[position];
    let close = |(p, c): &(usize, &Candidate)| {
        *p != position
            && (c.apex_s - chosen.apex_s).abs() < SPLIT_DISTANCE * width
            && c.height.min(chosen.height) > SPLIT_SHARE * c.height.max(chosen.height)
    };
    scratch
        .candidates
        .iter()
        .enumerate()
        .filter(close)
        .max_by(|(_, a), (_, b)| a.height.total_cmp(&b.height))
        .map(|(p, _)| p)
}

/// The noise model, or where none could be learnt, one from this peak's own residuals when it is high enough.
fn own_noise(
    model: NoiseModel,
    scratch: &Scratch,
    baseline: &Baseline,
    shape: &crate::shape::PeakShape,
    placement: &Placement,
) -> NoiseModel {
    if model != NoiseModel::ASSUMED || placement.amplitude <= 20.0 * baseline.noise {
        return model;
    }
    let (mut product, mut square) = (0.0, 0.0);
    for_each_residual(scratch, baseline, shape, placement, |s| {
        let expected = s.electronic + model.flicker * model.flicker * s.signal_square;
        if expected > 0.0 {
            product += s.signal * (s.square - s.electronic) / (expected * expected);
            square += s.signal * s.signal / (expected * expected);
        }
    });
    let counting_counts = if square > 0.0 {
        (product / square).max(0.0)
    } else {
        0.0
    };
    NoiseModel {
        counting_counts,
        flicker: 0.0,
    }
}

/// How many times more the residuals of this peak scatter than expected; 1 unless the excess is beyond chance.
fn inflation(
    scratch: &Scratch,
    baseline: &Baseline,
    shape: &crate::shape::PeakShape,
    placement: &Placement,
    model: NoiseModel,
) -> f64 {
    let (mut sum, mut count) = (0.0, 0.0);
    let flicker_square = model.flicker * model.flicker;
    for_each_residual(scratch, baseline, shape, placement, |s| {
        let expected = s.electronic + model.counting_counts * s.signal + flicker_square * s.signal_square;
        if expected > 0.0 {
            sum += s.square / expected;
            count += 1.0;
        }
    });
    if count < 6.0 {
        return 1.0;
    }
    let ratio = sum / count;
    let by_chance = 4.0 * (crate::noise::MEAN_SQUARE_VARIANCE / count).sqrt();
    if ratio > 1.0 + by_chance { ratio } else { 1.0 }
}

/// Hands out the squared second differences of what the placed shape leaves of a peak.
pub(crate) fn for_each_residual(
    scratch: &Scratch,
    baseline: &Baseline,
    shape: &crate::shape::PeakShape,
    placement: &Placement,
    mut take: impl FnMut(NoiseSample),
) {
    let Scratch { x, y, .. } = scratch;
    let width = shape.width_half_height_s();
    let core = range(x, placement.apex_s - width, placement.apex_s + 1.4 * width);
    let mut last: [(f64, f64, f64); 2] = [(0.0, 0.0, 0.0); 2];
    for (seen, i) in core.enumerate() {
        let signal = placement.amplitude * shape.look_up(x[i] - placement.apex_s).0;
        let background = baseline.at(x[i]);
        let residual = y[i] - background - signal;
        let square = signal * (signal + 2.0 * background.max(0.0));
        let now = (residual, signal, square);
        if seen >= 2 {
            let [a, b] = last;
            let second = a.0 - 2.0 * b.0 + now.0;
            take(NoiseSample {
                square: second * second / 6.0,
                electronic: baseline.noise * baseline.noise,
                signal: (a.1 + 4.0 * b.1 + now.1) / 6.0,
                signal_square: (a.2 + 4.0 * b.2 + now.2) / 6.0,
                injection: 0,
            });
        }
        last = [last[1], now];
    }
}

fn deconvolve(
    scratch: &Scratch,
    baseline: &Baseline,
    reference: &TransitionReference,
    scatter: &Scatter,
    starts: &[(f64, f64)],
    limits: (f64, f64),
) -> Option<Component> {
    let first = starts.iter().fold(limits.0, |least, (apex, _)| {
        least.min(apex - reference.left_limit_s)
    });
    let last = starts.iter().fold(limits.1, |most, (apex, _)| {
        most.max(apex + reference.right_limit_s)
    });
    let points = range(&scratch.x, first, last);
    if points.len() < 3 + 3 * starts.len() {
        return None;
    }
    let overlap = Overlap {
        x: &scratch.x[points.clone()],
        y: &scratch.y[points],
        baseline,
        shape: &reference.shape,
        electronic: scatter.electronic,
        noise: scatter.model,
    };
    deconvolution::resolve(&overlap, starts)
}

/// A place (s from the apex) and height (counts) where the smoothed trace stands clearly above the placed shape, to
/// one side of the apex.
fn bump(
    scratch: &Scratch,
    baseline: &Baseline,
    shape: &crate::shape::PeakShape,
    placement: &Placement,
    scatter: &Scatter,
    limits: (f64, f64),
    view: &View,
) -> Option<(f64, f64)> {
    let Scratch { x, smooth, .. } = scratch;
    if placement.amplitude <= 30.0 * baseline.noise {
        return None;
    }
    let mut best: Option<(f64, f64)> = None;
    for i in range(x, limits.0, limits.1) {
        let from_apex = x[i] - placement.apex_s;
        let signal = placement.amplitude * shape.look_up(from_apex).0;
        let excess = smooth[i] - baseline.at(x[i]) - signal;
        if excess > BUMP_SHARE * placement.amplitude && best.is_none_or(|(_, most)| excess > most) {
            let variance = view.smoother.variance_ratio * scatter.variance(signal, baseline.at(x[i]));
            if excess * excess > 36.0 * variance {
                best = Some((x[i], excess));
            }
        }
    }
    best.filter(|(x, _)| (x - placement.apex_s).abs() > 0.5 * shape.width_half_height_s())
}

/// Smallest excess over the placed shape that is looked at as a shoulder, as a share of the height.
const BUMP_SHARE: f64 = 0.04;

/// A shoulder is believed when two peaks of the run's shape explain the points much better than one, and the
/// second is beyond doubt.
fn resolve_shoulder(
    scratch: &Scratch,
    baseline: &Baseline,
    reference: &TransitionReference,
    scatter: &Scatter,
    placement: &Placement,
    bump: (f64, f64),
    limits: (f64, f64),
) -> Option<Component> {
    let own = (placement.apex_s, placement.amplitude);
    let scatter = &Scatter {
        inflation: 1.0,
        ..*scatter
    };
    let one = deconvolve(scratch, baseline, reference, scatter, &[own], limits)?;
    let two = deconvolve(scratch, baseline, reference, scatter, &[own, bump], limits)?;
    let believed = two.misfit < 0.5 * one.misfit
        && two.misfit < 4.0
        && two.strongest_other > 6.0
        && two.nearest_s > 0.4 * reference.width_half_height_s();
    believed.then_some(two)
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
