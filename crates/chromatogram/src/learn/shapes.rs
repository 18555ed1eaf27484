//! The mean shape of each transition's peaks, and the limits that follow from it.

use super::Run;
use super::shape_fit::{FittedShape, fit_emg, median_shape};
use super::sightings::Sighting;
use crate::injection::Alignment;
use crate::reference::{ReferenceNote, ReferenceOrigin, RunReference, TransitionReference, method_shape};
use crate::scratch::range;
use crate::shape::PeakShape;
use crate::view::{self, baseline_around, feet};

/// Peaks above this signal to noise say something about shape.
const SHAPE_SIGNAL_TO_NOISE: f64 = 30.0;
/// Above this one peak alone gives the shape to about 1 %.
const GOOD_SHAPE_SIGNAL_TO_NOISE: f64 = 100.0;
/// Root-mean-square residual of the fitted shape (share of height) above which a note is made.
const POOR_SHAPE: f64 = 0.03;

impl Run<'_> {
    /// Fits the shapes of up to `most` peaks of each transition and takes the median; sets limits.
    pub(super) fn shapes(
        &mut self,
        reference: &RunReference,
        sightings: &[Vec<Sighting>],
        most: usize,
    ) -> RunReference {
        let alignments = self.alignments(reference);
        let mut learnt: Vec<Option<(PeakShape, f64)>> = Vec::new();
        for (index, sightings) in sightings.iter().enumerate() {
            let of = &reference.transitions[index];
            let fits: Vec<FittedShape> = worth_fitting(sightings, most)
                .into_iter()
                .filter_map(|injection| self.fit_shape(injection, index, of, &alignments[injection]))
                .collect();
            learnt.push(median_shape(&fits));
        }
        let mut shaped = reference.clone();
        for index in 0..self.transitions.len() {
            let old = &reference.transitions[index];
            let (shape, origin) = match &learnt[index] {
                Some((shape, residual)) => {
                    if *residual > POOR_SHAPE {
                        self.notes.push(ReferenceNote::ShapeFitsPoorly {
                            transition: index,
                            residual_pct: 100.0 * residual,
                        });
                    }
                    (shape.clone(), ReferenceOrigin::Run)
                }
                None => match self.lender(index, reference, &learnt) {
                    Some((from, shape)) => {
                        self.notes.push(ReferenceNote::ShapeBorrowed {
                            transition: index,
                            from,
                        });
                        (shape, ReferenceOrigin::Borrowed { from })
                    }
                    None => (method_shape(self.settings), ReferenceOrigin::Method),
                },
            };
            let mut new = TransitionReference::new(old.retention_min, shape, self.settings);
            new.origin = origin;
            new.typical_height_counts = old.typical_height_counts;
            shaped.transitions[index] = new;
        }
        shaped
    }

    /// The transition nearest in retention whose shape is known.
    fn lender(
        &self,
        index: usize,
        reference: &RunReference,
        learnt: &[Option<(PeakShape, f64)>],
    ) -> Option<(usize, PeakShape)> {
        let own = reference.transitions[index].retention_min;
        learnt
            .iter()
            .enumerate()
            .filter_map(|(from, known)| known.as_ref().map(|(shape, _)| (from, shape.clone())))
            .min_by(|(a, _), (b, _)| {
                let distance = |i: usize| (reference.transitions[i].retention_min - own).abs();
                distance(*a).total_cmp(&distance(*b))
            })
    }

    /// Fits an exponentially modified Gaussian to the transition's peak in one injection.
    fn fit_shape(
        &mut self,
        injection: usize,
        index: usize,
        reference: &TransitionReference,
        alignment: &Alignment,
    ) -> Option<FittedShape> {
        let trace = self.trace(injection, index)?;
        let aim = self.aim(trace, reference, index, alignment);
        let view = view::view(&aim, self.settings, &mut self.scratch)?;
        let tolerance_s = 60.0 * aim.tolerance_min;
        let noise = view.overview.noise;
        // The width is not known yet: what the late-eluter rule would refuse is looked at all the same.
        let chosen = self
            .scratch
            .candidates
            .iter()
            .enumerate()
            .filter(|(_, c)| c.apex_s.abs() <= tolerance_s)
            .min_by(|(_, a), (_, b)| a.apex_s.abs().total_cmp(&b.apex_s.abs()))
            .map(|(position, _)| position)?;
        let peak = self.scratch.candidates[chosen];
        if peak.height <= SHAPE_SIGNAL_TO_NOISE * noise {
            return None;
        }
        // Limits and stretches scale with the peak's own width.
        let scale = (peak.width_s / reference.width_half_height_s()).clamp(0.2, 5.0);
        let own = reference.widened(scale);
        let baseline = baseline_around(
            &mut self.scratch,
            &own,
            (peak.apex_s, peak.apex_s),
            |p| p == chosen,
            &view.overview,
        );
        let (left, right) = feet(&own);
        let (from, to) = (peak.apex_s - left, peak.apex_s + right);
        // A peak with a neighbour in it says nothing about shape; the transition then borrows one.
        if view::has_neighbour(&self.scratch, chosen, &own) {
            return None;
        }
        let points = range(&self.scratch.x, from, to);
        let (x, y) = (&self.scratch.x[points.clone()], &self.scratch.y[points]);
        if x.len() < 8
            || crate::figures::is_saturated(x, y, self.settings.saturation_counts, peak.width_s, noise)
        {
            return None;
        }
        let above: Vec<f64> = x.iter().zip(y).map(|(x, y)| y - baseline.at(*x)).collect();
        fit_emg(x, &above, &peak, &own.shape, baseline.noise)
    }
}

/// Injections whose peaks are fitted: spread evenly over those high enough for one peak to say enough, or the highest. The very
/// highest alone might be overloaded.
fn worth_fitting(sightings: &[Sighting], most: usize) -> Vec<usize> {
    let mut by_height: Vec<(f64, usize)> = sightings
        .iter()
        .filter(|s| s.signal_to_noise > SHAPE_SIGNAL_TO_NOISE)
        .map(|s| (s.signal_to_noise, s.injection))
        .collect();
    by_height.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    let good = by_height
        .iter()
        .filter(|(s, _)| *s > GOOD_SHAPE_SIGNAL_TO_NOISE)
        .count();
    let pool = &by_height[..good.max(most.min(by_height.len()))];
    let taken = most.min(pool.len());
    let mut injections: Vec<usize> = (0..taken).map(|k| pool[k * pool.len() / taken].1).collect();
    injections.sort_unstable();
    injections.dedup();
    injections
}
