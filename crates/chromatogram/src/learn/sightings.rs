//! Where the run's injections agree that each transition elutes.

use super::Run;
use crate::candidate::Candidate;
use crate::injection::{Alignment, FoundStandard};
use crate::reference::{RunReference, TransitionReference};
use crate::view::{self, Aim};
use spotwright_numerics::robust::median_in_place;

/// A candidate of one injection: its time (min), height (counts), width (s) and signal to noise.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sighting {
    pub(super) injection: usize,
    pub(super) time_min: f64,
    pub(super) height: f64,
    pub(super) width_s: f64,
    pub(super) signal_to_noise: f64,
}

/// A retention at which at least this share of the most agreeing injections agree is a candidate for the transition.
const AGREEING_SHARE: f64 = 0.6;

impl Run<'_> {
    /// Retention on which the injections agree, with the method's shape: internal standards by their own time, the
    /// others by their time relative to the standards.
    /// Also the candidates seen, one list a transition.
    pub(super) fn provisional(&mut self) -> (RunReference, Vec<Vec<Sighting>>) {
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
                        alignment.found.push(FoundStandard {
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
            let Some(view) = view::view(&aim, self.settings, &mut self.scratch) else {
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
