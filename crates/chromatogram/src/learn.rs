//! What the run's calibrators and controls show of each transition.

use crate::baseline::Baseline;
use crate::candidate::Candidate;
use crate::emg::Emg;
use crate::injection::{Alignment, align};
use crate::matching::{TraceMatch, match_traces};
use crate::noise::{self, NoiseModel, NoiseSample};
use crate::placement::{Placement, amplitude_at, place};
use crate::reference::{ReferenceNote, ReferenceOrigin, RunReference, TransitionReference, method_shape};
use crate::scratch::{Scratch, range};
use crate::shape::{PeakShape, width_half_height};
use crate::transition::{self, Aim, baseline_around, feet};
use spotwright_domain::method::{IntegrationSettings, TransitionOf, TransitionPart};
use spotwright_domain::trace::Trace;
use spotwright_numerics::nonlinear_fit::{NonlinearOptions, ResidualModel, fit_nonlinear};
use spotwright_numerics::robust::median_in_place;

/// Learns each transition's retention, shape, limits and noise from the traces of calibrators and controls, one slice an injection.
///
/// Everything is a median over injections, so one bad or wrong injection among three or more changes little. Where an
/// injection shows several peaks, the retention at which most injections agree is taken, and among those the
/// nearest to the method's. A transition whose peaks are all small borrows the shape of the nearest in retention; one that
/// shows nothing keeps the method's values; both are named in the notes.
#[must_use]
pub fn learn_reference(
    injections: &[&[Trace]],
    transitions: &[TransitionOf],
    settings: &IntegrationSettings,
) -> RunReference {
    let matches: Vec<Vec<TraceMatch>> = injections
        .iter()
        .map(|traces| match_traces(traces, transitions, settings.mz_tolerance))
        .collect();
    let mut run = Run {
        injections,
        matches,
        transitions,
        settings,
        scratch: Scratch::new(),
        notes: Vec::new(),
    };
    let (mut reference, sightings) = run.provisional();
    // The first shapes start from the method's width, the second from what the first found.
    for most in [3, MOST_SHAPES] {
        run.notes.clear();
        reference = run.shapes(&reference, &sightings, most);
    }
    run.retention_and_noise(&mut reference);
    run.empty_areas(&mut reference);
    reference.notes = run.notes;
    reference
        .notes
        .sort_by_key(|note| (index_of(note), kind_of(note)));
    reference
}

struct Run<'a> {
    injections: &'a [&'a [Trace]],
    matches: Vec<Vec<TraceMatch>>,
    transitions: &'a [TransitionOf],
    settings: &'a IntegrationSettings,
    scratch: Scratch,
    notes: Vec<ReferenceNote>,
}

/// A candidate of one injection: its time (min), height (counts), width (s) and signal to noise.
#[derive(Debug, Clone, Copy)]
struct Sighting {
    injection: usize,
    time_min: f64,
    height: f64,
    width_s: f64,
    signal_to_noise: f64,
}

/// Peaks above this signal to noise say something about shape.
const SHAPE_SIGNAL_TO_NOISE: f64 = 30.0;
/// Above this one peak alone gives the shape to about 1 %.
const GOOD_SHAPE_SIGNAL_TO_NOISE: f64 = 100.0;
/// The number of peaks whose shapes are fitted.
const MOST_SHAPES: usize = 7;
/// A retention at which at least this share of the most agreeing injections agree is a candidate for the transition.
const AGREEING_SHARE: f64 = 0.6;
/// Root-mean-square residual of the fitted shape (share of height) above which a note is made.
const POOR_SHAPE: f64 = 0.03;
/// Peaks above this signal to noise say something about how noise grows with signal.
const NOISE_SIGNAL_TO_NOISE: f64 = 20.0;

/// Injections whose empty places are looked at, and places on each side of the peak.
const MOST_EMPTY_INJECTIONS: usize = 12;
const EMPTY_PLACES: i32 = 5;
/// Fewer empty places than this say nothing; as many of the run's own weigh with each transition's.
const FEWEST_EMPTY_AREAS: f64 = 40.0;
/// Squared deviates above this come from peaks too small to be seen as such.
const LARGEST_EMPTY_SQUARE: f64 = 9.0;

impl<'a> Run<'a> {
    fn trace(&self, injection: usize, transition: usize) -> Option<&'a Trace> {
        let traces: &'a [Trace] = self.injections[injection];
        self.matches[injection][transition]
            .trace
            .map(|position| &traces[position])
    }

    fn is_standard(&self, transition: usize) -> bool {
        matches!(
            self.transitions[transition].part,
            TransitionPart::InternalStandard { .. }
        )
    }

    /// Retention on which the injections agree, with the method's shape: internal standards by their own time, the
    /// others by their time relative to the standards.
    /// Also the candidates seen, one list a transition.
    fn provisional(&mut self) -> (RunReference, Vec<Vec<Sighting>>) {
        let mut reference = RunReference {
            transitions: self
                .transitions
                .iter()
                .map(|of| TransitionReference::from_method(of, self.settings))
                .collect(),
            notes: Vec::new(),
        };
        let mut seen = vec![Vec::new(); self.transitions.len()];
        let order = (0..self.transitions.len()).filter(|i| self.is_standard(*i));
        let others = (0..self.transitions.len()).filter(|i| !self.is_standard(*i));
        let order: Vec<usize> = order.chain(others).collect();
        // Ratio of each injection's time scale to the run's, from the standards agreed so far.
        let mut alignments = vec![Alignment { found: Vec::new() }; self.injections.len()];
        for index in order {
            let standard = self.is_standard(index);
            let sightings = self.sightings(index, &reference.transitions[index]);
            let on_run_scale = |s: &Sighting| {
                let method_min = self.transitions[index].retention_time_min;
                if standard {
                    s.time_min
                } else {
                    s.time_min / alignments[s.injection].ratio_at(method_min)
                }
            };
            let shift = self.shift_of_standards(&reference);
            let expected = self.transitions[index].retention_time_min + if standard { 0.0 } else { shift };
            let tolerance = reference.transitions[index].retention_tolerance_min;
            let placed: Vec<(f64, Sighting)> = sightings.iter().map(|s| (on_run_scale(s), *s)).collect();
            let Some(retention) = agreed(&placed, expected, tolerance) else {
                continue;
            };
            let near = placed.iter().filter(|(t, _)| (t - retention).abs() <= tolerance);
            seen[index] = near.map(|(_, s)| *s).collect();
            reference.transitions[index].retention_min = retention;
            if standard {
                let mut heights = Vec::new();
                for (injection, alignment) in alignments.iter_mut().enumerate() {
                    let nearest = sightings
                        .iter()
                        .filter(|s| s.injection == injection)
                        .min_by(|a, b| {
                            (a.time_min - retention)
                                .abs()
                                .total_cmp(&(b.time_min - retention).abs())
                        })
                        .filter(|s| (s.time_min - retention).abs() <= tolerance);
                    if let Some(s) = nearest {
                        heights.push(s.height);
                        alignment.found.push(crate::injection::FoundStandard {
                            transition: index,
                            reference_min: retention,
                            time_min: s.time_min,
                        });
                        alignment
                            .found
                            .sort_by(|a, b| a.reference_min.total_cmp(&b.reference_min));
                    }
                }
                reference.transitions[index].typical_height_counts = median_in_place(&mut heights).ok();
            }
        }
        (reference, seen)
    }

    /// Median shift of the internal standards from the method's retention (min).
    fn shift_of_standards(&self, reference: &RunReference) -> f64 {
        let mut shifts: Vec<f64> = (0..self.transitions.len())
            .filter(|i| self.is_standard(*i))
            .map(|i| reference.transitions[i].retention_min - self.transitions[i].retention_time_min)
            .collect();
        median_in_place(&mut shifts).unwrap_or(0.0)
    }

    fn sightings(&mut self, index: usize, reference: &TransitionReference) -> Vec<Sighting> {
        let mut sightings = Vec::new();
        for injection in 0..self.injections.len() {
            let Some(trace) = self.trace(injection, index) else {
                continue;
            };
            let aim = Aim {
                trace,
                reference,
                expected_min: reference.retention_min,
                tolerance_min: self.settings.search_half_width_min,
                tops_are_one_peak: true,
            };
            let Some(view) = transition::view(&aim, self.settings, &mut self.scratch) else {
                continue;
            };
            let noise = view.overview.noise;
            let search_s = 60.0 * self.settings.search_half_width_min;
            let clear = |c: &&Candidate| {
                c.amplitude >= self.settings.minimum_signal_to_noise * noise && c.apex_s.abs() <= search_s
            };
            sightings.extend(self.scratch.candidates.iter().filter(clear).map(|c| Sighting {
                injection,
                time_min: reference.retention_min + c.apex_s / 60.0,
                height: c.height,
                width_s: c.width_s,
                signal_to_noise: if noise > 0.0 { c.height / noise } else { 0.0 },
            }));
        }
        sightings
    }

    fn alignments(&mut self, reference: &RunReference) -> Vec<Alignment> {
        (0..self.injections.len())
            .map(|injection| self.align(injection, reference))
            .collect()
    }

    fn align(&mut self, injection: usize, reference: &RunReference) -> Alignment {
        let (traces, matches) = (self.injections[injection], &self.matches[injection]);
        let trace_of = |index: usize| matches[index].trace.map(|position: usize| &traces[position]);
        align(
            self.transitions,
            reference,
            self.settings,
            &trace_of,
            &mut self.scratch,
        )
    }

    /// Fits the shapes of up to `most` peaks of each transition and takes the median; sets limits.
    fn shapes(&mut self, reference: &RunReference, sightings: &[Vec<Sighting>], most: usize) -> RunReference {
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
        let view = transition::view(&aim, self.settings, &mut self.scratch)?;
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
        if transition::has_neighbour(&self.scratch, chosen, &own) {
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

    fn aim<'b>(
        &self,
        trace: &'b Trace,
        reference: &'b TransitionReference,
        index: usize,
        alignment: &Alignment,
    ) -> Aim<'b> {
        let own = alignment.found.iter().find(|f| f.transition == index);
        Aim {
            trace,
            reference,
            expected_min: own.map_or_else(
                || reference.retention_min * alignment.ratio_at(reference.retention_min),
                |found| found.time_min,
            ),
            tolerance_min: reference.retention_tolerance_min,
            tops_are_one_peak: true,
        }
    }

    /// Retention, usual height and noise from peaks placed with the learnt shapes.
    fn retention_and_noise(&mut self, reference: &mut RunReference) {
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
                    transition::for_each_residual(&self.scratch, &baseline, &of.shape, &placed, |s| {
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
    fn empty_areas(&mut self, reference: &mut RunReference) {
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
                    if let Some(square) =
                        transition::empty_area_square(&aim, self.settings, &mut self.scratch)
                    {
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
        let view = transition::view(aim, self.settings, &mut self.scratch)?;
        let tolerance_s = 60.0 * aim.tolerance_min;
        let noise = view.overview.noise;
        let position = transition::choose(&self.scratch, aim.reference, tolerance_s, self.settings, noise)?;
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
        let alone = !transition::has_neighbour(&self.scratch, position, aim.reference);
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

/// The retention on which injections agree: around each sighting, how many injections have one within half the tolerance; of those
/// with nearly most, the nearest to the expected; then the median of its sightings, one an injection.
fn agreed(sightings: &[(f64, Sighting)], expected: f64, tolerance: f64) -> Option<f64> {
    let near = |centre: f64| {
        let mut injections: Vec<usize> = sightings
            .iter()
            .filter(|(t, _)| (t - centre).abs() <= 0.5 * tolerance)
            .map(|(_, s)| s.injection)
            .collect();
        injections.sort_unstable();
        injections.dedup();
        injections.len()
    };
    let support: Vec<usize> = sightings.iter().map(|(t, _)| near(*t)).collect();
    let most = *support.iter().max()?;
    // Nearest to expected first; among those within a quarter of the tolerance of it, the strongest and least odd in width
    // decides nothing: the support and the median do.
    let centre = sightings
        .iter()
        .zip(&support)
        .filter(|(_, n)| **n as f64 >= AGREEING_SHARE * most as f64)
        .map(|((t, _), _)| *t)
        .min_by(|a, b| (a - expected).abs().total_cmp(&(b - expected).abs()))?;
    let mut chosen: Vec<(usize, f64, f64)> = sightings
        .iter()
        .filter(|(t, s)| (t - centre).abs() <= tolerance && s.width_s > 0.0)
        .map(|(t, s)| (s.injection, *t, s.signal_to_noise))
        .collect();
    chosen.sort_by(|a, b| {
        a.0.cmp(&b.0)
            .then((a.1 - centre).abs().total_cmp(&(b.1 - centre).abs()))
    });
    chosen.dedup_by_key(|(injection, _, _)| *injection);
    let mut times: Vec<f64> = chosen.iter().map(|(_, t, _)| *t).collect();
    median_in_place(&mut times).ok()
}

#[derive(Debug, Clone, Copy)]
struct FittedShape {
    sigma_s: f64,
    tau_s: f64,
    /// Root-mean-square residual as a share of height.
    residual: f64,
}

fn median_shape(fits: &[FittedShape]) -> Option<(PeakShape, f64)> {
    let median = |of: &dyn Fn(&FittedShape) -> f64| {
        let mut values: Vec<f64> = fits.iter().map(of).collect();
        median_in_place(&mut values).ok()
    };
    // Width and tail over sigma: their errors are less entangled than those of sigma and tail.
    let ratio = median(&|f| f.tau_s / f.sigma_s)?;
    let width = median(&|f| width_half_height(f.sigma_s, f.tau_s))?;
    let residual = median(&|f| f.residual)?;
    let sigma = width / width_half_height(1.0, ratio);
    Some((PeakShape::new(sigma, ratio * sigma), residual))
}

/// Fits height, apex, sigma and tail to the points above the baseline: tailing or fronting as the two flanks say, the other way too when the
/// tail comes out too short to tell.
fn fit_emg(x: &[f64], above: &[f64], peak: &Candidate, start: &PeakShape, noise: f64) -> Option<FittedShape> {
    let height = peak.height;
    let deviations: Vec<f64> = above
        .iter()
        .map(|y| {
            let signal = y.max(0.0);
            // 2 % a point: what is not yet known of the noise.
            (noise * noise + 4e-4 * signal * signal).sqrt().max(1e-6 * height)
        })
        .collect();
    let lean: f64 = x.iter().zip(above).map(|(x, y)| (x - peak.apex_s) * y).sum();
    let side = if lean >= 0.0 { 1.0 } else { -1.0 };
    let first = fit_side(x, above, &deviations, peak, start, noise, side);
    let told = first
        .as_ref()
        .is_some_and(|(_, fit)| fit.tau_s.abs() > UNTOLD_TAIL * fit.sigma_s);
    if told {
        return first.map(|(_, fit)| fit);
    }
    let second = fit_side(x, above, &deviations, peak, start, noise, -side);
    match (first, second) {
        (Some(a), Some(b)) => Some(if a.0 <= b.0 { a.1 } else { b.1 }),
        (one, other) => one.or(other).map(|(_, fit)| fit),
    }
}

/// Tails shorter than this share of sigma are as well none.
const UNTOLD_TAIL: f64 = 0.25;

/// Sum of squares and shape of the fit with the tail on one side.
fn fit_side(
    x: &[f64],
    above: &[f64],
    deviations: &[f64],
    peak: &Candidate,
    start: &PeakShape,
    noise: f64,
    side: f64,
) -> Option<(f64, FittedShape)> {
    let width = start.width_half_height_s();
    // Tail over sigma and what that makes of the width: roughly, it is only a start.
    let ratio = (start.tau_s() / start.sigma_s()).abs().clamp(0.3, 1.5);
    let sigma = width / (2.355 + 0.9 * ratio);
    let model = EmgModel {
        x,
        above,
        deviations,
        side,
        height: peak.height,
        width,
    };
    let parameters = [
        start.area_per_height_s() / width,
        peak.apex_s - side * 0.6 * ratio * sigma,
        libm::log(sigma),
        libm::log(ratio * sigma),
    ];
    // A hundredth of the parameters' own uncertainty is close enough.
    let options = NonlinearOptions {
        max_iterations: 40,
        offset_tolerance: 1e-2,
        step_tolerance: 1e-4,
        polish_steps: 0,
        ..NonlinearOptions::default()
    };
    let fit = fit_nonlinear(&model, &parameters, &options).ok()?;
    let p = &fit.parameters;
    let (sigma_s, tau_s) = (libm::exp(p[2]), side * model.tail(p));
    // Weighted residuals are in units of 2 % at the top; unweighted ones, less the noise, say how well the shape fits.
    let weighted = fit.residuals.iter().zip(deviations);
    let squares: f64 = weighted.map(|(r, d)| r * d * r * d).sum();
    let residual = (squares / x.len() as f64 - noise * noise).max(0.0).sqrt() / peak.height;
    let sound = sigma_s > 0.1 * start.sigma_s() && sigma_s < 10.0 * start.sigma_s() && residual.is_finite();
    sound.then_some((
        fit.residual_sum_of_squares,
        FittedShape {
            sigma_s,
            tau_s,
            residual,
        },
    ))
}

/// Parameters: area over height × width, centre (s), ln sigma, ln tail.
struct EmgModel<'a> {
    x: &'a [f64],
    above: &'a [f64],
    deviations: &'a [f64],
    side: f64,
    height: f64,
    width: f64,
}

impl EmgModel<'_> {
    /// The tail (s), no shorter than a hundredth of sigma: shorter ones cannot be told from none.
    fn tail(&self, p: &[f64]) -> f64 {
        libm::exp(p[3].clamp(p[2] - 4.6, p[2] + 3.0))
    }
}

impl ResidualModel for EmgModel<'_> {
    fn residual_count(&self) -> usize {
        self.x.len() + 1
    }

    fn residuals(&self, p: &[f64], residuals: &mut [f64]) {
        let m = self;
        let emg = Emg {
            centre: p[1],
            sigma: libm::exp(p[2]),
            tau: m.side * m.tail(p),
        };
        let scale = p[0] * m.width * m.height;
        for (i, residual) in residuals.iter_mut().enumerate().take(m.x.len()) {
            *residual = (m.above[i] - scale * emg.density(m.x[i])) / m.deviations[i];
        }
        // A very weak pull towards a usual tail keeps the fit determined where the tail cannot be told from none.
        residuals[m.x.len()] = 0.01 * (p[3] - p[2]);
    }

    fn jacobian(&self, p: &[f64], jacobian: &mut [f64]) {
        let m = self;
        let n = self.residual_count();
        let (sigma, tail) = (libm::exp(p[2]), m.tail(p));
        let emg = Emg {
            centre: p[1],
            sigma,
            tau: m.side * tail,
        };
        let unit = m.width * m.height;
        for i in 0..m.x.len() {
            let (density, [by_centre, by_sigma, by_tau]) = emg.density_with_gradient(m.x[i]);
            let weight = -unit / m.deviations[i];
            jacobian[i] = weight * density;
            jacobian[n + i] = weight * p[0] * by_centre;
            jacobian[2 * n + i] = weight * p[0] * by_sigma * sigma;
            jacobian[3 * n + i] = weight * p[0] * by_tau * m.side * tail;
        }
        let last = m.x.len();
        jacobian[last] = 0.0;
        jacobian[n + last] = 0.0;
        jacobian[2 * n + last] = -0.01;
        jacobian[3 * n + last] = 0.01;
    }
}

fn index_of(note: &ReferenceNote) -> usize {
    match note {
        ReferenceNote::NothingFound { transition }
        | ReferenceNote::ShapeBorrowed { transition, .. }
        | ReferenceNote::FewInjections { transition, .. }
        | ReferenceNote::RetentionUnlikeMethod { transition, .. }
        | ReferenceNote::ShapeFitsPoorly { transition, .. }
        | ReferenceNote::NoiseAssumed { transition } => *transition,
    }
}

fn kind_of(note: &ReferenceNote) -> u8 {
    match note {
        ReferenceNote::NothingFound { .. } => 0,
        ReferenceNote::ShapeBorrowed { .. } => 1,
        ReferenceNote::FewInjections { .. } => 2,
        ReferenceNote::RetentionUnlikeMethod { .. } => 3,
        ReferenceNote::ShapeFitsPoorly { .. } => 4,
        ReferenceNote::NoiseAssumed { .. } => 5,
    }
}
