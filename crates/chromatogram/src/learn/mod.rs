//! What the run's calibrators and controls show of each transition.

mod settle;
mod shape_fit;
mod shapes;
mod sightings;

use crate::injection::{Alignment, align};
use crate::matching::{TraceMatch, match_traces};
use crate::reference::{ReferenceNote, RunReference, TransitionReference};
use crate::scratch::Scratch;
use crate::view::Aim;
use spotwright_domain::method::{IntegrationSettings, TransitionOf, TransitionPart};
use spotwright_domain::trace::Trace;

/// The number of peaks whose shapes are fitted.
const MOST_SHAPES: usize = 7;

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
