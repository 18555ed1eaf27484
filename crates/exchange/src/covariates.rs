//! `covariates.csv`: facts of a person that may change in time, a line a fact.

use crate::bounds;
use crate::by_subject::BySubject;
use crate::nearest::nearest;
use crate::problem::{FormatProblemCode, FormatWarningCode, Problems, quoted};
use crate::requests::Requests;
use crate::table::{Column, Marks, Row, needed, number, optional};
use spotwright_domain::identifier::SubjectId;
use spotwright_domain::request::Covariate;
use spotwright_domain::ucum;
use std::collections::BTreeMap;
use std::path::Path;

pub(crate) const FILE: &str = "covariates.csv";

const SUBJECT: usize = 0;
const NAME: usize = 1;
const VALUE: usize = 2;
const UNIT: usize = 3;
const FROM: usize = 4;

static COLUMNS: [Column; 5] = [
    needed("subject"),
    needed("name"),
    number(needed("value")),
    needed("unit"),
    optional("from"),
];

/// A quantity by its name, the units it may be given in, and what a living person can have, in the first of them. Bounds are
/// physiological commonplaces (common practice, no source); they catch a wrong unit and are no reference ranges.
struct Known {
    name: &'static str,
    units: &'static [&'static str],
    least: f64,
    most: f64,
}

const fn known(name: &'static str, units: &'static [&'static str], least: f64, most: f64) -> Known {
    Known {
        name,
        units,
        least,
        most,
    }
}

const KNOWN: [Known; 15] = [
    known("weight", &["kg", "g"], 0.3, 500.0),
    known("birth_weight", &["kg", "g"], 0.3, 8.0),
    known("lean_weight", &["kg", "g"], 0.3, 150.0),
    known("ideal_weight", &["kg", "g"], 0.3, 150.0),
    known("height", &["cm", "m"], 20.0, 260.0),
    known("bsa", &["m2"], 0.05, 4.0),
    known("age", &["a", "mo", "wk", "d"], 0.0, 130.0),
    known("pna", &["d", "wk", "h"], 0.0, 1000.0),
    known("pma", &["wk", "d"], 20.0, 500.0),
    known("ga", &["wk", "d"], 20.0, 45.0),
    known("creatinine", &["umol/L", "mg/dL"], 8.0, 2000.0),
    known("albumin", &["g/L", "g/dL"], 5.0, 70.0),
    known("haematocrit", &["L/L", "%"], 0.15, 0.75),
    known("clcr", &["mL/min", "mL/s"], 1.0, 400.0),
    known("days_after_tx", &["d"], 0.0, 36_525.0),
];

/// What is counted: carriers of a genotype (0, 1, copies to 2) and co-medication (0, 1) by the name a kinetic model gives them.
const COUNTED: &str = "1";
const LONGEST_NAME: usize = 40;

/// Micromole a litre of one milligram a decilitre of creatinine (113.12 g/mol).
const CREATININE_UMOL_PER_MG_DL: f64 = 88.4;

/// The day's covariates.
#[derive(Debug, Clone, Default)]
pub struct Covariates(BySubject);

impl Covariates {
    /// Every fact, in the order of the file.
    pub fn iter(&self) -> impl Iterator<Item = Covariate> {
        self.0.iter(taken_again)
    }

    /// A person's facts, in the order of the file.
    pub fn of<'a>(&'a self, subject: &'a SubjectId) -> impl Iterator<Item = Covariate> + 'a {
        self.0
            .of(subject, taken_again)
            .filter(move |fact| fact.subject == *subject)
    }

    /// How many lines there are.
    #[must_use]
    pub fn len(&self) -> usize {
        self.0.len()
    }

    /// Whether there are none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

/// A row that was checked when the day was opened.
fn taken_again(row: &Row<'_>) -> Option<Covariate> {
    read(row, &mut Marks::default(), &mut Problems::default())
}

pub(crate) fn read_covariates(folder: &Path, requests: &Requests, problems: &mut Problems) -> Covariates {
    let mut marks = Marks::default();
    let mut seen: BTreeMap<(String, String, Option<i64>), u32> = BTreeMap::new();
    Covariates(BySubject::read(
        folder,
        FILE,
        &COLUMNS,
        problems,
        |row, problems| {
            let fact = read(row, &mut marks, problems)?;
            let key = (fact.subject.to_string(), fact.name.clone(), fact.from_unix_s);
            if let Some(first) = seen.get(&key) {
                problems.push(
                    row.problem(NAME, FormatProblemCode::FactTwice)
                        .expected(format!("each fact of a person once a time (line {first} has it)")),
                );
                return None;
            }
            seen.insert(key, row.line());
            requests.warn_of_stranger(&fact.subject, FILE, row.line(), problems);
            warn_of_doubtful(&fact, row.line(), problems);
            Some(fact.subject)
        },
    ))
}

fn read(row: &Row<'_>, marks: &mut Marks, problems: &mut Problems) -> Option<Covariate> {
    let before = problems.count();
    let subject = row
        .needed(SUBJECT, "a subject code", problems)
        .and_then(|_| row.identifier(SUBJECT, SubjectId::new, problems));
    let name = row
        .needed(NAME, "the name of a covariate", problems)
        .and_then(|text| name(row, text, problems));
    let value = row
        .needed(VALUE, bounds::COVARIATE.words, problems)
        .and_then(|_| row.number(VALUE, bounds::COVARIATE, marks, problems));
    let unit = row.needed(UNIT, "a unit, or 1 for what is counted", problems);
    let from = row.moment(FROM, problems);
    if problems.count() > before {
        return None;
    }
    let (name, value, unit) = (name?, value?, unit?);
    match KNOWN.iter().find(|of| of.name == name) {
        Some(of) => check_known(row, of, value, unit, problems),
        None => check_counted(row, &name, value, unit, problems),
    }
    if problems.count() > before {
        return None;
    }
    let (from, from_unix_s) = from.ok()?.unzip();
    Some(Covariate {
        subject: subject?,
        name,
        value,
        unit: unit.to_owned(),
        from,
        from_unix_s,
    })
}

fn name(row: &Row<'_>, text: &str, problems: &mut Problems) -> Option<String> {
    let plain = text.len() <= LONGEST_NAME
        && text.starts_with(|c: char| c.is_ascii_lowercase())
        && text
            .chars()
            .all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_');
    if plain {
        return Some(text.to_owned());
    }
    problems.push(
        row.problem(NAME, FormatProblemCode::IdentifierMalformed)
            .expected("lower-case letters, digits and underscores")
            .nearest(nearest(text, KNOWN.iter().map(|of| of.name))),
    );
    None
}

/// A value in the quantity's first unit. `None`: not one of its units.
fn in_first_unit(of: &Known, value: f64, unit: &str) -> Option<f64> {
    if !of.units.contains(&unit) {
        return None;
    }
    match (of.name, unit) {
        ("creatinine", "mg/dL") => Some(value * CREATININE_UMOL_PER_MG_DL),
        ("creatinine", _) => Some(value),
        _ => ucum::convert(value, unit, of.units[0]).ok(),
    }
}

fn check_known(row: &Row<'_>, of: &Known, value: f64, unit: &str, problems: &mut Problems) {
    let Some(converted) = in_first_unit(of, value, unit) else {
        problems.push(
            row.problem(UNIT, FormatProblemCode::WordUnknown)
                .expected(format!("a unit of {} ({})", of.name, of.units.join(", ")))
                .nearest(nearest(unit, of.units.iter().copied())),
        );
        return;
    };
    if (of.least..=of.most).contains(&converted) {
        return;
    }
    let other = other_reading(of, value, unit);
    problems.push(
        row.problem(VALUE, FormatProblemCode::NumberOutOfRange)
            .found(format!("{value} {unit}"))
            .expected(format!(
                "a {} from {} to {} {}",
                of.name, of.least, of.most, of.units[0]
            ))
            .nearest(other.map(|other| format!("{value} {other}")))
            .help(if other.is_some() {
                "The number would make sense in another unit: which one is meant must be written."
            } else {
                "Outside these bounds no living person lies."
            }),
    );
}

/// Another unit in which the number would be a living person's.
fn other_reading(of: &Known, value: f64, unit: &str) -> Option<&'static str> {
    of.units.iter().copied().find(|other| {
        *other != unit
            && in_first_unit(of, value, other).is_some_and(|value| (of.least..=of.most).contains(&value))
    })
}

/// A creatinine that could be meant in either unit.
fn warn_of_doubtful(fact: &Covariate, line: u32, problems: &mut Problems) {
    let of = KNOWN
        .iter()
        .find(|of| of.name == fact.name && of.name == "creatinine");
    if let Some(other) = of.and_then(|of| other_reading(of, fact.value, &fact.unit)) {
        problems.warn(FormatWarningCode::UnitDoubtful, FILE, Some(line), || {
            format!(
                "creatinine {} {} would also be possible in {other}: make sure of the unit",
                fact.value, fact.unit
            )
        });
    }
}

fn check_counted(row: &Row<'_>, name: &str, value: f64, unit: &str, problems: &mut Problems) {
    if unit != COUNTED {
        problems.push(
            row.problem(NAME, FormatProblemCode::WordUnknown)
                .found(quoted(name))
                .expected(format!(
                    "a quantity ({}), or a carrier or co-medication with unit 1",
                    KNOWN.map(|of| of.name).join(", ")
                ))
                .nearest(nearest(name, KNOWN.iter().map(|of| of.name))),
        );
        return;
    }
    let whole = value.fract().abs() <= 0.0;
    if !whole || !(0.0..=2.0).contains(&value) {
        problems.push(
            row.problem(VALUE, FormatProblemCode::NumberOutOfRange)
                .expected("0 or 1, or copies of a gene to 2"),
        );
    }
}
