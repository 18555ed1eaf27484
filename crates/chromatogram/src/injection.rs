//! One injection: internal standards first, then everything else at its retention relative to them.

use crate::candidate::Candidate;
use crate::manual::{self, ManualLimits};
use crate::matching::TraceMatch;
use crate::reference::{RunReference, TransitionReference};
use crate::scratch::Scratch;
use crate::transition;
use crate::view::{self, Aim};
use spotwright_domain::method::{IntegrationSettings, TransitionOf, TransitionPart};
use spotwright_domain::peak::{NoPeakReason, PeakFlag, PeakOutcome};
use spotwright_domain::trace::Trace;

/// What one injection shows.
#[derive(Debug, Clone, PartialEq)]
pub struct InjectionMeasurement {
    /// One for each transition, in the method's order.
    pub transitions: Vec<TransitionMeasurement>,
    /// How much later than in the run's reference the internal standards elute (min; median of those found). `None`: none was
    /// found, nothing was shifted.
    pub alignment_shift_min: Option<f64>,
    /// What a person should know, in a fixed order.
    pub notes: Vec<MeasurementNote>,
}

/// What one transition shows.
#[derive(Debug, Clone, PartialEq)]
pub struct TransitionMeasurement {
    /// The peak, or what stands where it would be.
    pub peak: PeakOutcome,
    /// Where it was expected (min): the run's retention, moved with this injection's internal standards. For an internal standard
    /// itself the run's retention.
    pub expected_retention_min: f64,
    /// The other usual signal to noise, 2H/h with h the largest less the smallest deviation from the baseline beside the peak
    /// (Ph. Eur. 2.2.46). `None` without a peak or without noise.
    pub signal_to_noise_pharmacopoeia: Option<f64>,
}

/// Something about an injection that a person should know.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MeasurementNote {
    /// No peak that could be this internal standard: it did not take part in the alignment.
    InternalStandardNotFound {
        /// Index of the transition.
        transition: usize,
    },
    /// No internal standard was found: retention was taken as in the run's reference.
    NotAligned,
    /// The given limits hold fewer than three points or nothing above their line: the automatic result stands.
    ManualLimitsUnusable {
        /// Index of the transition.
        transition: usize,
    },
}

/// Measures every transition of an injection.
///
/// `matches` stands in the order of `transitions` (see [`match_traces`](crate::match_traces)), `reference` likewise. Where one of them is
/// shorter, or a match points beyond `traces`, the transition's trace counts as absent.
///
/// The internal standards are found first, all together: the common shift is chosen for which retention, width and height of their peaks fit
/// best, never by the tallest peak. Each other transition is expected at its retention relative to them, between two of
/// them by interpolation. A peak is taken only within the reference's tolerance of that time.
#[must_use]
pub fn measure_injection(
    traces: &[Trace],
    matches: &[TraceMatch],
    transitions: &[TransitionOf],
    reference: &RunReference,
    settings: &IntegrationSettings,
    manual: &[ManualLimits],
    scratch: &mut Scratch,
) -> InjectionMeasurement {
    let trace_of = |index: usize| {
        matches
            .get(index)
            .and_then(|m| m.trace)
            .and_then(|position| traces.get(position))
    };
    let is_standard =
        |index: usize| matches!(transitions[index].part, TransitionPart::InternalStandard { .. });
    let mut notes = Vec::new();

    let alignment = align(transitions, reference, settings, &trace_of, scratch);
    let standards = (0..transitions.len()).filter(|i| is_standard(*i));
    for index in standards.clone() {
        if trace_of(index).is_some() && !alignment.found.iter().any(|f| f.transition == index) {
            notes.push(MeasurementNote::InternalStandardNotFound { transition: index });
        }
    }
    if alignment.found.is_empty() && standards.clone().next().is_some() {
        notes.push(MeasurementNote::NotAligned);
    }

    let mut measured: Vec<Option<TransitionMeasurement>> = vec![None; transitions.len()];
    // Internal standards first: whether they are split decides how two tops of another transition are read.
    let others = (0..transitions.len()).filter(|i| !is_standard(*i));
    let mut split = false;
    for index in standards.chain(others) {
        let Some(of) = reference.transitions.get(index) else {
            continue;
        };
        let expected_min = if is_standard(index) {
            of.retention_min
        } else {
            of.retention_min * alignment.ratio_at(of.retention_min)
        };
        let Some(trace) = trace_of(index) else {
            measured[index] = Some(absent(expected_min));
            continue;
        };
        let own = alignment.found.iter().find(|f| f.transition == index);
        let aim = Aim {
            trace,
            reference: of,
            // A standard is measured where it was found; one that was not, where the others say.
            expected_min: match own {
                Some(found) => found.time_min,
                None => of.retention_min * alignment.ratio_at(of.retention_min),
            },
            tolerance_min: of.retention_tolerance_min,
            tops_are_one_peak: is_standard(index) || split,
        };
        let finding = transition::measure(&aim, settings, scratch);
        let mut peak = finding.outcome;
        if is_standard(index) {
            split |= peak.found().is_some_and(|p| p.flags.contains(&PeakFlag::Split));
        }
        if let Some(limits) = manual.iter().find(|m| m.transition == index) {
            match manual::measure(trace, of, limits, &peak, settings, scratch) {
                Some(by_hand) => peak = PeakOutcome::Found(by_hand),
                None => notes.push(MeasurementNote::ManualLimitsUnusable { transition: index }),
            }
        }
        measured[index] = Some(TransitionMeasurement {
            peak,
            expected_retention_min: finite_or_zero(expected_min),
            signal_to_noise_pharmacopoeia: finding.signal_to_noise_pharmacopoeia,
        });
    }
    let transitions = measured
        .into_iter()
        .zip(transitions)
        .map(|(m, of)| m.unwrap_or_else(|| absent(of.retention_time_min)))
        .collect();
    InjectionMeasurement {
        transitions,
        alignment_shift_min: alignment.shift_min(),
        notes,
    }
}

fn absent(expected_min: f64) -> TransitionMeasurement {
    TransitionMeasurement {
        peak: PeakOutcome::absent(NoPeakReason::TraceAbsent),
        expected_retention_min: finite_or_zero(expected_min),
        signal_to_noise_pharmacopoeia: None,
    }
}

fn finite_or_zero(value: f64) -> f64 {
    if value.is_finite() { value } else { 0.0 }
}

/// An internal standard that was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct FoundStandard {
    pub transition: usize,
    /// The run's retention (min).
    pub reference_min: f64,
    /// Here (min).
    pub time_min: f64,
}

/// How this injection's retention relates to the run's.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Alignment {
    /// In order of the run's retention.
    pub found: Vec<FoundStandard>,
}

impl Alignment {
    /// Retention here over retention in the run, at a place of the run's scale: that of the nearest standard, between two
    /// by interpolation; 1 without standards.
    pub(crate) fn ratio_at(&self, reference_min: f64) -> f64 {
        let ratio = |f: &FoundStandard| {
            if f.reference_min > 0.0 && f.time_min > 0.0 {
                f.time_min / f.reference_min
            } else {
                1.0
            }
        };
        let after = self.found.partition_point(|f| f.reference_min <= reference_min);
        match (
            after.checked_sub(1).map(|i| &self.found[i]),
            self.found.get(after),
        ) {
            (None, None) => 1.0,
            (Some(one), None) | (None, Some(one)) => ratio(one),
            (Some(a), Some(b)) => {
                let share = (reference_min - a.reference_min) / (b.reference_min - a.reference_min);
                ratio(a) + share * (ratio(b) - ratio(a))
            }
        }
    }

    fn shift_min(&self) -> Option<f64> {
        let mut shifts: Vec<f64> = self.found.iter().map(|f| f.time_min - f.reference_min).collect();
        spotwright_numerics::robust::median_in_place(&mut shifts).ok()
    }
}

/// A standard's candidate takes part when it stands this many times above the noise …
const STANDARD_SIGNAL_TO_NOISE: f64 = 10.0;
/// … and this share of its usual height.
const STANDARD_SHARE: f64 = 0.05;
/// What a candidate may cost at most: then the standard counts as not found at this shift.
const LARGEST_COST: f64 = 6.0;

/// Finds the internal standards together: of all shifts that some candidate proposes, the one at which the candidates nearest to
/// their shifted retention cost least by retention, width and height.
pub(crate) fn align<'a>(
    transitions: &[TransitionOf],
    reference: &RunReference,
    settings: &IntegrationSettings,
    trace_of: &impl Fn(usize) -> Option<&'a Trace>,
    scratch: &mut Scratch,
) -> Alignment {
    scratch.standards.clear();
    let mut standards = 0;
    for (index, of) in transitions.iter().enumerate() {
        let (Some(of), TransitionPart::InternalStandard { .. }) = (reference.transitions.get(index), of.part)
        else {
            continue;
        };
        let Some(trace) = trace_of(index).filter(|_| of.retention_min.is_finite()) else {
            continue;
        };
        standards += 1;
        let aim = Aim {
            trace,
            reference: of,
            expected_min: of.retention_min,
            tolerance_min: settings.search_half_width_min,
            tops_are_one_peak: true,
        };
        let Some(view) = view::view(&aim, settings, scratch) else {
            continue;
        };
        let least = STANDARD_SIGNAL_TO_NOISE.max(settings.minimum_signal_to_noise) * view.overview.noise;
        let usual = STANDARD_SHARE * of.typical_height_counts.unwrap_or(0.0);
        let Scratch {
            candidates,
            standards,
            ..
        } = scratch;
        let search_s = 60.0 * settings.search_half_width_min;
        let plausible = candidates
            .iter()
            .filter(|c| c.amplitude >= least && c.amplitude >= usual && c.apex_s.abs() <= search_s);
        standards.extend(plausible.map(|c| (index, *c)));
    }
    let proposals = &scratch.standards;
    let ratio_of = |(index, c): &(usize, Candidate)| {
        let of = &reference.transitions[*index];
        if of.retention_min > 0.0 {
            1.0 + c.apex_s / 60.0 / of.retention_min
        } else {
            1.0
        }
    };
    let mut best: Option<(f64, f64)> = None;
    for proposal in proposals {
        let ratio = ratio_of(proposal);
        let mut total = 0.0;
        let mut seen = 0;
        for group in proposals.chunk_by(|a, b| a.0 == b.0) {
            total += cheapest(group, ratio, reference, settings).map_or(LARGEST_COST, |(cost, _)| cost);
            seen += 1;
        }
        total += LARGEST_COST * f64::from(standards - seen);
        if best.is_none_or(|(least, _)| total < least) {
            best = Some((total, ratio));
        }
    }
    let mut found = Vec::new();
    if let Some((_, ratio)) = best {
        for group in proposals.chunk_by(|a, b| a.0 == b.0) {
            if let Some((_, position)) = cheapest(group, ratio, reference, settings) {
                let (transition, candidate) = group[position];
                let reference_min = reference.transitions[transition].retention_min;
                let time_min = reference_min + candidate.apex_s / 60.0;
                found.push(FoundStandard {
                    transition,
                    reference_min,
                    time_min,
                });
            }
        }
    }
    found.sort_by(|a, b| a.reference_min.total_cmp(&b.reference_min));
    Alignment { found }
}

/// Cost and position of the candidate of one standard that fits best at a shift; `None` when none fits.
fn cheapest(
    group: &[(usize, Candidate)],
    ratio: f64,
    reference: &RunReference,
    settings: &IntegrationSettings,
) -> Option<(f64, usize)> {
    group
        .iter()
        .enumerate()
        .map(|(position, (index, c))| (cost(c, &reference.transitions[*index], ratio, settings), position))
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .filter(|(cost, _)| *cost <= LARGEST_COST)
}

/// Squared distances: from the shifted retention in tolerances (twice: retention leads), of the shift from none in search windows, of
/// the width and of the height from the usual.
fn cost(c: &Candidate, of: &TransitionReference, ratio: f64, settings: &IntegrationSettings) -> f64 {
    let time_min = of.retention_min + c.apex_s / 60.0;
    let from_shifted = (time_min - of.retention_min * ratio) / (0.5 * of.retention_tolerance_min);
    let from_reference = (c.apex_s / 60.0) / (0.5 * settings.search_half_width_min);
    let width = libm::log((c.width_s / of.width_half_height_s()).clamp(0.1, 10.0)) / 0.5;
    let height = of.typical_height_counts.map_or(0.0, |usual| {
        libm::log((c.amplitude / usual).clamp(1e-3, 1e3)) / 1.5
    });
    let squares = [
        2.0 * from_shifted * from_shifted,
        from_reference * from_reference,
        width * width,
    ];
    squares.iter().sum::<f64>() + (height * height).min(2.0)
}
