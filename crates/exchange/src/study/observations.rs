//! `observations.csv`: doses and levels of a study, a line each.

use super::{StudyDose, StudyLevel, StudyPerson, StudyRoute};
use crate::bounds;
use crate::kept::read_bytes;
use crate::problem::{FormatProblemCode, Problems, problem};
use crate::table::{Bounds, Column, Marks, Row, TableReader, needed, number, optional};
use spotwright_domain::concentration::ConcentrationUnit;
use spotwright_domain::identifier::SubjectId;
use std::collections::BTreeMap;
use std::path::Path;

const PERSON: usize = 0;
const TIME: usize = 1;
const AMOUNT: usize = 2;
const AMOUNT_UNIT: usize = 3;
const ROUTE: usize = 4;
const INFUSION: usize = 5;
const INTERVAL: usize = 6;
const LEVEL: usize = 7;
const BELOW_LIMIT: usize = 8;
const LEVEL_UNIT: usize = 9;

static COLUMNS: [Column; 10] = [
    needed("person"),
    number(needed("time_h")),
    number(needed("amount")),
    needed("amount_unit"),
    needed("route"),
    number(optional("infusion_min")),
    number(optional("interval_h")),
    number(needed("level")),
    number(optional("below_limit")),
    needed("level_unit"),
];

const TIME_H: Bounds = Bounds {
    min: -1e6,
    max: 1e6,
    with_min: true,
    words: "hours",
};
const LEVEL_FROM_ZERO: Bounds = Bounds {
    min: 0.0,
    max: 1e12,
    with_min: true,
    words: "a level from 0",
};
/// Units with their size in mg.
const AMOUNT_UNITS: [(&str, f64); 3] = [("ug", 1e-3), ("mg", 1.0), ("g", 1e3)];

#[derive(Clone, Copy, PartialEq)]
enum RouteWord {
    Extravascular,
    Bolus,
    Infusion,
}

const INFUSION_ROUTE: &str = "intravenous-infusion";
const ROUTES: [(&str, RouteWord); 6] = [
    ("oral", RouteWord::Extravascular),
    ("intravenous-bolus", RouteWord::Bolus),
    (INFUSION_ROUTE, RouteWord::Infusion),
    ("intramuscular", RouteWord::Extravascular),
    ("subcutaneous", RouteWord::Extravascular),
    ("rectal", RouteWord::Extravascular),
];

/// What a line holds.
enum Line {
    Dose(StudyDose),
    Level(StudyLevel),
}

pub(super) fn read(folder: &Path, file: &str, problems: &mut Problems) -> Vec<StudyPerson> {
    let mut persons: Vec<StudyPerson> = Vec::new();
    let mut places: BTreeMap<String, usize> = BTreeMap::new();
    // Line of each person's dose or level at a time.
    let mut seen: BTreeMap<(usize, bool, u64), u32> = BTreeMap::new();
    let mut marks = Marks::default();
    let Some(bytes) = read_bytes(folder, file, problems) else {
        if problems.count() == 0 {
            problems.push(
                problem(FormatProblemCode::FileMissing, file)
                    .found("no such file")
                    .expected("a table of doses and levels"),
            );
        }
        return persons;
    };
    let Some(mut table) = TableReader::open(bytes.as_slice(), file, &COLUMNS, problems) else {
        return persons;
    };
    while table.advance(problems) {
        let row = table.row();
        let Some((id, line)) = read_row(&row, &mut marks, problems) else {
            continue;
        };
        let place = *places.entry(id.clone()).or_insert_with(|| {
            persons.push(StudyPerson {
                id,
                doses: Vec::new(),
                levels: Vec::new(),
                covariates: Vec::new(),
            });
            persons.len() - 1
        });
        let (is_dose, time_h, column) = match &line {
            Line::Dose(dose) => (true, dose.time_h, AMOUNT),
            Line::Level(level) => (false, level.time_h, LEVEL),
        };
        if let Some(first) = seen.insert((place, is_dose, time_h.to_bits()), row.line()) {
            let what = if is_dose { "dose" } else { "level" };
            problems.push(
                row.problem(column, FormatProblemCode::RowTwice)
                    .expected(format!("one {what} of a person at a time (line {first} has one)")),
            );
            continue;
        }
        match line {
            Line::Dose(dose) => persons[place].doses.push(dose),
            Line::Level(level) => persons[place].levels.push(level),
        }
    }
    if persons.is_empty() && problems.count() == 0 {
        problems.push(
            problem(FormatProblemCode::NoRows, file)
                .found("column names and no line below them")
                .expected("a line a dose or level"),
        );
    }
    for person in &mut persons {
        person.doses.sort_by(|a, b| a.time_h.total_cmp(&b.time_h));
        person.levels.sort_by(|a, b| a.time_h.total_cmp(&b.time_h));
    }
    persons
}

/// A level before any dose says nothing about how the drug is cleared.
pub(super) fn check_person(person: &StudyPerson, file: &str, problems: &mut Problems) {
    let Some(first) = person.doses.first() else {
        problems.push(
            problem(FormatProblemCode::LevelBeforeDose, file)
                .field("person")
                .found(format!("no dose of {}", person.id))
                .expected("a dose before every level"),
        );
        return;
    };
    if let Some(level) = person.levels.iter().find(|level| level.time_h < first.time_h) {
        let mut it = problem(FormatProblemCode::LevelBeforeDose, file)
            .field("time_h")
            .found(format!("{} of {}", level.time_h, person.id))
            .expected(format!("a time from the first dose at {} h on", first.time_h));
        it.line = Some(level.line);
        problems.push(it);
    }
}

fn read_row(row: &Row<'_>, marks: &mut Marks, problems: &mut Problems) -> Option<(String, Line)> {
    let before = problems.count();
    let person = row
        .needed(PERSON, "a code of the person", problems)
        .and_then(|_| row.identifier(PERSON, SubjectId::new, problems));
    let time_h = row
        .needed(TIME, TIME_H.words, problems)
        .and_then(|_| row.number(TIME, TIME_H, marks, problems));
    let filled = |column: usize| !row.text(column).is_empty();
    let is_dose = filled(AMOUNT);
    if !is_dose && !filled(LEVEL) && !filled(BELOW_LIMIT) {
        problems.push(
            row.problem(LEVEL, FormatProblemCode::CellMissing)
                .found("neither a dose nor a level")
                .expected("an amount, a level, or the limit a level lies below"),
        );
        return None;
    }
    let unwanted: &[usize] = if is_dose {
        &[LEVEL, BELOW_LIMIT, LEVEL_UNIT]
    } else {
        &[AMOUNT_UNIT, ROUTE, INFUSION, INTERVAL]
    };
    for column in unwanted.iter().copied().filter(|column| filled(*column)) {
        let what = if is_dose { "dose" } else { "level" };
        problems.push(
            row.problem(column, FormatProblemCode::CellNotWanted)
                .expected(format!("an empty cell on the line of a {what}")),
        );
    }
    // Adding zero makes −0 and 0 one time.
    let time_h = time_h? + 0.0;
    let line = if is_dose {
        dose(row, time_h, marks, problems).map(Line::Dose)
    } else {
        level(row, time_h, marks, problems).map(Line::Level)
    };
    if problems.count() > before {
        return None;
    }
    Some((person?.to_string(), line?))
}

fn dose(row: &Row<'_>, time_h: f64, marks: &mut Marks, problems: &mut Problems) -> Option<StudyDose> {
    let amount = row.number(AMOUNT, bounds::AMOUNT, marks, problems);
    let unit = row
        .needed(AMOUNT_UNIT, "a unit (ug, mg, g)", problems)
        .and_then(|_| row.word(AMOUNT_UNIT, "a unit", &AMOUNT_UNITS, problems));
    let route = row
        .needed(ROUTE, "a route", problems)
        .and_then(|_| row.word(ROUTE, "a route", &ROUTES, problems));
    let mut given = |column: usize, bounds: Bounds, problems: &mut Problems| {
        (!row.text(column).is_empty())
            .then(|| row.number(column, bounds, marks, problems))
            .flatten()
    };
    let infusion_min = given(INFUSION, bounds::INFUSION_MIN, problems);
    let interval_h = given(INTERVAL, bounds::INTERVAL_H, problems);
    let route = match (route?, infusion_min) {
        (RouteWord::Extravascular, None) => StudyRoute::Extravascular,
        (RouteWord::Bolus, None) => StudyRoute::Bolus,
        (RouteWord::Infusion, Some(infusion_min)) => StudyRoute::Infusion { infusion_min },
        (RouteWord::Infusion, None) => {
            problems.push(
                row.problem(INFUSION, FormatProblemCode::CellMissing)
                    .expected(format!("minutes for route `{INFUSION_ROUTE}`")),
            );
            return None;
        }
        (_, Some(_)) => {
            problems.push(
                row.problem(INFUSION, FormatProblemCode::CellNotWanted)
                    .expected(format!("an empty cell for any route but `{INFUSION_ROUTE}`")),
            );
            return None;
        }
    };
    Some(StudyDose {
        time_h,
        amount_mg: amount? * unit?,
        route,
        interval_h,
    })
}

fn level(row: &Row<'_>, time_h: f64, marks: &mut Marks, problems: &mut Problems) -> Option<StudyLevel> {
    let below_limit = row.text(LEVEL).is_empty();
    if !below_limit && !row.text(BELOW_LIMIT).is_empty() {
        problems.push(
            row.problem(BELOW_LIMIT, FormatProblemCode::CellNotWanted)
                .expected("an empty cell beside a measured level"),
        );
        return None;
    }
    let value = if below_limit {
        row.number(BELOW_LIMIT, bounds::CONCENTRATION, marks, problems)
    } else {
        row.number(LEVEL, LEVEL_FROM_ZERO, marks, problems)
    };
    let units = ConcentrationUnit::ALL.map(|unit| (unit.ucum(), unit));
    let unit = row
        .needed(LEVEL_UNIT, "a unit of concentration", problems)
        .and_then(|_| row.word(LEVEL_UNIT, "a unit of concentration", &units, problems));
    Some(StudyLevel {
        time_h,
        value: value?,
        below_limit,
        unit: unit?,
        line: row.line(),
    })
}
