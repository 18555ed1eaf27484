//! The run in the order it was injected, and what concerns an injection as a whole.

use crate::input::{AssayInjection, RunInput};
use crate::response_ratio::{RatioOutcome, ratio_of};
use spotwright_domain::identifier::CardId;
use spotwright_domain::injection::SampleRole;
use spotwright_domain::peak::NoPeakReason;
use std::collections::BTreeMap;

/// A run's order and pairings. Small: a few words an injection.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Run {
    /// Positions in the order of injection.
    pub(crate) sequence: Vec<usize>,
    /// Place of each position in `sequence`.
    pub(crate) rank: Vec<usize>,
    /// For each position, another injection with the same bytes.
    pub(crate) same_trace: Vec<Option<usize>>,
    /// Patient injections of each card, in the order of the run.
    pub(crate) spots_of_card: BTreeMap<CardId, Vec<usize>>,
    /// Position of each order number.
    position_of_order: BTreeMap<u32, usize>,
    /// Index of each analyte's internal standard.
    pub(crate) standard_of: Vec<usize>,
}

impl Run {
    pub(crate) fn new(input: &RunInput<'_>) -> Self {
        let injections = input.injections;
        let mut sequence: Vec<usize> = (0..injections.len()).collect();
        sequence.sort_by_key(|position| (injections[*position].injection.order, *position));
        let mut rank = vec![0; injections.len()];
        for (place, position) in sequence.iter().enumerate() {
            rank[*position] = place;
        }
        let mut spots_of_card: BTreeMap<CardId, Vec<usize>> = BTreeMap::new();
        let mut position_of_order = BTreeMap::new();
        for position in &sequence {
            let line = &injections[*position].injection;
            position_of_order.entry(line.order).or_insert(*position);
            if let (SampleRole::Patient, Some(card)) = (line.role, &line.card) {
                spots_of_card.entry(card.clone()).or_default().push(*position);
            }
        }
        Self {
            same_trace: same_traces(injections, &sequence),
            standard_of: input
                .method
                .analytes
                .iter()
                .map(|analyte| input.method.internal_standard_index(analyte))
                .collect(),
            sequence,
            rank,
            spots_of_card,
            position_of_order,
        }
    }

    /// Positions of a role, in the order of the run.
    pub(crate) fn of_role<'a>(
        &'a self,
        injections: &'a [AssayInjection],
        role: SampleRole,
    ) -> impl Iterator<Item = usize> + 'a {
        self.sequence
            .iter()
            .copied()
            .filter(move |position| injections[*position].injection.role == role)
    }

    /// The area ratio of an injection; injections that share their bytes with another measure nothing.
    pub(crate) fn ratio(
        &self,
        injections: &[AssayInjection],
        position: usize,
        analyte: usize,
    ) -> RatioOutcome {
        if self.same_trace[position].is_some() {
            return RatioOutcome::NotMeasurable(NoPeakReason::FileUnreadable);
        }
        ratio_of(&injections[position], analyte, self.standard_of[analyte])
    }

    /// The position `steps` places before another in the run.
    pub(crate) fn before(&self, position: usize, steps: usize) -> Option<usize> {
        self.rank[position]
            .checked_sub(steps)
            .map(|place| self.sequence[place])
    }

    /// The position of an injection named `run/order`, when it is of this run.
    pub(crate) fn position_of(&self, injections: &[AssayInjection], id: &str) -> Option<usize> {
        let (run, order) = id.rsplit_once('/')?;
        let position = *self.position_of_order.get(&order.parse().ok()?)?;
        (injections[position].injection.run.as_str() == run).then_some(position)
    }
}

/// For each position another one with the same bytes: the first of them, or for the first its next.
fn same_traces(injections: &[AssayInjection], sequence: &[usize]) -> Vec<Option<usize>> {
    let mut first: BTreeMap<[u8; 32], usize> = BTreeMap::new();
    let mut twin = vec![None; injections.len()];
    for position in sequence {
        let Some(digest) = injections[*position].trace_digest else {
            continue;
        };
        match first.get(&digest) {
            Some(earlier) => {
                twin[*position] = Some(*earlier);
                if twin[*earlier].is_none() {
                    twin[*earlier] = Some(*position);
                }
            }
            None => {
                first.insert(digest, *position);
            }
        }
    }
    twin
}

/// Whether a role is a sample: counts for M10-20 and stands between controls.
pub(crate) fn is_sample(role: SampleRole) -> bool {
    matches!(role, SampleRole::Patient | SampleRole::IncurredRepeat)
}

/// Whether a role is a blank.
pub(crate) fn is_blank(role: SampleRole) -> bool {
    matches!(
        role,
        SampleRole::DoubleBlank | SampleRole::Zero | SampleRole::CarryOverBlank
    )
}
