//! `CASE.toml`: one person's doses, levels and covariates, written by hand.

use crate::bounds;
use crate::method::section::{Section, Source, document};
use crate::method::{MethodKey, MethodTable, read_target};
use crate::moment::{EXPECTED_MOMENT, unix_seconds};
use crate::problem::{FormatProblem, FormatProblemCode, Problems};
use crate::text::read_text;
use spotwright_domain::case::{CaseDose, CaseFile};
use spotwright_domain::concentration::ConcentrationUnit;
use spotwright_domain::identifier::{AnalyteName, SubjectId};
use spotwright_domain::matrix::MatrixKind;
use spotwright_domain::request::{Covariate, Dose, DoseTaken, EarlierLevel};
use std::path::Path;
use toml::de::DeValue;

/// Largest case file (bytes).
const LARGEST_CASE: u64 = 4 * 1024 * 1024;

const fn key(name: &'static str, needed: bool) -> MethodKey {
    MethodKey { name, needed }
}

const TOP: MethodTable = MethodTable {
    path: "",
    keys: &[
        key("case", true),
        key("dose", false),
        key("level", false),
        key("covariate", false),
        key("target", false),
    ],
};
const CASE: MethodTable = MethodTable {
    path: "case",
    keys: &[
        key("subject", true),
        key("drug", true),
        key("models", false),
        key("decide_at", false),
        key("simulated", false),
        key("other_drugs", false),
        key("states", false),
    ],
};
const DOSE: MethodTable = MethodTable {
    path: "dose",
    keys: &[
        key("given_at", true),
        key("amount", true),
        key("unit", true),
        key("route", true),
        key("interval_h", false),
        key("until", false),
        key("running", false),
        key("infusion_min", false),
        key("basis", false),
        key("taken", false),
        key("time_uncertainty_min", false),
    ],
};
const LEVEL: MethodTable = MethodTable {
    path: "level",
    keys: &[
        key("taken_at", true),
        key("value", true),
        key("unit", true),
        key("matrix", true),
        key("below_lloq", false),
        key("standard_uncertainty", false),
    ],
};
const COVARIATE: MethodTable = MethodTable {
    path: "covariate",
    keys: &[
        key("name", true),
        key("value", true),
        key("unit", true),
        key("from", false),
    ],
};

/// The keys of a case file, table by table; `[target]` is the method's `[analyte.target]`.
pub const CASE_TABLES: [MethodTable; 5] = [TOP, CASE, DOSE, LEVEL, COVARIATE];

const UNITS: [(&str, &str); 5] = [
    ("ug", "ug"),
    ("mg", "mg"),
    ("g", "g"),
    ("ug/kg", "ug/kg"),
    ("mg/kg", "mg/kg"),
];
const ROUTES: [(&str, &str); 3] = [
    ("oral", "oral"),
    ("intravenous-bolus", "intravenous-bolus"),
    ("intravenous-infusion", "intravenous-infusion"),
];

/// Reads a case file.
///
/// # Errors
/// Every problem of the file.
pub fn open_case(path: &Path) -> Result<CaseFile, Vec<FormatProblem>> {
    let name = path.file_name().map_or_else(
        || path.display().to_string(),
        |name| name.to_string_lossy().into_owned(),
    );
    let (text, _) = read_text(path, &name, LARGEST_CASE).map_err(|problem| vec![*problem])?;
    read_case(&name, &text)
}

/// Reads the text of a case file; `file` is its name in problems.
///
/// # Errors
/// Every problem of the text.
pub fn read_case(file: &str, text: &str) -> Result<CaseFile, Vec<FormatProblem>> {
    let mut problems = Problems::default();
    let case = case(file, text, &mut problems);
    problems.finish()?;
    // Without a problem there is a case.
    case.ok_or_else(Vec::new)
}

fn case(file: &str, text: &str, problems: &mut Problems) -> Option<CaseFile> {
    let source = Source::new(file, text, "the case file");
    let document = document(&source, problems)?;
    let top = Section::new(&source, document.get_ref(), document.span(), TOP.path);
    top.check_keys(TOP, problems);
    let head = top.section("case", "case", problems)?;
    head.check_keys(CASE, problems);
    let subject = head.identifier("subject", SubjectId::new, problems);
    let drug = head.identifier("drug", AnalyteName::new, problems);
    let models = texts(&head, "models", problems);
    let decide_at = moment(&head, "decide_at", problems);
    let simulated = truth(&head, "simulated", problems);
    let other_drugs = texts(&head, "other_drugs", problems);
    let states = texts(&head, "states", problems);
    let (subject, drug) = (subject?, drug?);
    let doses: Vec<Option<CaseDose>> = top
        .sections("dose", "dose", problems)
        .iter()
        .map(|section| dose(section, &subject, &drug, problems))
        .collect();
    let levels: Vec<Option<EarlierLevel>> = top
        .sections("level", "level", problems)
        .iter()
        .map(|section| level(section, &subject, &drug, problems))
        .collect();
    let covariates: Vec<Option<Covariate>> = top
        .sections("covariate", "covariate", problems)
        .iter()
        .map(|section| covariate(section, &subject, problems))
        .collect();
    let target = read_target(&top, problems);
    Some(CaseFile {
        subject: subject.to_string(),
        drug: drug.to_string(),
        models: models?.unwrap_or_default(),
        decide_at: decide_at?,
        simulated: simulated?.unwrap_or(false),
        other_drugs: other_drugs?,
        states: states?,
        doses: doses.into_iter().collect::<Option<_>>()?,
        levels: levels.into_iter().collect::<Option<_>>()?,
        covariates: covariates.into_iter().collect::<Option<_>>()?,
        target: target?,
    })
}

fn dose(
    section: &Section<'_>,
    subject: &SubjectId,
    drug: &AnalyteName,
    problems: &mut Problems,
) -> Option<CaseDose> {
    section.check_keys(DOSE, problems);
    let given_at = moment(section, "given_at", problems);
    let amount = section.number("amount", bounds::AMOUNT, problems);
    let unit = section.word("unit", "a unit", &UNITS, problems);
    let route = section.word("route", "a route", &ROUTES, problems);
    let interval_h = optional_number(section, "interval_h", bounds::INTERVAL_H, problems);
    let until = moment(section, "until", problems);
    let running = truth(section, "running", problems);
    let infusion_min = optional_number(section, "infusion_min", bounds::INFUSION_MIN, problems);
    let basis = if section.has("basis") {
        section.text("basis", problems).map(|text| Some(text.to_owned()))
    } else {
        Some(None)
    };
    let taken = if section.has("taken") {
        section.word("taken", "given, missed or uncertain", &DoseTaken::ALL, problems)
    } else {
        Some(DoseTaken::Given)
    };
    let time_uncertainty_min = optional_number(
        section,
        "time_uncertainty_min",
        bounds::TIME_UNCERTAINTY_MIN,
        problems,
    );
    let (given_at, given_at_unix_s) = given_at??;
    let (interval_h, until, running) = (interval_h?, until?, running?.unwrap_or(false));
    if interval_h.is_none() {
        for key in ["until", "running"] {
            if section.has(key) {
                problems.push(
                    section
                        .problem(key, FormatProblemCode::KeyMissing)
                        .expected("`interval_h` beside it")
                        .help("Only a regimen has a last dose or runs on; a regimen has an interval."),
                );
                return None;
            }
        }
    }
    if let Some((_, until_s)) = &until
        && *until_s < given_at_unix_s
    {
        problems.push(
            section
                .problem("until", FormatProblemCode::NumberOutOfRange)
                .expected("a time not before `given_at`"),
        );
        return None;
    }
    let (until, until_unix_s) = until.unzip();
    Some(CaseDose {
        dose: Dose {
            subject: subject.clone(),
            drug: drug.clone(),
            amount: amount?,
            unit: unit?.to_owned(),
            route: route?.to_owned(),
            given_at,
            interval_h,
            until,
            infusion_min: infusion_min?,
            basis: basis?,
            taken: taken?,
            time_uncertainty_min: time_uncertainty_min?,
        },
        given_at_unix_s,
        until_unix_s,
        running,
    })
}

fn level(
    section: &Section<'_>,
    subject: &SubjectId,
    drug: &AnalyteName,
    problems: &mut Problems,
) -> Option<EarlierLevel> {
    section.check_keys(LEVEL, problems);
    let units = ConcentrationUnit::ALL.map(|unit| (unit.ucum(), unit));
    let matrices = MatrixKind::ALL.map(|matrix| (matrix.as_str(), matrix));
    let taken_at = moment(section, "taken_at", problems);
    let value = section.number("value", bounds::LEVEL, problems);
    let unit = section.word("unit", "a unit", &units, problems);
    let matrix = section.word("matrix", "a matrix", &matrices, problems);
    let below_lloq = truth(section, "below_lloq", problems);
    let standard_uncertainty = optional_number(
        section,
        "standard_uncertainty",
        bounds::LEVEL_UNCERTAINTY,
        problems,
    );
    let (taken_at, taken_at_unix_s) = taken_at??;
    Some(EarlierLevel {
        subject: subject.clone(),
        drug: drug.clone(),
        taken_at,
        taken_at_unix_s,
        value: value?,
        unit: unit?,
        matrix: matrix?,
        below_lloq: below_lloq?.unwrap_or(false),
        standard_uncertainty: standard_uncertainty?,
    })
}

fn covariate(section: &Section<'_>, subject: &SubjectId, problems: &mut Problems) -> Option<Covariate> {
    section.check_keys(COVARIATE, problems);
    let name = section.text("name", problems);
    let value = section.number("value", bounds::COVARIATE, problems);
    let unit = section.text("unit", problems);
    let from = moment(section, "from", problems);
    let (from, from_unix_s) = from?.unzip();
    Some(Covariate {
        subject: subject.clone(),
        name: name?.to_owned(),
        value: value?,
        unit: unit?.to_owned(),
        from,
        from_unix_s,
    })
}

/// A time: `None` when it has a problem, `Some(None)` when the key is absent.
fn moment(section: &Section<'_>, key: &str, problems: &mut Problems) -> Option<Option<(String, i64)>> {
    if !section.has(key) {
        return Some(None);
    }
    let text = section.text(key, problems)?;
    match unix_seconds(text) {
        Ok(seconds) => Some(Some((text.to_owned(), seconds))),
        Err(error) => {
            problems.push(
                section
                    .problem(key, error.code)
                    .expected(EXPECTED_MOMENT)
                    .help(error.help),
            );
            None
        }
    }
}

/// A list of texts: `None` when it has a problem, `Some(None)` when the key is absent.
fn texts(section: &Section<'_>, key: &str, problems: &mut Problems) -> Option<Option<Vec<String>>> {
    let Some(value) = section.get(key) else {
        return Some(None);
    };
    let DeValue::Array(array) = value.get_ref() else {
        problems.push(
            section
                .problem(key, FormatProblemCode::ValueKind)
                .expected("a list of texts, such as [\"one\", \"two\"]"),
        );
        return None;
    };
    let list: Option<Vec<String>> = array
        .iter()
        .map(|element| match element.get_ref() {
            DeValue::String(text) if !text.trim().is_empty() => Some(text.trim().to_owned()),
            _ => None,
        })
        .collect();
    if list.is_none() {
        problems.push(
            section
                .problem(key, FormatProblemCode::ValueKind)
                .expected("texts, none of them blank"),
        );
    }
    list.map(Some)
}

/// A truth value: `None` when it has a problem, `Some(None)` when the key is absent.
fn truth(section: &Section<'_>, key: &str, problems: &mut Problems) -> Option<Option<bool>> {
    let Some(value) = section.get(key) else {
        return Some(None);
    };
    if let DeValue::Boolean(truth) = value.get_ref() {
        return Some(Some(*truth));
    }
    problems.push(
        section
            .problem(key, FormatProblemCode::ValueKind)
            .expected("true or false, without quotation marks"),
    );
    None
}

/// A number: `None` when it has a problem, `Some(None)` when the key is absent.
fn optional_number(
    section: &Section<'_>,
    key: &str,
    bounds: crate::table::Bounds,
    problems: &mut Problems,
) -> Option<Option<f64>> {
    if section.has(key) {
        section.number(key, bounds, problems).map(Some)
    } else {
        Some(None)
    }
}
