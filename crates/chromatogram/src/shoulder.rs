//! Peaks that reach into each other: which points go into the fit, and when a shoulder is believed.

use crate::area::Scatter;
use crate::baseline::Baseline;
use crate::deconvolution::{self, Component, Overlap};
use crate::placement::Placement;
use crate::reference::TransitionReference;
use crate::scratch::{Scratch, range};
use crate::shape::PeakShape;
use crate::view::View;

pub(crate) fn deconvolve(
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

/// Smallest excess over the placed shape that is looked at as a shoulder, as a share of the height.
const BUMP_SHARE: f64 = 0.04;

/// A place (s from the apex) and height (counts) where the smoothed trace stands clearly above the placed shape, to
/// one side of the apex.
pub(crate) fn bump(
    scratch: &Scratch,
    baseline: &Baseline,
    shape: &PeakShape,
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

/// A shoulder is believed when two peaks of the run's shape explain the points much better than one, and the
/// second is beyond doubt.
pub(crate) fn resolve_shoulder(
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
