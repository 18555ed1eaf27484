//! The window of a trace around an expected peak: its candidates, which of them to take, and its baseline.

use crate::baseline::{self, Baseline};
use crate::candidate::{self, Candidate, Criteria, Overview};
use crate::figures;
use crate::reference::TransitionReference;
use crate::scratch::{Extent, Scratch, range};
use crate::smoothing::{Smoother, half_width};
use spotwright_domain::method::IntegrationSettings;
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

/// The window and the tools that fit it.
pub(crate) struct View {
    pub extent: Extent,
    pub overview: Overview,
    pub smoother: Smoother,
}

/// The baseline is fitted to stretches of this many times the distance of the limits on each side. Longer ones would average more noise but
/// follow a wandering baseline less: with both as usual for such traces the total is least about here.
pub(crate) const STRETCH: f64 = 0.75;
/// The noise comes from stretches of this many times the distance of the limits.
const NOISE_STRETCH: f64 = 1.5;
/// Candidates narrower than this share of the run's peaks are spikes.
const NARROWEST: f64 = 0.35;
/// Candidates wider than this multiple elute late from an earlier injection, unless flat-topped.
const WIDEST: f64 = 2.0;
/// Below this signal to noise a candidate's width is not known well enough to call it late.
const LATE_SIGNAL_TO_NOISE: f64 = 10.0;
/// A neighbour of this share of a peak's height bends its shape.
const NEIGHBOUR_SHARE: f64 = 0.02;
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
        c.apex_s.abs() <= tolerance_s
            && (!is_late(c, width, noise) || has_flat_top(scratch, c, width, settings, noise))
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

/// Whether a candidate is so wide that it elutes late from an earlier injection (EV-33).
pub(crate) fn is_late(candidate: &Candidate, width_s: f64, noise: f64) -> bool {
    candidate.width_s > WIDEST * width_s && candidate.height > LATE_SIGNAL_TO_NOISE * noise
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
pub(crate) fn split_partner(scratch: &Scratch, position: usize, width: f64) -> Option<usize> {
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
