//! Retention, usual height and noise, from peaks placed with the learnt shapes; and what empty places add.

use super::Run;
use crate::baseline::Baseline;
use crate::empty::empty_area_square;
use crate::noise::{self, NoiseModel, NoiseSample};
use crate::placement::{Placement, amplitude_at, place};
use crate::reference::{ReferenceNote, RunReference, TransitionReference};
use crate::residuals::for_each_residual;
use crate::scratch::Scratch;
use crate::view::{self, Aim, baseline_around};
use spotwright_numerics::robust::median_in_place;

/// Peaks above this signal to noise say something about how noise grows with signal.
const NOISE_SIGNAL_TO_NOISE: f64 = 20.0;
/// Injections whose empty places are looked at, and places on each side of the peak.
const MOST_EMPTY_INJECTIONS: usize = 6;
const EMPTY_PLACES: i32 = 4;
/// Fewer empty places than this say nothing; as many of the run's own weigh with each transition's.
const FEWEST_EMPTY_AREAS: f64 = 40.0;
/// Squared deviates above this come from peaks too small to be seen as such.
const LARGEST_EMPTY_SQUARE: f64 = 9.0;

impl Run<'_> {
    /// Retention, usual height and noise from peaks placed with the learnt shapes.
    pub(super) fn retention_and_noise(&mut self, reference: &mut RunReference) {
        let alignments = self.alignments(reference);
        let mut samples: Vec<Vec<NoiseSample>> = vec![Vec::new(); self.transitions.len()];
        for (index, samples) in samples.iter_mut().enumerate() {
            let of = reference.transitions[index].clone();
            let standard = self.is_standard(index);
            let (mut times, mut heights) = (Vec::new(), Vec::new());
            let mut recorded = 0;
            for (injection, alignment) in alignments.iter().enumerate() {
                let Some(trace) = self.trace(injection, index) else {
                    continue;
                };
                recorded += 1;
                let aim = self.aim(trace, &of, index, alignment);
                let Some((placed, baseline, alone)) = self.place(&aim) else {
                    continue;
                };
                let ratio = if standard {
                    1.0
                } else {
                    alignment.ratio_at(of.retention_min)
                };
                times.push((aim.expected_min + placed.apex_s / 60.0) / ratio);
                heights.push(placed.amplitude);
                if alone && placed.amplitude > NOISE_SIGNAL_TO_NOISE * baseline.noise {
                    for_each_residual(&self.scratch, &baseline, &of.shape, &placed, |s| {
                        samples.push(NoiseSample { injection, ..s });
                    });
                }
            }
            self.settle(
                &mut reference.transitions[index],
                index,
                &mut times,
                &mut heights,
                recorded,
            );
        }
        for (index, model) in noise::learn(&samples).into_iter().enumerate() {
            if model.is_none() {
                self.notes.push(ReferenceNote::NoiseAssumed { transition: index });
            }
            reference.transitions[index].noise = model.unwrap_or(NoiseModel::ASSUMED);
        }
    }

    /// Areas where no peak stands, measured exactly as a peak's would be, against their stated uncertainty: what a wandering
    /// baseline adds. Each transition's own mean square, drawn towards the run's where there are few.
    pub(super) fn empty_areas(&mut self, reference: &mut RunReference) {
        let injections = self.injections.len().min(MOST_EMPTY_INJECTIONS);
        let mut sums = vec![(0.0, 0.0); self.transitions.len()];
        for (index, (sum, count)) in sums.iter_mut().enumerate() {
            let of = reference.transitions[index].clone();
            let step_min = 1.5 * (of.left_limit_s + of.right_limit_s) / 60.0;
            for k in 0..injections {
                // Spread over the run.
                let Some(trace) = self.trace(k * self.injections.len() / injections, index) else {
                    continue;
                };
                for place in (-EMPTY_PLACES..=EMPTY_PLACES).filter(|place| *place != 0) {
                    let aim = Aim {
                        trace,
                        reference: &of,
                        expected_min: of.retention_min + step_min * f64::from(place),
                        tolerance_min: 0.0,
                        tops_are_one_peak: false,
                    };
                    if let Some(square) = empty_area_square(&aim, self.settings, &mut self.scratch) {
                        *sum += square.min(LARGEST_EMPTY_SQUARE);
                        *count += 1.0;
                    }
                }
            }
        }
        let (sum, count) = sums
            .iter()
            .fold((0.0, 0.0), |(s, n), (sum, count)| (s + sum, n + count));
        if count < FEWEST_EMPTY_AREAS {
            return;
        }
        for (of, (own, places)) in reference.transitions.iter_mut().zip(sums) {
            let drawn = (own + FEWEST_EMPTY_AREAS * sum / count) / (places + FEWEST_EMPTY_AREAS);
            of.empty_area_factor = drawn.max(1.0);
        }
    }

    /// The peak of one injection, placed with the run's shape, and whether it stands alone.
    fn place(&mut self, aim: &Aim<'_>) -> Option<(Placement, Baseline, bool)> {
        let view = view::view(aim, self.settings, &mut self.scratch)?;
        let tolerance_s = 60.0 * aim.tolerance_min;
        let noise = view.overview.noise;
        let position = view::choose(&self.scratch, aim.reference, tolerance_s, self.settings, noise)?;
        let apex_s = self.scratch.candidates[position].apex_s;
        let own = |p: usize| p == position;
        let baseline = baseline_around(
            &mut self.scratch,
            aim.reference,
            (apex_s, apex_s),
            own,
            &view.overview,
        );
        let Scratch { x, y, .. } = &self.scratch;
        let alone = !view::has_neighbour(&self.scratch, position, aim.reference);
        let placed = if alone {
            place(x, y, &baseline, &aim.reference.shape, apex_s)?
        } else {
            let (amplitude, shape_square) = amplitude_at(x, y, &baseline, &aim.reference.shape, apex_s);
            Placement {
                apex_s,
                amplitude,
                shape_square,
            }
        };
        let clear = placed.amplitude >= self.settings.minimum_signal_to_noise * baseline.noise;
        clear.then_some((placed, baseline, alone))
    }

    fn settle(
        &mut self,
        of: &mut TransitionReference,
        index: usize,
        times: &mut [f64],
        heights: &mut [f64],
        recorded: usize,
    ) {
        let found = times.len();
        of.injections_used = found;
        of.typical_height_counts = if self.is_standard(index) {
            median_in_place(heights).ok()
        } else {
            None
        };
        let Ok(retention) = median_in_place(times) else {
            self.notes.push(ReferenceNote::NothingFound { transition: index });
            return;
        };
        of.retention_min = retention;
        of.retention_tolerance_min = TransitionReference::tolerance(retention, self.settings);
        let method_min = self.transitions[index].retention_time_min;
        if (retention - method_min).abs() > of.retention_tolerance_min {
            self.notes.push(ReferenceNote::RetentionUnlikeMethod {
                transition: index,
                found_min: retention,
                method_min,
            });
        }
        if 2 * found < recorded {
            self.notes.push(ReferenceNote::FewInjections {
                transition: index,
                found,
                of: recorded,
            });
        }
    }
}
