//! `requests.csv`: what the clinic asks, a line a card.

use crate::bounds::{self, haematocrit_help};
use crate::injections::hash;
use crate::kept::KeptTable;
use crate::method::MethodFile;
use crate::nearest::nearest;
use crate::problem::{FormatProblem, FormatProblemCode, FormatWarningCode, Problems, quoted};
use crate::table::{Bounds, Column, Marks, Row, RowPlace, needed, number, optional};
use spotwright_domain::identifier::{AnalyteName, CardId, SubjectId};
use spotwright_domain::request::Request;
use std::path::Path;

pub(crate) const FILE: &str = "requests.csv";

const CARD: usize = 0;
const SUBJECT: usize = 1;
const ANALYTES: usize = 2;
const COLLECTED_AT: usize = 3;
const LAST_DOSE_AT: usize = 4;
const RECEIVED_AT: usize = 5;
const HAEMATOCRIT: usize = 6;
const WEIGHT: usize = 7;
const AGE: usize = 8;
const CREATININE: usize = 9;
const SEX: usize = 10;
const COMMENT: usize = 11;

static COLUMNS: [Column; 12] = [
    needed("card"),
    needed("subject"),
    optional("analytes"),
    optional("collected_at"),
    optional("last_dose_at"),
    optional("received_at"),
    number(optional("haematocrit_l_per_l")),
    number(optional("weight_kg")),
    number(optional("age_y")),
    number(optional("creatinine_umol_per_l")),
    optional("sex"),
    optional("comment"),
];

const SEXES: [(&str, &str); 4] = [
    ("female", "female"),
    ("male", "male"),
    ("other", "other"),
    ("unknown", "unknown"),
];

/// The day's requests, looked up by card.
#[derive(Debug, Clone, Default)]
pub struct Requests {
    table: Option<KeptTable>,
    /// Hash of the card, and where its row stands; sorted.
    by_card: Vec<(u64, RowKey)>,
    /// Hashes of the subjects, sorted.
    pub(crate) subjects: Vec<u64>,
}

type RowKey = (u32, u64);

impl Requests {
    /// The request of a card; `None`: nobody asked.
    #[must_use]
    pub fn get(&self, card: &CardId) -> Option<Request> {
        let wanted = hash(&[card.as_str()]);
        let from = self.by_card.partition_point(|(card, _)| *card < wanted);
        self.by_card[from..]
            .iter()
            .take_while(|(hash, _)| *hash == wanted)
            .filter_map(|(_, (line, offset))| {
                self.at(RowPlace {
                    offset: *offset,
                    line: *line,
                })
            })
            .find(|request| request.card == *card)
    }

    /// Every request, in the order of the file.
    pub fn iter(&self) -> impl Iterator<Item = Request> {
        let rows = self.table.iter().flat_map(|table| &table.rows);
        rows.filter_map(|place| self.at(*place))
    }

    /// How many requests there are.
    #[must_use]
    pub fn len(&self) -> usize {
        self.by_card.len()
    }

    /// Whether there are none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.by_card.is_empty()
    }

    /// Whether the day has a `requests.csv`.
    #[must_use]
    pub fn is_present(&self) -> bool {
        self.table.is_some()
    }

    /// Warns when a table tells of a person nobody asks about.
    pub(crate) fn warn_of_stranger(
        &self,
        subject: &SubjectId,
        file: &'static str,
        line: u32,
        problems: &mut Problems,
    ) {
        let subject = hash(&[subject.as_str()]);
        if self.is_present() && self.subjects.binary_search(&subject).is_err() {
            problems.warn(FormatWarningCode::PersonWithoutRequest, file, Some(line), || {
                format!("the subject of this line is not in {FILE}")
            });
        }
    }

    fn at(&self, place: RowPlace) -> Option<Request> {
        // The row was checked against the methods when the day was opened.
        let take = |row: &Row<'_>| read(row, None, &mut Marks::default(), &mut Problems::default());
        self.table
            .as_ref()?
            .with_row(place, take)
            .map(|(request, _)| request)
    }
}

/// Reads a folder's `requests.csv` by itself, as for a folder of photographs; absent: no requests. Analytes are not
/// checked, since no method is there to check them against.
///
/// # Errors
/// Every problem found, sorted by line and column.
pub fn open_requests(folder: &Path) -> Result<Requests, Vec<FormatProblem>> {
    let mut problems = Problems::default();
    let requests = read_requests(folder, None, &mut problems);
    problems.finish()?;
    Ok(requests)
}

pub(crate) fn read_requests(
    folder: &Path,
    methods: Option<&[MethodFile]>,
    problems: &mut Problems,
) -> Requests {
    let mut by_card: Vec<(u64, RowKey)> = Vec::new();
    let mut subjects = Vec::new();
    let mut seen: std::collections::BTreeMap<u64, u32> = std::collections::BTreeMap::new();
    let mut marks = Marks::default();
    let table = KeptTable::read(folder, FILE, &COLUMNS, problems, |row, problems| {
        let Some((request, times)) = read(row, methods, &mut marks, problems) else {
            return;
        };
        times.warn(row.line(), problems);
        let card = hash(&[request.card.as_str()]);
        subjects.push(hash(&[request.subject.as_str()]));
        if let Some(first) = seen.get(&card) {
            problems.push(
                row.problem(CARD, FormatProblemCode::CardTwice)
                    .expected(format!("each card once (line {first} has it)")),
            );
        } else {
            seen.insert(card, row.line());
            by_card.push((card, (row.line(), row.place().offset)));
        }
    });
    by_card.sort_unstable();
    subjects.sort_unstable();
    Requests {
        table,
        by_card,
        subjects,
    }
}

/// Cards measured without a request, and requested without being measured.
pub(crate) fn warn_of_strays(requests: &Requests, cards: &[(u64, u32)], problems: &mut Problems) {
    if !requests.is_present() {
        return;
    }
    let mut last = None;
    for (card, line) in cards {
        if last != Some(card)
            && requests
                .by_card
                .binary_search_by_key(card, |(card, _)| *card)
                .is_err()
        {
            problems.warn(
                FormatWarningCode::CardWithoutRequest,
                crate::injections::FILE,
                Some(*line),
                || format!("the card of this line is not in {FILE}"),
            );
        }
        last = Some(card);
    }
    for (card, (line, _)) in &requests.by_card {
        if cards.binary_search_by_key(card, |(card, _)| *card).is_err() {
            problems.warn(
                FormatWarningCode::RequestWithoutInjection,
                FILE,
                Some(*line),
                || format!("the card of this line is not in {}", crate::injections::FILE),
            );
        }
    }
}

struct Times {
    collected: Option<i64>,
    last_dose: Option<i64>,
    received: Option<i64>,
}

impl Times {
    fn warn(&self, line: u32, problems: &mut Problems) {
        let mut odd = |text: &str| {
            problems.warn(FormatWarningCode::TimesContradict, FILE, Some(line), || {
                text.to_owned()
            });
        };
        if let (Some(collected), Some(received)) = (self.collected, self.received)
            && received < collected
        {
            odd("received before it was collected");
        }
        if let (Some(collected), Some(dose)) = (self.collected, self.last_dose)
            && dose > collected
        {
            odd("the last dose lies after collection");
        }
    }
}

fn read(
    row: &Row<'_>,
    methods: Option<&[MethodFile]>,
    marks: &mut Marks,
    problems: &mut Problems,
) -> Option<(Request, Times)> {
    let before = problems.count();
    let card = row
        .needed(CARD, "a card code", problems)
        .and_then(|_| row.identifier(CARD, CardId::new, problems));
    let subject = row
        .needed(SUBJECT, "a subject code", problems)
        .and_then(|_| row.identifier(SUBJECT, SubjectId::new, problems));
    let analytes = analytes(row, methods, problems);
    let collected = row.moment(COLLECTED_AT, problems);
    let last_dose = row.moment(LAST_DOSE_AT, problems);
    let received = row.moment(RECEIVED_AT, problems);
    let haematocrit = haematocrit(row, marks, problems);
    let mut number = |column, bounds: Bounds, problems: &mut Problems| {
        (!row.text(column).is_empty())
            .then(|| row.number(column, bounds, marks, problems))
            .flatten()
    };
    let weight_kg = number(WEIGHT, bounds::WEIGHT_KG, problems);
    let age_y = number(AGE, bounds::AGE_Y, problems);
    let creatinine_umol_per_l = number(CREATININE, bounds::CREATININE, problems);
    let sex = (!row.text(SEX).is_empty())
        .then(|| row.word(SEX, "a sex", &SEXES, problems))
        .flatten();
    let comment = row.free_text(COMMENT, problems);
    if problems.count() > before {
        return None;
    }
    let (collected_at, collected) = collected.ok()?.unzip();
    let (last_dose_at, last_dose) = last_dose.ok()?.unzip();
    let (received_at, received) = received.ok()?.unzip();
    let age_at_receipt_d = collected
        .zip(received)
        .map(|(collected, received)| (received - collected) as f64 / 86_400.0);
    let request = Request {
        card: card?,
        subject: subject?,
        analytes,
        collected_at,
        last_dose_at,
        received_at,
        age_at_receipt_d,
        collected_at_unix_s: collected,
        haematocrit,
        weight_kg,
        age_y,
        sex: sex.map(str::to_owned),
        creatinine_umol_per_l,
        comment: comment.ok()?,
    };
    let times = Times {
        collected,
        last_dose,
        received,
    };
    Some((request, times))
}

fn analytes(row: &Row<'_>, methods: Option<&[MethodFile]>, problems: &mut Problems) -> Vec<AnalyteName> {
    let text = row.text(ANALYTES);
    if text.is_empty() {
        return Vec::new();
    }
    let mut names: Vec<AnalyteName> = Vec::new();
    for part in text.split('+').map(str::trim) {
        let Ok(name) = AnalyteName::new(part) else {
            problems.push(
                row.problem(ANALYTES, FormatProblemCode::IdentifierMalformed)
                    .expected("analyte names joined by `+`"),
            );
            return names;
        };
        if names.contains(&name) {
            problems.push(
                row.problem(ANALYTES, FormatProblemCode::NameTwice)
                    .expected(format!("{} once", quoted(part))),
            );
        }
        check_analyte(row, ANALYTES, &name, methods, problems);
        names.push(name);
    }
    names
}

/// The analyte must be one of a method of the day.
pub(crate) fn check_analyte(
    row: &Row<'_>,
    column: usize,
    name: &AnalyteName,
    methods: Option<&[MethodFile]>,
    problems: &mut Problems,
) {
    let Some(methods) = methods else { return };
    let known = || {
        methods
            .iter()
            .flat_map(|file| &file.method.analytes)
            .map(|analyte| analyte.name.as_str())
    };
    if !known().any(|known| known == name.as_str()) {
        problems.push(
            row.problem(column, FormatProblemCode::AnalyteUnknown)
                .found(quoted(name.as_str()))
                .expected("an analyte of a method of the day")
                .nearest(nearest(name.as_str(), known())),
        );
    }
}

fn haematocrit(row: &Row<'_>, marks: &mut Marks, problems: &mut Problems) -> Option<f64> {
    if row.text(HAEMATOCRIT).is_empty() {
        return None;
    }
    // Read within wide bounds first, so that a percentage gets its own answer.
    let wide = Bounds {
        min: f64::MIN,
        max: f64::MAX,
        ..bounds::HAEMATOCRIT
    };
    let value = row.number(HAEMATOCRIT, wide, marks, problems)?;
    if bounds::HAEMATOCRIT.hold(value) {
        return Some(value);
    }
    let (nearest, help) = haematocrit_help(value);
    problems.push(
        row.problem(HAEMATOCRIT, FormatProblemCode::NumberOutOfRange)
            .expected(bounds::HAEMATOCRIT.words)
            .nearest(nearest)
            .help(help),
    );
    None
}
