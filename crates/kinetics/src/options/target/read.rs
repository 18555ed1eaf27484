//! The table of targets, molar masses and plausible levels, from TOML.

use super::{TargetQuantity, TargetRange};
use crate::model::ModelProblems;
use crate::model::reading::{Bounds, ModelProblemCode, Reader, Section};
use crate::refusal::{Refusal, RefusalCode};
use spotwright_domain::concentration::ConcentrationUnit;
use spotwright_domain::matrix::MatrixKind;
use spotwright_domain::quantity::MolarMass;

/// A drug of the table.
#[derive(Debug, Clone, PartialEq)]
pub struct Drug {
    /// Generic name, as models write it.
    pub name: String,
    /// Molar mass; `None`: a mixture.
    pub molar_mass: Option<MolarMass>,
    /// Levels a person can have, in `unit`: beyond, a unit is wrong.
    pub plausible: [f64; 2],
    /// Unit of `plausible`.
    pub unit: ConcentrationUnit,
    /// Target ranges, the usual one first.
    pub targets: Vec<TargetRange>,
}

/// All drugs.
#[derive(Debug, Clone, PartialEq)]
pub struct DrugTable {
    /// In the file's order.
    pub drugs: Vec<Drug>,
}

const TABLE: &str = include_str!("../../../targets.toml");

impl DrugTable {
    /// The table that comes with the program.
    #[must_use]
    pub fn embedded() -> Self {
        // A test reads it; a file that came with the program and cannot be read holds no drug.
        targets_from_toml(TABLE).unwrap_or(Self { drugs: Vec::new() })
    }

    /// The drug of this name.
    #[must_use]
    pub fn drug(&self, name: &str) -> Option<&Drug> {
        self.drugs.iter().find(|drug| drug.name == name)
    }
}

impl Drug {
    /// The unit of a level as stated, when the level makes sense in it.
    ///
    /// A level without a unit is refused whatever would fit; a level that makes no sense in its unit is refused with the
    /// units in which it would.
    ///
    /// # Errors
    /// As said.
    pub fn level_unit(&self, value: f64, unit: Option<&str>) -> Result<ConcentrationUnit, Refusal> {
        let fits: Vec<&str> = ConcentrationUnit::ALL
            .into_iter()
            .filter(|unit| self.fits(value, *unit))
            .map(ConcentrationUnit::ucum)
            .collect();
        let readings = if fits.is_empty() {
            "no unit makes it a level of this drug".to_owned()
        } else {
            format!("it would be one in {}", fits.join(", "))
        };
        let Some(text) = unit else {
            return Err(Refusal::new(
                RefusalCode::LevelUnitDoubtful,
                format!("the level of {value} has no unit; {readings}"),
                "the unit the laboratory reported",
            ));
        };
        let Some(unit) = ConcentrationUnit::from_ucum(text) else {
            return Err(Refusal::new(
                RefusalCode::LevelUnit,
                format!("the level of {value} is in {text:?}, which is no unit of concentration"),
                "ug/L, ng/mL, mg/L, ug/mL, nmol/L or umol/L",
            ));
        };
        if self.fits(value, unit) {
            return Ok(unit);
        }
        Err(Refusal::new(
            RefusalCode::LevelUnitDoubtful,
            format!("{value} {text} is no level of {}; {readings}", self.name),
            "the level with its true unit",
        ))
    }

    fn fits(&self, value: f64, unit: ConcentrationUnit) -> bool {
        unit.convert(value, self.unit, self.molar_mass)
            .is_ok_and(|value| value >= self.plausible[0] && value <= self.plausible[1])
    }
}

/// Reads a table of targets.
///
/// # Errors
/// Every problem of the file, by line and column.
pub fn targets_from_toml(text: &str) -> Result<DrugTable, ModelProblems> {
    let mut reader = Reader::new(text);
    let drugs = reader.document().map(|document| {
        let top = Section::new(document.get_ref(), document.span(), "");
        top.check_keys(&mut reader, &["drug"], &[]);
        top.sections(&mut reader, "drug", "drug")
            .iter()
            .filter_map(|section| drug(section, &mut reader))
            .collect::<Vec<_>>()
    });
    match drugs {
        Some(drugs) if reader.count() == 0 => Ok(DrugTable { drugs }),
        _ => Err(ModelProblems::new(reader.into_problems())),
    }
}

const NUMBER: Bounds = Bounds {
    low: 0.0,
    high: 1e9,
    words: "a number not below 0",
};

fn drug(section: &Section<'_, '_>, reader: &mut Reader<'_>) -> Option<Drug> {
    section.check_keys(
        reader,
        &["name", "plausible", "unit"],
        &["molar_mass_g_per_mol", "target"],
    );
    let name = section.text(reader, "name");
    let mass = section.number(reader, "molar_mass_g_per_mol", NUMBER);
    let plausible = section.range(reader, "plausible", NUMBER);
    let unit = unit(section, reader);
    let targets = if section.has("target") {
        section
            .sections(reader, "target", "drug.target")
            .iter()
            .filter_map(|target| read_target(target, reader))
            .collect()
    } else {
        Vec::new()
    };
    Some(Drug {
        name: name?,
        molar_mass: mass.and_then(|mass| MolarMass::from_grams_per_mole(mass).ok()),
        plausible: plausible?,
        unit: unit?,
        targets,
    })
}

fn unit(section: &Section<'_, '_>, reader: &mut Reader<'_>) -> Option<ConcentrationUnit> {
    let units = ConcentrationUnit::ALL.map(|unit| (unit.ucum(), unit));
    section.word(reader, "unit", ModelProblemCode::UnitWrong, &units)
}

fn read_target(section: &Section<'_, '_>, reader: &mut Reader<'_>) -> Option<TargetRange> {
    section.check_keys(
        reader,
        &[
            "quantity",
            "unit",
            "matrix",
            "sampling",
            "indication",
            "source",
            "status",
            "verified",
        ],
        &["low", "high", "toxic_above", "hours_after_dose", "concentration"],
    );
    let hours = section.number(reader, "hours_after_dose", NUMBER);
    let concentration = section.number(reader, "concentration", NUMBER);
    let words = [
        ("trough", Some(TargetQuantity::Trough)),
        ("peak", Some(TargetQuantity::Peak)),
        ("auc-24h", Some(TargetQuantity::Auc24h)),
        ("auc-12h", Some(TargetQuantity::Auc12h)),
        (
            "concentration-at",
            hours.map(|hours_after_dose| TargetQuantity::ConcentrationAt { hours_after_dose }),
        ),
        (
            "time-above",
            concentration.map(|concentration| TargetQuantity::TimeAbove { concentration }),
        ),
    ];
    let quantity = section.word(reader, "quantity", ModelProblemCode::WordUnknown, &words);
    if quantity == Some(None) {
        section.push(
            reader,
            "quantity",
            ModelProblemCode::KeyMissing,
            "hours_after_dose with concentration-at, concentration with time-above",
            None,
        );
    }
    let low = section.number(reader, "low", NUMBER);
    let high = section.number(reader, "high", NUMBER);
    let toxic_above = section.number(reader, "toxic_above", NUMBER);
    if low.is_none() && high.is_none() {
        section.push(
            reader,
            "quantity",
            ModelProblemCode::KeyMissing,
            "low, high or both beside it",
            None,
        );
    }
    if let (Some(least), Some(most)) = (low.or(high), high.or(low))
        && (least > most || toxic_above.is_some_and(|toxic| toxic < most))
    {
        section.push(
            reader,
            "quantity",
            ModelProblemCode::Contradiction,
            "low not above high, high not above toxic_above",
            None,
        );
    }
    let unit = unit(section, reader);
    let matrix = section.word(
        reader,
        "matrix",
        ModelProblemCode::WordUnknown,
        &[
            ("whole-blood", MatrixKind::WholeBlood),
            ("plasma", MatrixKind::Plasma),
        ],
    );
    let mut text = |key: &str| section.text(reader, key);
    let (sampling, indication) = (text("sampling"), text("indication"));
    let (source, status) = (text("source"), text("status"));
    let verified = section.truth(reader, "verified");
    Some(TargetRange {
        quantity: quantity??,
        low,
        high,
        toxic_above,
        unit: unit?,
        matrix: matrix?,
        sampling: sampling?,
        indication: indication?,
        source: source?,
        status: status?,
        verified: verified?,
    })
}
