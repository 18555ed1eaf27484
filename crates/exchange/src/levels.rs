//! `levels.csv`: levels of a person measured on other days or elsewhere, a line a level.

use crate::bounds;
use crate::by_subject::BySubject;
use crate::method::MethodFile;
use crate::problem::{FormatProblemCode, FormatWarningCode, Problems};
use crate::requests::{Requests, check_analyte};
use crate::table::{Column, Marks, Row, needed, number, optional};
use spotwright_domain::concentration::ConcentrationUnit;
use spotwright_domain::identifier::{AnalyteName, SubjectId};
use spotwright_domain::matrix::MatrixKind;
use spotwright_domain::request::EarlierLevel;
use std::collections::BTreeMap;
use std::path::Path;

pub(crate) const FILE: &str = "levels.csv";

const SUBJECT: usize = 0;
const DRUG: usize = 1;
const TAKEN_AT: usize = 2;
const VALUE: usize = 3;
const UNIT: usize = 4;
const MATRIX: usize = 5;
const BELOW: usize = 6;
const UNCERTAINTY: usize = 7;

static COLUMNS: [Column; 8] = [
    needed("subject"),
    needed("drug"),
    needed("taken_at"),
    number(needed("value")),
    needed("unit"),
    needed("matrix"),
    optional("below_lloq"),
    number(optional("standard_uncertainty")),
];

const YES_NO: [(&str, bool); 2] = [("yes", true), ("no", false)];

/// How many times above the method's highest or below its lowest calibrator a level is thought a wrong unit.
const FAR: f64 = 100.0;

/// The day's earlier levels.
#[derive(Debug, Clone, Default)]
pub struct Levels(BySubject);

impl Levels {
    /// Every level, in the order of the file.
    pub fn iter(&self) -> impl Iterator<Item = EarlierLevel> {
        self.0.iter(taken_again)
    }

    /// A person's levels, in the order of the file.
    pub fn of<'a>(&'a self, subject: &'a SubjectId) -> impl Iterator<Item = EarlierLevel> + 'a {
        self.0
            .of(subject, taken_again)
            .filter(move |level| level.subject == *subject)
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
fn taken_again(row: &Row<'_>) -> Option<EarlierLevel> {
    read(row, None, &mut Marks::default(), &mut Problems::default())
}

pub(crate) fn read_levels(
    folder: &Path,
    methods: Option<&[MethodFile]>,
    requests: &Requests,
    problems: &mut Problems,
) -> Levels {
    let mut marks = Marks::default();
    let mut seen: BTreeMap<(String, String, i64, MatrixKind), u32> = BTreeMap::new();
    Levels(BySubject::read(
        folder,
        FILE,
        &COLUMNS,
        problems,
        |row, problems| {
            let level = read(row, methods, &mut marks, problems)?;
            let key = (
                level.subject.to_string(),
                level.drug.to_string(),
                level.taken_at_unix_s,
                level.matrix,
            );
            if let Some(first) = seen.get(&key) {
                problems.push(
                    row.problem(TAKEN_AT, FormatProblemCode::FactTwice)
                        .expected(format!("each level once (line {first} has it)")),
                );
                return None;
            }
            seen.insert(key, row.line());
            requests.warn_of_stranger(&level.subject, FILE, row.line(), problems);
            warn_of_far(&level, methods, row.line(), problems);
            Some(level.subject)
        },
    ))
}

fn read(
    row: &Row<'_>,
    methods: Option<&[MethodFile]>,
    marks: &mut Marks,
    problems: &mut Problems,
) -> Option<EarlierLevel> {
    let before = problems.count();
    let units = ConcentrationUnit::ALL.map(|unit| (unit.ucum(), unit));
    let matrices = MatrixKind::ALL.map(|matrix| (matrix.as_str(), matrix));
    let subject = row
        .needed(SUBJECT, "a subject code", problems)
        .and_then(|_| row.identifier(SUBJECT, SubjectId::new, problems));
    let drug = row
        .needed(DRUG, "an analyte of a method", problems)
        .and_then(|_| row.identifier(DRUG, AnalyteName::new, problems));
    if let Some(drug) = &drug {
        check_analyte(row, DRUG, drug, methods, problems);
    }
    let taken = row
        .needed(TAKEN_AT, crate::moment::EXPECTED_MOMENT, problems)
        .and_then(|_| row.moment(TAKEN_AT, problems).ok().flatten());
    let value = row
        .needed(VALUE, bounds::LEVEL.words, problems)
        .and_then(|_| row.number(VALUE, bounds::LEVEL, marks, problems));
    let unit = row
        .needed(UNIT, "a unit", problems)
        .and_then(|_| row.word(UNIT, "a unit", &units, problems));
    let matrix = row
        .needed(MATRIX, "a matrix", problems)
        .and_then(|_| row.word(MATRIX, "a matrix", &matrices, problems));
    let below_lloq = if row.text(BELOW).is_empty() {
        Some(false)
    } else {
        row.word(BELOW, "yes or no", &YES_NO, problems)
    };
    let standard_uncertainty = (!row.text(UNCERTAINTY).is_empty())
        .then(|| row.number(UNCERTAINTY, bounds::LEVEL_UNCERTAINTY, marks, problems))
        .flatten();
    if below_lloq == Some(true) && standard_uncertainty.is_some() {
        problems.push(
            row.problem(UNCERTAINTY, FormatProblemCode::CellNotWanted)
                .expected("an empty cell for a level below its limit"),
        );
    }
    if problems.count() > before {
        return None;
    }
    let (taken_at, taken_at_unix_s) = taken?;
    Some(EarlierLevel {
        subject: subject?,
        drug: drug?,
        taken_at,
        taken_at_unix_s,
        value: value?,
        unit: unit?,
        matrix: matrix?,
        below_lloq: below_lloq?,
        standard_uncertainty,
    })
}

/// A unit wrong by a thousand shows in a level no method would be built for (SAFE-01).
fn warn_of_far(level: &EarlierLevel, methods: Option<&[MethodFile]>, line: u32, problems: &mut Problems) {
    let analyte = methods
        .into_iter()
        .flatten()
        .flat_map(|file| &file.method.analytes)
        .find(|analyte| analyte.name == level.drug);
    let Some(analyte) = analyte else { return };
    let Ok(value) = level
        .unit
        .convert(level.value, analyte.unit, analyte.molar_mass().ok())
    else {
        return;
    };
    if value > FAR * analyte.uloq() || value < analyte.lloq() / FAR {
        problems.warn(FormatWarningCode::UnitDoubtful, FILE, Some(line), || {
            format!(
                "a level of {} {} lies far outside the method's range of {}: make sure of the unit",
                level.value,
                level.unit.ucum(),
                level.drug
            )
        });
    }
}
