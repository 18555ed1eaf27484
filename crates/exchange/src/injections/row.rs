//! One line of `injections.csv` by itself.

use super::{
    CARD, DILUTION_FACTOR, INJECTED_AT, LEVEL, ONLY_RUN, ORDER, RACK_POSITION, REPEAT_OF, REPEAT_REASON,
    ROLE, RUN, SPOT, SUB_BATCH, TRACE_FILE,
};
use crate::bounds;
use crate::problem::{FormatProblemCode, Problems, quoted};
use crate::table::{Marks, Row};
use spotwright_domain::identifier::{CardId, LevelName, RunId};
use spotwright_domain::injection::{Injection, SampleRole};

/// A line, and the instant of its injection (seconds since 1970-01-01T00:00Z).
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Line {
    pub(super) injection: Injection,
    pub(super) injected_at_unix_s: Option<i64>,
}

/// Reads a line. `None`: it has problems, and they are among `problems`.
pub(super) fn read(row: &Row<'_>, marks: &mut Marks, problems: &mut Problems) -> Option<Line> {
    let before = problems.count();
    let order = row
        .needed(ORDER, "a whole number from 1", problems)
        .and_then(|_| row.count_from_one(ORDER, problems));
    let trace_file = row
        .needed(TRACE_FILE, "a file in traces/", problems)
        .filter(|_| crate::traces::check_path(row, TRACE_FILE, problems));
    let roles = SampleRole::ALL.map(|role| (role.as_str(), role));
    let role = row
        .needed(ROLE, "a role", problems)
        .and_then(|_| row.word(ROLE, "a role", &roles, problems));
    let run = run(row, RUN, problems);
    let given = |column| !row.text(column).is_empty();
    let level = given(LEVEL)
        .then(|| row.identifier(LEVEL, LevelName::new, problems))
        .flatten();
    let card = given(CARD)
        .then(|| row.identifier(CARD, CardId::new, problems))
        .flatten();
    let spot = given(SPOT).then(|| row.count_from_one(SPOT, problems)).flatten();
    let dilution_factor = if given(DILUTION_FACTOR) {
        row.number(DILUTION_FACTOR, bounds::DILUTION, marks, problems)
    } else {
        Some(1.0)
    };
    let rack_position = row.free_text(RACK_POSITION, problems);
    let sub_batch = row.free_text(SUB_BATCH, problems);
    let injected_at = row.moment(INJECTED_AT, problems);
    let repeat_of = row.free_text(REPEAT_OF, problems);
    let repeat_reason = row.free_text(REPEAT_REASON, problems);
    if problems.count() > before {
        return None;
    }
    let (injected_at, injected_at_unix_s) = injected_at.ok()?.unzip();
    let line = Line {
        injection: Injection {
            run: run?,
            order: order?,
            trace_file: trace_file?.to_owned(),
            role: role?,
            level,
            spot: card.as_ref().map(|_| spot.unwrap_or(1)),
            card,
            dilution_factor: dilution_factor?,
            rack_position: rack_position.ok()?,
            sub_batch: sub_batch.ok()?,
            injected_at,
            repeat_of: repeat_of.ok()?,
            repeat_reason: repeat_reason.ok()?,
        },
        injected_at_unix_s,
    };
    check_role(row, &line.injection, problems);
    (problems.count() == before).then_some(line)
}

/// The run a line names; the only run when the column is absent.
pub(crate) fn run(row: &Row<'_>, column: usize, problems: &mut Problems) -> Option<RunId> {
    if !row.has_column(column) {
        return RunId::new(ONLY_RUN).ok();
    }
    row.needed(column, "a run", problems)?;
    row.identifier(column, RunId::new, problems)
}

/// What a role needs and what it cannot have.
fn check_role(row: &Row<'_>, injection: &Injection, problems: &mut Problems) {
    let role = injection.role;
    let word = role.as_str();
    let mut missing = |column, what: &str| {
        problems.push(
            row.problem(column, FormatProblemCode::CellMissing)
                .expected(format!("{what} for role `{word}`")),
        );
    };
    if role.needs_level() && injection.level.is_none() {
        missing(LEVEL, "a level");
    }
    if role.needs_card() && injection.card.is_none() {
        missing(CARD, "a card");
    }
    if role == SampleRole::IncurredRepeat && injection.repeat_of.is_none() {
        missing(REPEAT_OF, "the injection it repeats, as run/order,");
    }
    if role == SampleRole::Patient && injection.repeat_of.is_some() && injection.repeat_reason.is_none() {
        problems.push(
            row.problem(REPEAT_REASON, FormatProblemCode::CellMissing)
                .expected("why it was repeated")
                .help("A person's sample is not measured again without a reason (M10-29)."),
        );
    }
    let mut unwanted = |column, help: &str| {
        problems.push(
            row.problem(column, FormatProblemCode::CellNotWanted)
                .expected(format!("an empty cell for role `{word}`"))
                .help(help),
        );
    };
    // A system-suitability or conditioning injection may well be made of a level; nothing is calculated from it.
    let may_have_level =
        role.needs_level() || matches!(role, SampleRole::SystemSuitability | SampleRole::Conditioning);
    if injection.level.is_some() && !may_have_level {
        unwanted(LEVEL, "");
    }
    if injection.card.is_some() && !role.needs_card() {
        unwanted(CARD, "Only a person's sample comes from a card.");
    }
    if injection.card.is_none() && !row.text(SPOT).is_empty() && !role.needs_card() {
        unwanted(SPOT, "Only a person's sample comes from a spot.");
    }
    if injection.repeat_of.is_some() && !role.needs_card() {
        unwanted(REPEAT_OF, "Only a person's sample is repeated (M10-32).");
    }
    if injection.repeat_of.is_none() && injection.repeat_reason.is_some() {
        problems.push(
            row.problem(REPEAT_REASON, FormatProblemCode::CellNotWanted)
                .expected("`repeat_of` beside it"),
        );
    }
    let diluted = injection.dilution_factor > 1.0;
    if role == SampleRole::DilutionControl && !diluted {
        problems.push(
            row.problem(DILUTION_FACTOR, FormatProblemCode::DilutionWrong)
                .expected("a factor above 1 for role `dilution-control`"),
        );
    }
    if diluted && !(role == SampleRole::DilutionControl || role.needs_card()) {
        problems.push(
            row.problem(DILUTION_FACTOR, FormatProblemCode::DilutionWrong)
                .expected(format!("1 or an empty cell for role {}", quoted(word)))
                .help("Only a person's sample and a dilution control are diluted."),
        );
    }
}
