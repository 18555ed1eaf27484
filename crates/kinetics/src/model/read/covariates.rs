//! `[[covariate]]`.

use super::super::formula::FormulaError;
use super::super::section::{Bounds, Reader, Section};
use super::super::{Covariate, CovariateUnit, IfMissing, ModelProblemCode, RenalEquation, UnknownGenotype};
use super::{NOT_NEGATIVE, POSITIVE};
use crate::structure::ParameterName;

const ANY: Bounds = Bounds {
    low: -1e9,
    high: 1e9,
    words: "a number",
};

#[derive(Clone, Copy)]
enum Policy {
    Refuse,
    Ask,
    DefaultWithWarning,
    Default,
    FromRegimen,
    TwoOrMore,
    GenotypeUnknown,
    GenotypeMixture,
}

const POLICIES: [(&str, Policy); 8] = [
    ("refuse", Policy::Refuse),
    ("ask", Policy::Ask),
    ("default-with-warning", Policy::DefaultWithWarning),
    ("default", Policy::Default),
    ("from-regimen", Policy::FromRegimen),
    ("two-or-more", Policy::TwoOrMore),
    ("genotype-unknown", Policy::GenotypeUnknown),
    ("genotype-mixture", Policy::GenotypeMixture),
];

pub(super) fn covariates(top: &Section<'_, '_>, reader: &mut Reader<'_>) -> Vec<Covariate> {
    if !top.has("covariate") {
        return Vec::new();
    }
    let mut found: Vec<Covariate> = Vec::new();
    for section in top.sections(reader, "covariate", "covariate") {
        section.check_keys(
            reader,
            &[
                "name",
                "unit",
                "default",
                "low",
                "high",
                "if_missing",
                "if_missing_note",
            ],
            &[
                "possible",
                "meaning",
                "equation",
                "of",
                "unknown_parameter",
                "unknown_sd_log",
                "unknown_value",
            ],
        );
        if let Some(covariate) = covariate(&section, reader, &found) {
            if found.iter().any(|other| other.name == covariate.name) {
                section.push(
                    reader,
                    "name",
                    ModelProblemCode::NameTwice,
                    "each covariate once",
                    None,
                );
            }
            found.push(covariate);
        }
    }
    found
}

fn covariate(section: &Section<'_, '_>, reader: &mut Reader<'_>, before: &[Covariate]) -> Option<Covariate> {
    let name = section.text(reader, "name").filter(|name| {
        let well = name.starts_with(|c: char| c.is_ascii_alphabetic())
            && name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_')
            && !matches!(name.as_str(), "exp" | "ln" | "if");
        if !well {
            section.push(
                reader,
                "name",
                ModelProblemCode::ValueKind,
                "letters, figures and _, and no function's name",
                None,
            );
        }
        well
    });
    let unit = section.word(reader, "unit", ModelProblemCode::UnitWrong, &CovariateUnit::ALL);
    if let (Some(name), Some(unit)) = (&name, unit)
        && let Some(expected) = CovariateUnit::of_name(name)
        && expected != unit
    {
        let expected = format!("{}, as the name {name} says", expected.text());
        section.push(reader, "unit", ModelProblemCode::UnitWrong, expected, None);
    }
    let default = section.number(reader, "default", ANY);
    let low = section.number(reader, "low", ANY);
    let high = section.number(reader, "high", ANY);
    let is_count = matches!(unit, Some(CovariateUnit::Flag | CovariateUnit::Copies));
    let possible = if is_count {
        if section.has("possible") {
            section.push(
                reader,
                "possible",
                ModelProblemCode::Contradiction,
                "no such key: the unit says which values there are",
                None,
            );
        }
        Some(if unit == Some(CovariateUnit::Flag) {
            [0.0, 1.0]
        } else {
            [0.0, 2.0]
        })
    } else {
        if unit.is_some() && !section.has("possible") {
            section.push(
                reader,
                "name",
                ModelProblemCode::KeyMissing,
                "possible = [low, high] beside it, what a living person can have",
                None,
            );
        }
        section.range(reader, "possible", ANY)
    };
    let equation = equation(section, reader, unit);
    let if_missing = policy(section, reader, before);
    let if_missing_note = section.text(reader, "if_missing_note");
    let meaning = section.text(reader, "meaning");
    if unit == Some(CovariateUnit::Copies) && meaning.is_none() {
        section.push(
            reader,
            "unit",
            ModelProblemCode::KeyMissing,
            "meaning beside it, what 0, 1 and 2 stand for",
            None,
        );
    }
    let (default, low, high, possible) = (default?, low?, high?, possible?);
    if !(possible[0] <= low && low <= default && default <= high && high <= possible[1]) {
        section.push(
            reader,
            "default",
            ModelProblemCode::NumberOutOfRange,
            format!(
                "{} <= low {low} <= default {default} <= high {high} <= {}",
                possible[0], possible[1]
            ),
            None,
        );
    }
    Some(Covariate {
        name: name?,
        unit: unit?,
        meaning,
        default,
        low,
        high,
        possible,
        equation: equation?,
        if_missing: if_missing?,
        if_missing_note: if_missing_note?,
    })
}

/// A filtration estimate names its equation; nothing else does.
fn equation(
    section: &Section<'_, '_>,
    reader: &mut Reader<'_>,
    unit: Option<CovariateUnit>,
) -> Option<Option<RenalEquation>> {
    let renal = unit.is_some_and(CovariateUnit::is_renal_estimate);
    let given = section.has("equation");
    if renal != given && unit.is_some() {
        section.push(
            reader,
            "unit",
            ModelProblemCode::Contradiction,
            "equation beside a filtration estimate, and only there",
            None,
        );
    }
    if !given {
        return Some(None);
    }
    section
        .word(
            reader,
            "equation",
            ModelProblemCode::WordUnknown,
            &RenalEquation::ALL,
        )
        .map(Some)
}

fn policy(section: &Section<'_, '_>, reader: &mut Reader<'_>, before: &[Covariate]) -> Option<IfMissing> {
    let word = section.word(reader, "if_missing", ModelProblemCode::WordUnknown, &POLICIES)?;
    let own: &[&str] = match word {
        Policy::TwoOrMore => &["of"],
        Policy::GenotypeUnknown => &["unknown_parameter", "unknown_sd_log", "unknown_value"],
        _ => &[],
    };
    for key in ["of", "unknown_parameter", "unknown_sd_log", "unknown_value"] {
        if section.has(key) != own.contains(&key) {
            section.push(
                reader,
                "if_missing",
                ModelProblemCode::Contradiction,
                format!("the key `{key}` with its own policy, and only there"),
                None,
            );
        }
    }
    Some(match word {
        Policy::Refuse => IfMissing::Refuse,
        Policy::Ask => IfMissing::Ask,
        Policy::DefaultWithWarning => IfMissing::DefaultWithWarning,
        Policy::Default => IfMissing::Default,
        Policy::FromRegimen => IfMissing::FromRegimen,
        Policy::GenotypeMixture => IfMissing::GenotypeMixture,
        Policy::TwoOrMore => {
            let texts = section.texts(reader, "of")?;
            let mut indices = Vec::new();
            for (text, span) in texts {
                let found = before.iter().position(|covariate| covariate.name == text);
                if found.is_none() {
                    let near = super::super::nearest::nearest(&text, before.iter().map(|c| c.name.as_str()));
                    let field = section.dotted("of");
                    let quoted = format!("{text:?}");
                    reader.push(
                        ModelProblemCode::WordUnknown,
                        span,
                        &field,
                        quoted,
                        "a covariate above",
                        near,
                    );
                }
                indices.push(found?);
            }
            IfMissing::TwoOrMoreOf(indices)
        }
        Policy::GenotypeUnknown => {
            let symbols = ParameterName::ALL.map(|name| (name.symbol(), name));
            let parameter = section.word(
                reader,
                "unknown_parameter",
                ModelProblemCode::WordUnknown,
                &symbols,
            );
            let sd_log = section.number(reader, "unknown_sd_log", POSITIVE);
            let value = section.number(reader, "unknown_value", NOT_NEGATIVE);
            IfMissing::GenotypeUnknown(UnknownGenotype {
                value: value?,
                parameter: parameter?,
                sd_log: sd_log?,
            })
        }
    })
}

/// Places a formula's error at its character within the file.
pub(super) fn formula_problem(
    section: &Section<'_, '_>,
    reader: &mut Reader<'_>,
    key: &str,
    error: &FormulaError,
) {
    use super::super::formula::FormulaFault;
    let (found, expected, near) = match &error.fault {
        FormulaFault::Unexpected { found, expected } => (found.clone(), (*expected).to_owned(), None),
        FormulaFault::UnknownName { name, nearest } => (
            format!("{name:?}"),
            "a covariate of the model or a function".to_owned(),
            nearest.as_deref(),
        ),
        FormulaFault::Number { text } => (format!("{text:?}"), "a number".to_owned(), None),
        FormulaFault::NotACondition => (
            "something that is neither true nor false".to_owned(),
            "a comparison or a 0/1 covariate".to_owned(),
            None,
        ),
        FormulaFault::TooDeep { deepest } => (
            "deeper nesting".to_owned(),
            format!("at most {deepest} levels of nesting"),
            None,
        ),
    };
    // The quotation mark before the formula is one character, and so is the one the column counts from.
    reader.push_within(
        ModelProblemCode::Formula,
        section.span(key),
        error.column,
        &section.dotted(key),
        (found, expected),
        near,
    );
}
