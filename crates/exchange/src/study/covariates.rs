//! `covariates.csv`: what a study's model wants to know of each person, a line a value.

use super::{CovariateName, StudyCovariate, StudyPerson};
use crate::kept::KeptTable;
use crate::nearest::nearest;
use crate::problem::{FormatProblemCode, Problems, problem, quoted};
use crate::table::{Bounds, Column, Marks, Row, needed, number, optional};
use std::collections::BTreeMap;
use std::path::Path;

const FILE: &str = "covariates.csv";

const PERSON: usize = 0;
const COVARIATE: usize = 1;
const VALUE: usize = 2;
const FROM: usize = 3;

static COLUMNS: [Column; 4] = [
    needed("person"),
    needed("covariate"),
    number(needed("value")),
    number(optional("from_h")),
];

const ANY: Bounds = Bounds {
    min: -1e9,
    max: 1e9,
    with_min: true,
    words: "a number",
};

pub(super) fn read(
    folder: &Path,
    names: &[CovariateName],
    persons: &mut [StudyPerson],
    problems: &mut Problems,
) {
    if names.is_empty() {
        return;
    }
    let places: BTreeMap<String, usize> = persons
        .iter()
        .enumerate()
        .map(|(place, person)| (person.id.clone(), place))
        .collect();
    let mut seen: BTreeMap<(usize, usize, u64), u32> = BTreeMap::new();
    let mut marks = Marks::default();
    KeptTable::read(folder, FILE, &COLUMNS, problems, |row, problems| {
        let Some((place, covariate)) = read_row(row, names, &places, &mut marks, problems) else {
            return;
        };
        let key = (place, covariate.covariate, covariate.from_h.to_bits());
        if let Some(first) = seen.insert(key, row.line()) {
            problems.push(
                row.problem(COVARIATE, FormatProblemCode::RowTwice)
                    .expected(format!(
                        "each covariate of a person once from a time on (line {first} has it)"
                    )),
            );
            return;
        }
        persons[place].covariates.push(covariate);
    });
    // A line that was refused leaves a gap that is no second mistake.
    if problems.count() > 0 {
        return;
    }
    for person in persons {
        person.covariates.sort_by(|a, b| a.from_h.total_cmp(&b.from_h));
        for (index, name) in names.iter().enumerate() {
            if !person
                .covariates
                .iter()
                .any(|covariate| covariate.covariate == index)
            {
                problems.push(
                    problem(FormatProblemCode::CellMissing, FILE)
                        .field("covariate")
                        .found(format!("no {} of {}", name.name, person.id))
                        .expected(format!(
                            "{} ({}) of every person, which the model names",
                            name.name, name.unit
                        )),
                );
            }
        }
    }
}

fn read_row(
    row: &Row<'_>,
    names: &[CovariateName],
    places: &BTreeMap<String, usize>,
    marks: &mut Marks,
    problems: &mut Problems,
) -> Option<(usize, StudyCovariate)> {
    let before = problems.count();
    let place = row
        .needed(PERSON, "a person of observations.csv", problems)
        .and_then(|id| {
            let place = places.get(id).copied();
            if place.is_none() {
                problems.push(
                    row.problem(PERSON, FormatProblemCode::WordUnknown)
                        .expected("a person of observations.csv")
                        .nearest(nearest(id, places.keys().map(String::as_str))),
                );
            }
            place
        });
    let index = row
        .needed(COVARIATE, "a covariate of the model", problems)
        .and_then(|name| {
            let index = names.iter().position(|covariate| covariate.name == name);
            if index.is_none() {
                let all: Vec<&str> = names.iter().map(|covariate| covariate.name.as_str()).collect();
                problems.push(
                    row.problem(COVARIATE, FormatProblemCode::WordUnknown)
                        .expected(format!("a covariate of the model ({})", all.join(", ")))
                        .nearest(nearest(name, all.iter().copied())),
                );
            }
            index
        });
    let value = row
        .needed(VALUE, ANY.words, problems)
        .and_then(|_| row.number(VALUE, ANY, marks, problems));
    let from_h = if row.text(FROM).is_empty() {
        Some(0.0)
    } else {
        row.number(FROM, ANY, marks, problems)
    };
    if let (Some(index), Some(value)) = (index, value) {
        let name = &names[index];
        let [low, high] = name.possible;
        if !(low..=high).contains(&value) {
            problems.push(
                row.problem(VALUE, FormatProblemCode::NumberOutOfRange)
                    .expected(format!(
                        "{} in {} from {low} to {high}",
                        quoted(&name.name),
                        name.unit
                    )),
            );
        }
    }
    if problems.count() > before {
        return None;
    }
    Some((
        place?,
        StudyCovariate {
            covariate: index?,
            from_h: from_h? + 0.0,
            value: value?,
        },
    ))
}
