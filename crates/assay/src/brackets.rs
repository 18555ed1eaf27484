//! Which samples stand between controls (M10-21), in the whole run or in their sub-batch.

use crate::limit::two_thirds_pass;
use std::collections::BTreeMap;

/// What a line is to its neighbours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LineKind {
    /// A calibrator of the curve: opens a bracket.
    Calibrator,
    /// A control that passes: opens and closes brackets.
    PassingControl,
    /// A control that fails.
    FailingControl,
    /// A sample.
    Sample,
    /// Anything else.
    Other,
}

/// How a sample stands among the controls.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// A calibrator or passing control comes before, a passing control after.
    Bracketed,
    /// No calibrator or passing control before, or no passing control after.
    OutsideBrackets,
    /// Its sub-batch has no control at all.
    SubBatchWithoutControls,
    /// Fewer than two thirds of its sub-batch's controls pass.
    SubBatchControlsFail,
}

/// The standing of every line of a run, in its order; lines that are not samples are `Bracketed`. With sub-batches each
/// sample needs the controls of its own: controls before a stop do not speak for samples after it.
#[must_use]
pub fn standings(lines: &[(LineKind, Option<&str>)]) -> Vec<Standing> {
    #[derive(Default)]
    struct Batch {
        opened: Option<usize>,
        closed: Option<usize>,
        controls: usize,
        passing: usize,
    }
    let mut batches: BTreeMap<Option<&str>, Batch> = BTreeMap::new();
    for (place, (kind, name)) in lines.iter().enumerate() {
        let batch = batches.entry(*name).or_default();
        match kind {
            LineKind::Calibrator => {
                batch.opened.get_or_insert(place);
            }
            LineKind::PassingControl => {
                batch.opened.get_or_insert(place);
                batch.closed = Some(place);
                batch.controls += 1;
                batch.passing += 1;
            }
            LineKind::FailingControl => batch.controls += 1,
            LineKind::Sample | LineKind::Other => {}
        }
    }
    let several = lines
        .iter()
        .any(|(kind, name)| *kind == LineKind::Sample && *name != lines[0].1)
        || batches.keys().filter(|name| name.is_some()).count() > 1;
    lines
        .iter()
        .enumerate()
        .map(|(place, (kind, name))| {
            let Some(batch) = batches.get(name).filter(|_| *kind == LineKind::Sample) else {
                return Standing::Bracketed;
            };
            if several && batch.controls == 0 {
                Standing::SubBatchWithoutControls
            } else if several && !two_thirds_pass(batch.passing, batch.controls) {
                Standing::SubBatchControlsFail
            } else if batch.opened.is_some_and(|first| first < place)
                && batch.closed.is_some_and(|last| last > place)
            {
                Standing::Bracketed
            } else {
                Standing::OutsideBrackets
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::LineKind::{Calibrator, FailingControl, PassingControl, Sample};
    use super::*;

    fn one_batch(kinds: &[LineKind]) -> Vec<Standing> {
        standings(&kinds.iter().map(|kind| (*kind, None)).collect::<Vec<_>>())
    }

    #[test]
    fn samples_after_the_last_passing_control_stand_outside() {
        let found = one_batch(&[
            Calibrator,
            PassingControl,
            Sample,
            PassingControl,
            Sample,
            FailingControl,
        ]);
        assert_eq!(found[2], Standing::Bracketed);
        assert_eq!(found[4], Standing::OutsideBrackets);
    }

    #[test]
    fn controls_before_a_stop_do_not_bless_samples_after_it() {
        let found = standings(&[
            (Calibrator, Some("a")),
            (PassingControl, Some("a")),
            (Sample, Some("a")),
            (PassingControl, Some("a")),
            (Sample, Some("b")),
            (Sample, Some("c")),
            (PassingControl, Some("c")),
        ]);
        assert_eq!(found[2], Standing::Bracketed);
        assert_eq!(found[4], Standing::SubBatchWithoutControls);
        assert_eq!(found[5], Standing::OutsideBrackets);
    }
}
