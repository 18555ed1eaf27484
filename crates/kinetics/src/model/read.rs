//! From TOML to a [`Model`].

mod checks;
mod covariates;
mod practical;

use super::formula::Formula;
use super::section::{Bounds, Reader, Section};
use super::sign_off::says_unverified;
use super::{
    BuiltIn, Confidence, Correlation, Covariate, Model, ModelParameter, ModelProblemCode, ModelProblems,
    Population, PopulationQuantity, PopulationRange, SignOff, Source, names,
};
use crate::likelihood::ResidualError;
use crate::structure::{Compartments, Elimination, Input, ParameterName, Structure};
use spotwright_domain::concentration::ConcentrationUnit;
use spotwright_domain::digest::{Digest, digest};
use spotwright_domain::matrix::MatrixKind;

pub(super) const NOT_NEGATIVE: Bounds = Bounds {
    low: 0.0,
    high: 1e12,
    words: "a number not below 0",
};
pub(super) const POSITIVE: Bounds = Bounds {
    low: f64::MIN_POSITIVE,
    high: 1e12,
    words: "a number above 0",
};
const SD_LOG: Bounds = Bounds {
    low: 0.0,
    high: 3.0,
    words: "a standard deviation of a natural log, 0 to 3",
};
const COEFFICIENT: Bounds = Bounds {
    low: -0.9999,
    high: 0.9999,
    words: "a correlation between -1 and 1",
};
const WHOLE: Bounds = Bounds {
    low: 1.0,
    high: 1e7,
    words: "a whole number above 0",
};

const MATRICES: [(&str, MatrixKind); 2] = [
    ("whole-blood", MatrixKind::WholeBlood),
    ("plasma", MatrixKind::Plasma),
];
const CONFIDENCES: [(&str, Confidence); 3] = [
    ("high", Confidence::High),
    ("medium", Confidence::Medium),
    ("low", Confidence::Low),
];
const QUANTITIES: [(&str, PopulationQuantity); 6] = [
    ("age_years", PopulationQuantity::Age),
    ("pna_days", PopulationQuantity::PostnatalAge),
    ("pma_weeks", PopulationQuantity::PostmenstrualAge),
    ("ga_weeks", PopulationQuantity::GestationalAge),
    ("weight_kg", PopulationQuantity::Weight),
    ("birth_weight_kg", PopulationQuantity::BirthWeight),
];
const INPUTS: [(&str, InputWord); 3] = [
    ("intravenous", InputWord::Intravenous),
    ("oral-first-order", InputWord::FirstOrder),
    ("oral-transit", InputWord::Transit),
];
const ELIMINATIONS: [(&str, Elimination); 2] = [
    ("linear", Elimination::Linear),
    ("michaelis-menten", Elimination::MichaelisMenten),
];

#[derive(Clone, Copy, PartialEq)]
enum InputWord {
    Intravenous,
    FirstOrder,
    Transit,
}

/// What `[structure]` says.
pub(super) struct StructureFacts {
    pub(super) structure: Structure,
    pub(super) note: String,
    pub(super) apparent: bool,
    pub(super) dose_basis: Option<String>,
    pub(super) concentration_unit: ConcentrationUnit,
}

pub(super) fn read(text: &str) -> Result<Model, ModelProblems> {
    let mut reader = Reader::new(text);
    let model = reader.document().and_then(|document| {
        let top = Section::new(document.get_ref(), document.span(), "");
        let digest = facts_digest(text, &mut reader);
        let model = model(&top, &mut reader, digest);
        if let Some(model) = &model
            && reader.count() == 0
        {
            checks::whole(model, &top, &mut reader);
        }
        model
    });
    match model {
        Some(model) if reader.count() == 0 => Ok(model),
        _ => Err(ModelProblems::new(reader.into_problems())),
    }
}

/// SHA-256 of the file's values as canonical JSON (RFC 8785), signatures left out: blanks, comments and the order of
/// keys do not count, a changed fact does.
fn facts_digest(text: &str, reader: &mut Reader<'_>) -> Option<Digest> {
    let mut facts: toml::Table = toml::from_str(text).ok()?;
    facts.remove("sign_off");
    match digest(&facts) {
        Ok(digest) => Some(digest),
        Err(error) => {
            reader.push(
                ModelProblemCode::ValueKind,
                0..0,
                "",
                error.to_string(),
                "facts that have a digest",
                None,
            );
            None
        }
    }
}

fn model(top: &Section<'_, '_>, reader: &mut Reader<'_>, digest: Option<Digest>) -> Option<Model> {
    top.check_keys(
        reader,
        &[
            "id",
            "drug",
            "title",
            "confidence",
            "source",
            "matrix",
            "population",
            "structure",
            "parameter",
            "residual",
            "dosing",
            "guards",
        ],
        &["covariate", "correlation", "sign_off"],
    );
    let id = top.text(reader, "id");
    let drug = top.text(reader, "drug");
    let title = top.text(reader, "title");
    let confidence = top.word(reader, "confidence", ModelProblemCode::WordUnknown, &CONFIDENCES);
    let source = source(top, reader);
    let matrix = matrix(top, reader);
    let population = population(top, reader);
    let structure = structure(top, reader);
    let covariates = covariates::covariates(top, reader);
    let parameters = parameters(top, reader, &covariates, structure.as_ref());
    let correlations = correlations(top, reader);
    let residual = residual(top, reader, structure.as_ref());
    let dosing = practical::dosing(top, reader);
    let guards = practical::guards(top, reader, &covariates);
    let sign_offs = sign_offs(top, reader);
    let structure = structure?;
    let (residual, residual_provenance) = residual?;
    Some(Model {
        id: id?,
        drug: drug?,
        title: title?,
        confidence: confidence?,
        source: source?,
        matrix: matrix?,
        population: population?,
        structure: structure.structure,
        structure_note: structure.note,
        apparent: structure.apparent,
        dose_basis: structure.dose_basis,
        concentration_unit: structure.concentration_unit,
        covariates,
        parameters,
        correlations,
        residual,
        residual_provenance,
        dosing: dosing?,
        guards: guards?,
        sign_offs,
        digest: digest?,
    })
}

fn source(top: &Section<'_, '_>, reader: &mut Reader<'_>) -> Option<Source> {
    let section = top.section(reader, "source", "source")?;
    section.check_keys(reader, &["citation", "doi", "status"], &[]);
    let citation = section.text(reader, "citation");
    let doi = section.text_or_blank(reader, "doi");
    let status = section.text(reader, "status");
    Some(Source {
        citation: citation?,
        doi: doi?,
        status: status?,
    })
}

fn matrix(top: &Section<'_, '_>, reader: &mut Reader<'_>) -> Option<BuiltIn> {
    let section = top.section(reader, "matrix", "matrix")?;
    section.check_keys(reader, &["built_in", "note"], &[]);
    let kind = section.word(reader, "built_in", ModelProblemCode::WordUnknown, &MATRICES);
    let note = section.text(reader, "note");
    Some(BuiltIn {
        kind: kind?,
        note: note?,
    })
}

fn population(top: &Section<'_, '_>, reader: &mut Reader<'_>) -> Option<Population> {
    let section = top.section(reader, "population", "population")?;
    let optional: Vec<&str> = QUANTITIES
        .iter()
        .map(|(key, _)| *key)
        .chain(["ranges_provenance"])
        .collect();
    section.check_keys(reader, &["n", "indication"], &optional);
    let mut ranges = Vec::new();
    for (key, quantity) in QUANTITIES {
        if let Some([low, high]) = section.range(reader, key, NOT_NEGATIVE) {
            ranges.push(PopulationRange { quantity, low, high });
        }
    }
    if !QUANTITIES.iter().any(|(key, _)| section.has(key)) {
        section.push(
            reader,
            "n",
            ModelProblemCode::KeyMissing,
            "at least one range of the population beside it",
            None,
        );
    }
    let persons = whole(&section, reader, "n");
    let indication = section.text(reader, "indication");
    let ranges_provenance = section.text(reader, "ranges_provenance");
    Some(Population {
        ranges,
        persons: persons?,
        indication: indication?,
        ranges_provenance,
    })
}

/// A whole number above zero.
pub(super) fn whole(section: &Section<'_, '_>, reader: &mut Reader<'_>, key: &str) -> Option<u32> {
    let number = section.number(reader, key, WHOLE)?;
    if libm::floor(number) < number {
        section.push(reader, key, ModelProblemCode::NumberOutOfRange, WHOLE.words, None);
        return None;
    }
    Some(number as u32)
}

fn structure(top: &Section<'_, '_>, reader: &mut Reader<'_>) -> Option<StructureFacts> {
    let section = top.section(reader, "structure", "structure")?;
    section.check_keys(
        reader,
        &[
            "compartments",
            "input",
            "elimination",
            "apparent",
            "dose_unit",
            "concentration_unit",
            "concentration_multiplier",
            "note",
        ],
        &["n_transit", "dose_basis"],
    );
    let compartments = match whole(&section, reader, "compartments") {
        Some(1) => Some(Compartments::One),
        Some(2) => Some(Compartments::Two),
        Some(_) => {
            section.push(
                reader,
                "compartments",
                ModelProblemCode::NumberOutOfRange,
                "1 or 2",
                None,
            );
            None
        }
        None => None,
    };
    let input_word = section.word(reader, "input", ModelProblemCode::WordUnknown, &INPUTS);
    let transit = whole(&section, reader, "n_transit");
    let elimination = section.word(
        reader,
        "elimination",
        ModelProblemCode::WordUnknown,
        &ELIMINATIONS,
    );
    let apparent = section.truth(reader, "apparent");
    let dose_basis = section.text(reader, "dose_basis");
    let _: Option<()> = section.word(reader, "dose_unit", ModelProblemCode::UnitWrong, &[("mg", ())]);
    let units = ConcentrationUnit::ALL.map(|unit| (unit.ucum(), unit));
    let concentration_unit = section.word(reader, "concentration_unit", ModelProblemCode::UnitWrong, &units);
    let multiplier = section.number(reader, "concentration_multiplier", POSITIVE);
    let note = section.text(reader, "note");
    if (input_word == Some(InputWord::Transit)) != section.has("n_transit") && input_word.is_some() {
        section.push(
            reader,
            "input",
            ModelProblemCode::Contradiction,
            "n_transit with oral-transit, and only with it",
            None,
        );
    }
    if input_word == Some(InputWord::Intravenous) && apparent == Some(true) {
        section.push(
            reader,
            "apparent",
            ModelProblemCode::Contradiction,
            "false: without absorption nothing is divided by F",
            None,
        );
    }
    let (unit, multiplier) = (concentration_unit?, multiplier?);
    // Milligram a litre in the model's unit; a molar unit has no factor without a molar mass.
    let factor = ConcentrationUnit::MilligramPerLitre.convert(1.0, unit, None);
    if factor.is_ok_and(|factor| (factor - multiplier).abs() > 1e-12 * factor) || factor.is_err() {
        let expected = factor.map_or_else(
            |_| "a mass unit of concentration".to_owned(),
            |factor| format!("{factor}, from mg/L to {}", unit.ucum()),
        );
        section.push(
            reader,
            "concentration_multiplier",
            ModelProblemCode::UnitWrong,
            expected,
            None,
        );
    }
    let input = match input_word? {
        InputWord::Intravenous => Input::Intravenous,
        InputWord::FirstOrder => Input::FirstOrder,
        InputWord::Transit => Input::TransitChain {
            transit_compartments: transit? as usize,
        },
    };
    Some(StructureFacts {
        structure: Structure {
            compartments: compartments?,
            input,
            elimination: elimination?,
            concentration_multiplier: multiplier,
        },
        note: note?,
        apparent: apparent?,
        dose_basis,
        concentration_unit: unit,
    })
}

const PARAMETER_KEYS: [&str; 7] = [
    "name",
    "unit",
    "formula",
    "sd_log_between_subject",
    "sd_log_between_occasion",
    "provenance",
    "verified",
];

fn parameters(
    top: &Section<'_, '_>,
    reader: &mut Reader<'_>,
    covariates: &[Covariate],
    structure: Option<&StructureFacts>,
) -> Vec<ModelParameter> {
    let mut found: Vec<ModelParameter> = Vec::new();
    for section in top.sections(reader, "parameter", "parameter") {
        section.check_keys(reader, &PARAMETER_KEYS, &[]);
        if let Some(parameter) = parameter(&section, reader, covariates, structure) {
            if found.iter().any(|other| other.name == parameter.name) {
                section.push(
                    reader,
                    "name",
                    ModelProblemCode::NameTwice,
                    "each parameter once",
                    None,
                );
            }
            found.push(parameter);
        }
    }
    if let Some(structure) = structure {
        checks::parameter_set(structure, &found, top, reader);
    }
    found
}

fn parameter(
    section: &Section<'_, '_>,
    reader: &mut Reader<'_>,
    covariates: &[Covariate],
    structure: Option<&StructureFacts>,
) -> Option<ModelParameter> {
    let symbols = ParameterName::ALL.map(|name| (name.symbol(), name));
    let name = section.word(reader, "name", ModelProblemCode::WordUnknown, &symbols);
    let unit = section.text(reader, "unit");
    let to_core_unit = name.zip(unit.as_deref()).and_then(|(name, unit)| {
        let units = parameter_units(name, structure.map(|facts| facts.concentration_unit));
        let factor = units
            .iter()
            .find(|(text, _)| *text == unit)
            .map(|(_, factor)| *factor);
        if factor.is_none() {
            let words: Vec<&str> = units.iter().map(|(text, _)| *text).collect();
            let near = super::nearest::nearest(unit, words.iter().copied());
            section.push(
                reader,
                "unit",
                ModelProblemCode::UnitWrong,
                format!("{} for {name}", words.join(" or ")),
                near,
            );
        }
        factor
    });
    let formula = formula(section, reader, covariates, name);
    let between_subject = section.number(reader, "sd_log_between_subject", SD_LOG);
    let between_occasion = section.number(reader, "sd_log_between_occasion", SD_LOG);
    let provenance = section.text(reader, "provenance");
    let verified = section.truth(reader, "verified");
    if verified == Some(true) && provenance.as_deref().is_some_and(says_unverified) {
        section.push(
            reader,
            "verified",
            ModelProblemCode::Provenance,
            "false: the provenance says that a number of it is yet to be verified",
            None,
        );
    }
    Some(ModelParameter {
        name: name?,
        unit: unit?,
        formula: formula?,
        to_core_unit: to_core_unit?,
        sd_log_between_subject: between_subject?,
        sd_log_between_occasion: between_occasion?,
        provenance: provenance?,
        verified: verified?,
    })
}

/// Units a parameter may be given in, with the factor to the core's own.
fn parameter_units(
    name: ParameterName,
    concentration: Option<ConcentrationUnit>,
) -> Vec<(&'static str, f64)> {
    match name {
        ParameterName::Clearance | ParameterName::IntercompartmentalClearance => vec![("L/h", 1.0)],
        ParameterName::Volume | ParameterName::CentralVolume | ParameterName::PeripheralVolume => {
            vec![("L", 1.0)]
        }
        ParameterName::AbsorptionRate | ParameterName::TransitRate => vec![("1/h", 1.0)],
        ParameterName::LagTime => vec![("h", 1.0)],
        ParameterName::Bioavailability => vec![("fraction", 1.0)],
        ParameterName::RelativeBioavailability => vec![("ratio", 1.0)],
        ParameterName::MaximumRate => vec![("mg/day", 1.0 / 24.0), ("mg/h", 1.0)],
        ParameterName::MichaelisConstant => {
            vec![(concentration.map_or("mg/L", ConcentrationUnit::ucum), 1.0)]
        }
    }
}

fn formula(
    section: &Section<'_, '_>,
    reader: &mut Reader<'_>,
    covariates: &[Covariate],
    name: Option<ParameterName>,
) -> Option<Formula> {
    let text = section.text(reader, "formula")?;
    let formula = match Formula::parse(&text, &names(covariates)) {
        Ok(formula) => formula,
        Err(error) => {
            covariates::formula_problem(section, reader, "formula", &error);
            return None;
        }
    };
    // Right after parsing, at the defaults: a typical value that none can have is a slip of the file.
    let defaults: Vec<f64> = covariates.iter().map(|covariate| covariate.default).collect();
    let problem = match formula.value(&defaults) {
        Err(error) => Some(error.to_string()),
        Ok(value) if value <= 0.0 => Some(format!("{value} at the defaults")),
        Ok(value) if name == Some(ParameterName::Bioavailability) && value > 1.0 => {
            Some(format!("a fraction of {value} at the defaults"))
        }
        Ok(_) => None,
    };
    if let Some(problem) = problem {
        let field = section.dotted("formula");
        reader.push(
            ModelProblemCode::FormulaValue,
            section.span("formula"),
            &field,
            problem,
            "a possible value at the covariates' defaults",
            None,
        );
        return None;
    }
    Some(formula)
}

fn correlations(top: &Section<'_, '_>, reader: &mut Reader<'_>) -> Vec<Correlation> {
    if !top.has("correlation") {
        return Vec::new();
    }
    let mut found = Vec::new();
    for section in top.sections(reader, "correlation", "correlation") {
        section.check_keys(reader, &["between", "r", "provenance"], &[]);
        let between: Option<Vec<ParameterName>> = section.texts(reader, "between").map(|texts| {
            texts
                .iter()
                .filter_map(|(text, _)| ParameterName::from_symbol(text))
                .collect()
        });
        let r = section.number(reader, "r", COEFFICIENT);
        let provenance = section.text(reader, "provenance");
        let Some(between) = between else { continue };
        let [first, second] = between[..] else {
            section.push(
                reader,
                "between",
                ModelProblemCode::WordUnknown,
                "two parameters",
                None,
            );
            continue;
        };
        if let (Some(r), Some(provenance)) = (r, provenance) {
            found.push(Correlation {
                between: [first, second],
                r,
                provenance,
            });
        }
    }
    found
}

fn residual(
    top: &Section<'_, '_>,
    reader: &mut Reader<'_>,
    structure: Option<&StructureFacts>,
) -> Option<(ResidualError, String)> {
    let section = top.section(reader, "residual", "residual")?;
    let is_log = section.word(
        reader,
        "kind",
        ModelProblemCode::WordUnknown,
        &[("combined", false), ("log", true)],
    );
    let provenance = section.text(reader, "provenance");
    let residual = if is_log? {
        section.check_keys(reader, &["kind", "sigma", "provenance"], &[]);
        ResidualError::Log {
            sigma: section.number(reader, "sigma", POSITIVE)?,
        }
    } else {
        section.check_keys(
            reader,
            &[
                "kind",
                "proportional_sd",
                "additive_sd",
                "additive_unit",
                "provenance",
            ],
            &[],
        );
        if let Some(facts) = structure {
            let unit = facts.concentration_unit.ucum();
            let _: Option<()> = section.word(
                reader,
                "additive_unit",
                ModelProblemCode::UnitWrong,
                &[(unit, ())],
            );
        }
        let proportional_sd = section.number(reader, "proportional_sd", NOT_NEGATIVE);
        let additive_sd = section.number(reader, "additive_sd", NOT_NEGATIVE);
        let (proportional_sd, additive_sd) = (proportional_sd?, additive_sd?);
        if proportional_sd + additive_sd <= 0.0 {
            section.push(
                reader,
                "proportional_sd",
                ModelProblemCode::NumberOutOfRange,
                "a residual error above 0, proportional or additive",
                None,
            );
        }
        ResidualError::Combined {
            additive_sd,
            proportional_sd,
        }
    };
    Some((residual, provenance?))
}

fn sign_offs(top: &Section<'_, '_>, reader: &mut Reader<'_>) -> Vec<SignOff> {
    if !top.has("sign_off") {
        return Vec::new();
    }
    let mut found = Vec::new();
    for section in top.sections(reader, "sign_off", "sign_off") {
        section.check_keys(reader, &["name", "role", "on", "digest"], &[]);
        let name = section.text(reader, "name");
        let role = section.text(reader, "role");
        let on = section.text(reader, "on").filter(|on| {
            let well = is_date(on);
            if !well {
                section.push(
                    reader,
                    "on",
                    ModelProblemCode::ValueKind,
                    "a date, \"2026-11-25\"",
                    None,
                );
            }
            well
        });
        let digest = section.text(reader, "digest").and_then(|text| {
            let digest = text.parse::<Digest>().ok();
            if digest.is_none() {
                section.push(
                    reader,
                    "digest",
                    ModelProblemCode::ValueKind,
                    "64 lower-case hexadecimal figures",
                    None,
                );
            }
            digest
        });
        if let (Some(name), Some(role), Some(on), Some(digest)) = (name, role, on, digest) {
            found.push(SignOff {
                name,
                role,
                on,
                digest,
            });
        }
    }
    found
}

fn is_date(text: &str) -> bool {
    let parts: Vec<&str> = text.split('-').collect();
    let [year, month, day] = parts[..] else {
        return false;
    };
    let number = |text: &str, length: usize| {
        (text.len() == length && text.bytes().all(|b| b.is_ascii_digit()))
            .then(|| text.parse::<u32>().ok())
            .flatten()
    };
    number(year, 4).is_some()
        && number(month, 2).is_some_and(|month| (1..=12).contains(&month))
        && number(day, 2).is_some_and(|day| (1..=31).contains(&day))
}
