//! `manual-limits.csv`: peaks whose limits a person set, and why.

use crate::bounds;
use crate::injections::{self, Checked};
use crate::kept::KeptTable;
use crate::method::MethodFile;
use crate::nearest::nearest;
use crate::problem::{FormatProblemCode, Problems};
use crate::table::{Column, Marks, Row, needed, number, optional};
use spotwright_domain::identifier::RunId;
use std::collections::BTreeMap;
use std::path::Path;

pub(crate) const FILE: &str = "manual-limits.csv";

const RUN: usize = 0;
const ORDER: usize = 1;
const TRANSITION: usize = 2;
const START: usize = 3;
const END: usize = 4;
const REASON: usize = 5;
const PERSON: usize = 6;

static COLUMNS: [Column; 7] = [
    optional("run"),
    needed("order"),
    needed("transition"),
    number(needed("start_min")),
    number(needed("end_min")),
    needed("reason"),
    needed("person"),
];

/// Limits a person set for one peak.
#[derive(Debug, Clone, PartialEq)]
pub struct ManualLimit {
    /// The run.
    pub run: RunId,
    /// Place of the injection in the run.
    pub order: u32,
    /// Name of the transition, as in [`spotwright_domain::method::Method::transitions`].
    pub transition: String,
    /// Index of the transition in [`spotwright_domain::method::Method::transitions`] of the run's method.
    pub transition_index: usize,
    /// Where the peak begins (min).
    pub start_min: f64,
    /// Where the peak ends (min); more than `start_min`.
    pub end_min: f64,
    /// Why.
    pub reason: String,
    /// Who set them.
    pub person: String,
}

pub(crate) fn read_manual_limits(
    folder: &Path,
    methods: Option<&[MethodFile]>,
    injections: Option<&Checked>,
    problems: &mut Problems,
) -> Vec<ManualLimit> {
    let mut limits = Vec::new();
    let mut seen: BTreeMap<(String, u32, String), u32> = BTreeMap::new();
    let mut marks = Marks::default();
    KeptTable::read(folder, FILE, &COLUMNS, problems, |row, problems| {
        let Some(limit) = read(row, methods, injections, &mut marks, problems) else {
            return;
        };
        let key = (limit.run.to_string(), limit.order, limit.transition.clone());
        if let Some(first) = seen.get(&key) {
            problems.push(
                row.problem(TRANSITION, FormatProblemCode::ManualLimitTwice)
                    .expected(format!("each peak once (line {first} has it)")),
            );
        } else {
            seen.insert(key, row.line());
            limits.push(limit);
        }
    });
    limits
}

fn read(
    row: &Row<'_>,
    methods: Option<&[MethodFile]>,
    injections: Option<&Checked>,
    marks: &mut Marks,
    problems: &mut Problems,
) -> Option<ManualLimit> {
    let before = problems.count();
    let run = run(row, injections, problems);
    let order = row
        .needed(ORDER, "a whole number from 1", problems)
        .and_then(|_| row.count_from_one(ORDER, problems));
    let transition = row.needed(TRANSITION, "a transition of the method", problems);
    let mut minutes = |column, problems: &mut Problems| {
        row.needed(column, bounds::TRACE_MIN.words, problems)
            .and_then(|_| row.number(column, bounds::TRACE_MIN, marks, problems))
    };
    let start = minutes(START, problems);
    let end = minutes(END, problems);
    let reason = said(
        row,
        REASON,
        "why the limits were set by hand",
        "A changed integration needs a reason (DI-02).",
        problems,
    );
    let person = said(row, PERSON, "role or code of who set the limits", "", problems);
    if let (Some(start), Some(end)) = (start, end)
        && start >= end
    {
        problems.push(
            row.problem(END, FormatProblemCode::NumberOutOfRange)
                .expected(format!("more than `start_min`, {start}")),
        );
    }
    if problems.count() > before {
        return None;
    }
    let (run, order, transition) = (run?, order?, transition?);
    let methods = methods?;
    // Nothing can be said against a list that could not be read.
    let injections = injections.filter(|injections| injections.complete)?;
    let Some(place) = injections.run_of(run.as_str(), order) else {
        problems.push(
            row.problem(ORDER, FormatProblemCode::InjectionUnknown)
                .expected(format!(
                    "an injection of run {}",
                    crate::problem::quoted(run.as_str())
                ))
                .nearest(nearest(run.as_str(), injections.run_names()).filter(|name| *name != run.as_str())),
        );
        return None;
    };
    let method = &methods[injections.runs[place].method].method;
    let transitions = method.transitions();
    let Some(transition_index) = transitions.iter().position(|of| of.name == transition) else {
        problems.push(
            row.problem(TRANSITION, FormatProblemCode::TransitionUnknown)
                .expected(format!(
                    "a transition of method {}",
                    crate::problem::quoted(method.id.as_str())
                ))
                .nearest(nearest(transition, transitions.iter().map(|of| of.name.as_str()))),
        );
        return None;
    };
    Some(ManualLimit {
        run,
        order,
        transition: transition.to_owned(),
        transition_index,
        start_min: start?,
        end_min: end?,
        reason: reason?,
        person: person?,
    })
}

/// Free text that may not be blank.
fn said(row: &Row<'_>, column: usize, expected: &str, help: &str, problems: &mut Problems) -> Option<String> {
    let text = row.free_text(column, problems).ok()?;
    if text.is_none() {
        problems.push(
            row.problem(column, FormatProblemCode::CellMissing)
                .found("a blank cell")
                .expected(expected)
                .help(help),
        );
    }
    text
}

/// The run a line means: the only one when the column is absent and the day has one.
fn run(row: &Row<'_>, injections: Option<&Checked>, problems: &mut Problems) -> Option<RunId> {
    if row.has_column(RUN) && !row.text(RUN).is_empty() {
        return injections::run(row, RUN, problems);
    }
    match injections.map(|injections| injections.runs.as_slice()) {
        Some([only]) => Some(only.run.clone()),
        None => None,
        Some(_) => {
            problems.push(
                row.problem(RUN, FormatProblemCode::CellMissing)
                    .expected("a run, since the day has several"),
            );
            None
        }
    }
}
