//! Calibrator and control levels of one analyte.

use super::section::Section;
use crate::bounds;
use crate::problem::{FormatProblemCode, Problems, quoted};
use spotwright_domain::identifier::LevelName;
use spotwright_domain::method::{CurveModel, Level};
use std::ops::Range;
use toml::de::DeValue;

/// A level and where its concentration stands.
pub(super) struct PlacedLevel {
    level: Level,
    at: Range<usize>,
}

/// Reads a table `level name = concentration`.
pub(super) fn levels(
    analyte: &Section<'_>,
    key: &str,
    path: &'static str,
    problems: &mut Problems,
) -> Option<Vec<PlacedLevel>> {
    let section = analyte.section(key, path, problems)?;
    let mut levels = Vec::new();
    let mut complete = true;
    for (name, value) in section.table {
        let text = name.get_ref().as_ref();
        let concentration =
            section.number_of(value, &format!("{path}.{text}"), bounds::CONCENTRATION, problems);
        match (LevelName::new(text), concentration) {
            (Ok(name), Some(concentration)) => levels.push(PlacedLevel {
                level: Level { name, concentration },
                at: value.span(),
            }),
            (Ok(_), None) => complete = false,
            (Err(error), _) => {
                complete = false;
                problems.push(
                    section
                        .source
                        .problem(FormatProblemCode::IdentifierMalformed, name.span())
                        .field(path)
                        .found(quoted(text))
                        .expected("a level name")
                        .help(crate::table::identifier_help(&error)),
                );
            }
        }
    }
    complete.then_some(levels)
}

pub(super) fn dilution_factors(analyte: &Section<'_>, problems: &mut Problems) -> Vec<f64> {
    let Some(value) = analyte.get("dilution_factors") else {
        return Vec::new();
    };
    let DeValue::Array(array) = value.get_ref() else {
        problems.push(
            analyte
                .problem("dilution_factors", FormatProblemCode::ValueKind)
                .expected("a list of numbers, such as [2.0, 5.0]"),
        );
        return Vec::new();
    };
    array
        .iter()
        .filter_map(|value| {
            analyte.number_of(
                value,
                "analyte.dilution_factors",
                bounds::VALIDATED_FACTOR,
                problems,
            )
        })
        .collect()
}

/// Fewest distinct levels a curve can be drawn through.
fn fewest(model: CurveModel) -> usize {
    match model {
        CurveModel::Linear => 2,
        CurveModel::Quadratic => 3,
    }
}

pub(super) fn check(
    analyte: &Section<'_>,
    model: CurveModel,
    calibrators: &[PlacedLevel],
    controls: &[PlacedLevel],
    dilution_factors: &[f64],
    problems: &mut Problems,
) {
    let here = |code, level: &PlacedLevel, table: &str| {
        analyte
            .source
            .problem(code, level.at.clone())
            .field(&format!("analyte.{table}.{}", level.level.name))
    };
    if calibrators.len() < fewest(model) {
        problems.push(
            analyte
                .problem("calibrators", FormatProblemCode::LevelsTooFew)
                .found(match calibrators.len() {
                    1 => "1 calibrator level".to_owned(),
                    count => format!("{count} calibrator levels"),
                })
                .expected(format!("at least {}", fewest(model))),
        );
    }
    for (index, level) in calibrators.iter().enumerate() {
        let same = |other: &&PlacedLevel| {
            other
                .level
                .concentration
                .total_cmp(&level.level.concentration)
                .is_eq()
        };
        if let Some(other) = calibrators[..index].iter().find(same) {
            problems.push(
                here(FormatProblemCode::LevelConcentrationTwice, level, "calibrators")
                    .expected(format!(
                        "another concentration than that of {}",
                        quoted(other.level.name.as_str())
                    ))
                    .help("Replicates of one level share its name in injections.csv."),
            );
        }
    }
    let concentrations = || calibrators.iter().map(|level| level.level.concentration);
    let lowest = concentrations().fold(f64::INFINITY, f64::min);
    let highest = concentrations().fold(0.0, f64::max);
    for level in controls {
        if calibrators
            .iter()
            .any(|other| other.level.name == level.level.name)
        {
            problems.push(
                here(FormatProblemCode::NameTwice, level, "controls")
                    .found(format!("the level {}", quoted(level.level.name.as_str())))
                    .expected("another name than a calibrator's"),
            );
        }
        let concentration = level.level.concentration;
        // A dilution control lies above the range until it is diluted.
        let diluted_into_range = dilution_factors
            .iter()
            .any(|factor| concentration / factor >= lowest && concentration / factor <= highest);
        if calibrators.len() < fewest(model)
            || concentration >= lowest && (concentration <= highest || diluted_into_range)
        {
            continue;
        }
        problems.push(
            here(FormatProblemCode::ControlOutsideRange, level, "controls")
                .expected(format!(
                    "a concentration within the calibrators' {lowest} to {highest}"
                ))
                .help(if concentration > highest {
                    "A dilution control may lie above, when a validated dilution factor brings it into range."
                } else {
                    ""
                }),
        );
    }
}

/// Levels, lowest first; equal concentrations by name.
pub(super) fn sorted(mut levels: Vec<PlacedLevel>) -> Vec<Level> {
    levels.sort_by(|a, b| {
        let (a, b) = (&a.level, &b.level);
        a.concentration
            .total_cmp(&b.concentration)
            .then_with(|| a.name.cmp(&b.name))
    });
    levels.into_iter().map(|placed| placed.level).collect()
}
