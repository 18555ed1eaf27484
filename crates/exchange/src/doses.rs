//! `doses.csv`: what people took, a line a dose or regimen.

use crate::bounds;
use crate::injections::hash;
use crate::kept::KeptTable;
use crate::method::MethodFile;
use crate::problem::{FormatProblemCode, FormatWarningCode, Problems};
use crate::requests::{Requests, check_analyte};
use crate::table::{Column, Marks, Row, RowPlace, needed, number, optional};
use spotwright_domain::identifier::{AnalyteName, SubjectId};
use spotwright_domain::request::{Dose, DoseTaken};
use std::path::Path;

pub(crate) const FILE: &str = "doses.csv";

const SUBJECT: usize = 0;
const DRUG: usize = 1;
const AMOUNT: usize = 2;
const UNIT: usize = 3;
const ROUTE: usize = 4;
const GIVEN_AT: usize = 5;
const INTERVAL: usize = 6;
const UNTIL: usize = 7;
const INFUSION: usize = 8;
const BASIS: usize = 9;
const TAKEN: usize = 10;
const TIME_UNCERTAINTY: usize = 11;

static COLUMNS: [Column; 12] = [
    needed("subject"),
    needed("drug"),
    number(needed("amount")),
    needed("unit"),
    needed("route"),
    needed("given_at"),
    number(optional("interval_h")),
    optional("until"),
    number(optional("infusion_min")),
    optional("basis"),
    optional("taken"),
    number(optional("time_uncertainty_min")),
];

const UNITS: [(&str, &str); 3] = [("ug", "ug"), ("mg", "mg"), ("g", "g")];
const INFUSION_ROUTE: &str = "intravenous-infusion";
const ROUTES: [(&str, &str); 6] = [
    ("oral", "oral"),
    ("intravenous-bolus", "intravenous-bolus"),
    (INFUSION_ROUTE, INFUSION_ROUTE),
    ("intramuscular", "intramuscular"),
    ("subcutaneous", "subcutaneous"),
    ("rectal", "rectal"),
];

const BASES: [(&str, &str); 7] = [
    ("acid", "acid"),
    ("base", "base"),
    ("sodium", "sodium"),
    ("sulfate", "sulfate"),
    ("phosphate", "phosphate"),
    ("hydrochloride", "hydrochloride"),
    ("mofetil", "mofetil"),
];

/// The day's doses.
#[derive(Debug, Clone, Default)]
pub struct Doses {
    table: Option<KeptTable>,
    /// Hash of the subject, line and offset; sorted.
    by_subject: Vec<(u64, u32, u64)>,
}

impl Doses {
    /// Every dose, in the order of the file.
    pub fn iter(&self) -> impl Iterator<Item = Dose> {
        let rows = self.table.iter().flat_map(|table| &table.rows);
        rows.filter_map(|place| self.at(*place))
    }

    /// The doses of a person, in the order of the file.
    pub fn of<'a>(&'a self, subject: &'a SubjectId) -> impl Iterator<Item = Dose> + 'a {
        let wanted = hash(&[subject.as_str()]);
        let from = self.by_subject.partition_point(|(of, _, _)| *of < wanted);
        self.by_subject[from..]
            .iter()
            .take_while(move |(of, _, _)| *of == wanted)
            .filter_map(|(_, line, offset)| {
                self.at(RowPlace {
                    offset: *offset,
                    line: *line,
                })
            })
            .filter(move |dose| dose.subject == *subject)
    }

    /// How many lines there are.
    #[must_use]
    pub fn len(&self) -> usize {
        self.by_subject.len()
    }

    /// Whether there are none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.by_subject.is_empty()
    }

    fn at(&self, place: RowPlace) -> Option<Dose> {
        // The row was checked against the methods when the day was opened.
        let take = |row: &Row<'_>| read(row, None, &mut Marks::default(), &mut Problems::default());
        self.table.as_ref()?.with_row(place, take)
    }
}

pub(crate) fn read_doses(
    folder: &Path,
    methods: Option<&[MethodFile]>,
    requests: &Requests,
    problems: &mut Problems,
) -> Doses {
    let mut by_subject = Vec::new();
    let mut marks = Marks::default();
    let table = KeptTable::read(folder, FILE, &COLUMNS, problems, |row, problems| {
        let Some(dose) = read(row, methods, &mut marks, problems) else {
            return;
        };
        let subject = hash(&[dose.subject.as_str()]);
        by_subject.push((subject, row.line(), row.place().offset));
        if requests.is_present() && requests.subjects.binary_search(&subject).is_err() {
            problems.warn(
                FormatWarningCode::DoseWithoutRequest,
                FILE,
                Some(row.line()),
                || format!("the subject of this line is not in {}", crate::requests::FILE),
            );
        }
    });
    by_subject.sort_unstable();
    Doses { table, by_subject }
}

fn read(
    row: &Row<'_>,
    methods: Option<&[MethodFile]>,
    marks: &mut Marks,
    problems: &mut Problems,
) -> Option<Dose> {
    let before = problems.count();
    let subject = row
        .needed(SUBJECT, "a subject code", problems)
        .and_then(|_| row.identifier(SUBJECT, SubjectId::new, problems));
    let drug = row
        .needed(DRUG, "an analyte of a method", problems)
        .and_then(|_| row.identifier(DRUG, AnalyteName::new, problems));
    if let Some(drug) = &drug {
        check_analyte(row, DRUG, drug, methods, problems);
    }
    let amount = row
        .needed(AMOUNT, bounds::AMOUNT.words, problems)
        .and_then(|_| row.number(AMOUNT, bounds::AMOUNT, marks, problems));
    let unit = row
        .needed(UNIT, "a unit (ug, mg, g)", problems)
        .and_then(|_| row.word(UNIT, "a unit", &UNITS, problems));
    let route = row
        .needed(ROUTE, "a route", problems)
        .and_then(|_| row.word(ROUTE, "a route", &ROUTES, problems));
    let given = row
        .needed(GIVEN_AT, crate::moment::EXPECTED_MOMENT, problems)
        .and_then(|_| row.moment(GIVEN_AT, problems).ok().flatten());
    let interval_h = (!row.text(INTERVAL).is_empty())
        .then(|| row.number(INTERVAL, bounds::INTERVAL_H, marks, problems))
        .flatten();
    let until = row.moment(UNTIL, problems);
    let infusion_min = (!row.text(INFUSION).is_empty())
        .then(|| row.number(INFUSION, bounds::INFUSION_MIN, marks, problems))
        .flatten();
    let basis = (!row.text(BASIS).is_empty())
        .then(|| row.word(BASIS, "what the amount counts", &BASES, problems))
        .flatten();
    let taken = if row.text(TAKEN).is_empty() {
        Some(DoseTaken::Given)
    } else {
        row.word(TAKEN, "whether it was taken", &DoseTaken::ALL, problems)
    };
    let time_uncertainty_min = (!row.text(TIME_UNCERTAINTY).is_empty())
        .then(|| row.number(TIME_UNCERTAINTY, bounds::TIME_UNCERTAINTY_MIN, marks, problems))
        .flatten();
    if problems.count() > before {
        return None;
    }
    let (given_at, given_unix_s) = given?;
    let (until, until_unix_s) = until.ok()?.unzip();
    let route = route?;
    match (route == INFUSION_ROUTE, infusion_min) {
        (true, None) => problems.push(
            row.problem(INFUSION, FormatProblemCode::CellMissing)
                .expected(format!("minutes for route `{INFUSION_ROUTE}`")),
        ),
        (false, Some(_)) => problems.push(
            row.problem(INFUSION, FormatProblemCode::CellNotWanted)
                .expected(format!("an empty cell for route `{route}`")),
        ),
        _ => {}
    }
    if until.is_some() && interval_h.is_none() {
        problems.push(
            row.problem(INTERVAL, FormatProblemCode::CellMissing)
                .expected("hours between doses, since `until` makes this a regimen"),
        );
    }
    if until_unix_s.is_some_and(|until| until < given_unix_s) {
        problems.push(
            row.problem(UNTIL, FormatProblemCode::TimesReversed)
                .expected("a time not before `given_at`"),
        );
    }
    (problems.count() == before).then_some(Dose {
        subject: subject?,
        drug: drug?,
        amount: amount?,
        unit: unit?.to_owned(),
        route: route.to_owned(),
        given_at,
        interval_h,
        until,
        infusion_min,
        basis: basis.map(str::to_owned),
        taken: taken?,
        time_uncertainty_min,
    })
}
