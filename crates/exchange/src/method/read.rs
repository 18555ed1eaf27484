//! From TOML to a [`Method`].

use super::card::{CardLimits, card_limits};
use super::check;
use super::keys::{
    ANALYTE, CALIBRATION, EXTRACTION, INTERNAL_STANDARD, METHOD, MethodTable, QUALIFIER, QUANTIFIER, TOP,
    VALIDATED,
};
use super::section::{METHOD_FILE, Section, Source, document};
use super::{conversion, levels, limits, target};
use crate::bounds;
use crate::problem::{FormatProblemCode, Problems};
use spotwright_domain::concentration::ConcentrationUnit;
use spotwright_domain::identifier::{AnalyteName, InternalStandardName, MethodId};
use spotwright_domain::matrix::MatrixKind;
use spotwright_domain::method::{
    Analyte, Approval, CurveModel, Extraction, InternalStandard, InternalStandardAddition, Method, Qualifier,
    Transition, ValidatedRanges, Weighting,
};
use spotwright_domain::trace::Polarity;
use toml::de::DeValue;

pub(super) const MATRICES: [(&str, MatrixKind); 3] = [
    ("dried-blood", MatrixKind::DriedBlood),
    ("whole-blood", MatrixKind::WholeBlood),
    ("plasma", MatrixKind::Plasma),
];
const ADDITIONS: [(&str, InternalStandardAddition); 4] = [
    ("sprayed", InternalStandardAddition::Sprayed),
    ("in-solvent", InternalStandardAddition::InSolvent),
    ("pre-impregnated", InternalStandardAddition::PreImpregnated),
    ("in-sample", InternalStandardAddition::InSample),
];
const POLARITIES: [(&str, Polarity); 2] =
    [("positive", Polarity::Positive), ("negative", Polarity::Negative)];
const MODELS: [(&str, CurveModel); 2] = [
    ("linear", CurveModel::Linear),
    ("quadratic", CurveModel::Quadratic),
];
const WEIGHTINGS: [(&str, Weighting); 3] = [
    ("1", Weighting::None),
    ("1/x", Weighting::InverseX),
    ("1/x^2", Weighting::InverseXSquared),
];

/// Reads a method. `None`: it has problems, and they are among `problems`.
pub(super) fn read(file: &str, text: &str, problems: &mut Problems) -> Option<(Method, CardLimits)> {
    let source = Source::new(file, text, METHOD_FILE);
    let document = document(&source, problems)?;
    let before = problems.count();
    let top = Section::new(&source, document.get_ref(), document.span(), TOP.path);
    top.check_keys(TOP, problems);
    let card_limits = card_limits(&top, problems);
    let method = method(&top, problems);
    if problems.count() > before {
        return None;
    }
    Some((method?, card_limits?))
}

fn method(top: &Section<'_>, problems: &mut Problems) -> Option<Method> {
    let integration = limits::integration(top, problems);
    let (limits, limit_overrides) = limits::limits(top, problems);
    let validated = validated(top, problems);
    let extraction = extraction(top, problems);
    let standard_sections = top.sections("internal_standard", "internal_standard", problems);
    let standards: Vec<Option<InternalStandard>> = standard_sections
        .iter()
        .map(|section| internal_standard(section, problems))
        .collect();
    let analyte_sections = top.sections("analyte", "analyte", problems);
    let analytes: Vec<Option<Analyte>> = analyte_sections
        .iter()
        .map(|section| analyte(section, problems))
        .collect();
    let head = open(top, "method", METHOD, problems)?;
    let id = head.identifier("id", MethodId::new, problems);
    let version = head.text("version", problems);
    let title = head.text("title", problems);
    let matrix = head.word("matrix", "a matrix", &MATRICES, problems);
    let addition = head.word(
        "internal_standard_addition",
        "a way to add internal standard",
        &ADDITIONS,
        problems,
    );
    let approval = approval(&head, problems);
    let mut analytes: Vec<Analyte> = analytes.into_iter().collect::<Option<_>>()?;
    let (matrix, extraction) = (matrix?, extraction?);
    for analyte in &mut analytes {
        if let Some(conversion) = &mut analyte.conversion {
            conversion.matrix_in = matrix;
        }
    }
    let method = Method {
        id: id?,
        version: version?.to_owned(),
        title: title?.to_owned(),
        matrix,
        internal_standard_addition: addition?,
        approval: approval?,
        validated: validated?,
        extraction,
        internal_standards: standards.into_iter().collect::<Option<_>>()?,
        analytes,
        integration: integration?,
        limits: limits?,
        limit_overrides,
    };
    check::check(&method, top, &standard_sections, &analyte_sections, problems);
    Some(method)
}

/// A table with fixed keys under a section.
pub(super) fn open<'s>(
    parent: &Section<'s>,
    key: &str,
    of: MethodTable,
    problems: &mut Problems,
) -> Option<Section<'s>> {
    let section = parent.section(key, of.path, problems)?;
    section.check_keys(of, problems);
    Some(section)
}

/// `Some(None)`: not approved.
fn approval(head: &Section<'_>, problems: &mut Problems) -> Option<Option<Approval>> {
    match (head.has("approved_by"), head.has("approved_on")) {
        (false, false) => return Some(None),
        (true, true) => {}
        (by, _) => {
            let (given, absent) = if by {
                ("approved_by", "approved_on")
            } else {
                ("approved_on", "approved_by")
            };
            problems.push(
                head.problem(given, FormatProblemCode::HalfGiven)
                    .expected(format!("`{absent}` beside it"))
                    .help("Who approved a method and when belong together."),
            );
            return None;
        }
    }
    let by = head.text("approved_by", problems);
    // TOML has dates of its own; one without hour is as good as the text.
    let on = match head.get("approved_on")?.get_ref() {
        DeValue::Datetime(moment) if moment.time.is_none() => Some(moment.to_string()),
        _ => head.text("approved_on", problems).map(str::to_owned),
    };
    let on = on?;
    if !crate::moment::is_date(&on) {
        problems.push(
            head.problem("approved_on", FormatProblemCode::TimeMalformed)
                .expected("a date, such as 2026-02-16"),
        );
        return None;
    }
    Some(Some(Approval {
        by: by?.to_owned(),
        on,
    }))
}

fn validated(top: &Section<'_>, problems: &mut Problems) -> Option<ValidatedRanges> {
    if !top.has("validated") {
        return Some(ValidatedRanges::default());
    }
    let section = open(top, "validated", VALIDATED, problems)?;
    let card_age_max_d = section.number("card_age_max_d", bounds::CARD_AGE_D, problems);
    let haematocrit = pair(
        &section,
        "haematocrit_min",
        "haematocrit_max",
        haematocrit,
        problems,
    )?;
    Some(ValidatedRanges {
        haematocrit,
        card_age_max_d,
    })
}

/// The lowest and the highest of a range: both or neither. `None`: a problem.
pub(super) fn pair(
    section: &Section<'_>,
    low_key: &'static str,
    high_key: &'static str,
    read: impl Fn(&Section<'_>, &str, &mut Problems) -> Option<f64>,
    problems: &mut Problems,
) -> Option<Option<[f64; 2]>> {
    match (section.has(low_key), section.has(high_key)) {
        (false, false) => Some(None),
        (true, true) => {
            let low = read(section, low_key, problems);
            let high = read(section, high_key, problems);
            let (low, high) = (low?, high?);
            if low >= high {
                problems.push(
                    section
                        .problem(high_key, FormatProblemCode::NumberOutOfRange)
                        .expected(format!("more than `{low_key}`, {low}")),
                );
                return None;
            }
            Some(Some([low, high]))
        }
        (low, _) => {
            let (given, absent) = if low {
                (low_key, high_key)
            } else {
                (high_key, low_key)
            };
            problems.push(
                section
                    .problem(given, FormatProblemCode::HalfGiven)
                    .expected(format!("`{absent}` beside it")),
            );
            None
        }
    }
}

fn extraction(top: &Section<'_>, problems: &mut Problems) -> Option<Extraction> {
    if !top.has("extraction") {
        return Some(Extraction::default());
    }
    let section = open(top, "extraction", EXTRACTION, problems)?;
    let diameter = section.number("head_diameter_mm", bounds::DISC_MM, problems)?;
    Some(Extraction {
        head_diameter_mm: Some(diameter),
    })
}

pub(super) fn haematocrit(section: &Section<'_>, key: &str, problems: &mut Problems) -> Option<f64> {
    // Read within wide bounds first, so that a percentage gets its own answer.
    let wide = crate::table::Bounds {
        min: f64::MIN,
        max: f64::MAX,
        ..bounds::HAEMATOCRIT
    };
    let value = section.number(key, wide, problems)?;
    if bounds::HAEMATOCRIT.hold(value) {
        return Some(value);
    }
    let (nearest, help) = bounds::haematocrit_help(value);
    problems.push(
        section
            .problem(key, FormatProblemCode::NumberOutOfRange)
            .expected(bounds::HAEMATOCRIT.words)
            .nearest(nearest)
            .help(help),
    );
    None
}

fn internal_standard(section: &Section<'_>, problems: &mut Problems) -> Option<InternalStandard> {
    section.check_keys(INTERNAL_STANDARD, problems);
    let name = section.identifier("name", InternalStandardName::new, problems);
    let transition = transition(section, problems);
    let retention = section.number("retention_time_min", bounds::RETENTION_MIN, problems);
    Some(InternalStandard {
        name: name?,
        transition: transition?,
        retention_time_min: retention?,
    })
}

fn transition(section: &Section<'_>, problems: &mut Problems) -> Option<Transition> {
    let precursor = section.number("precursor_mz", bounds::MZ, problems);
    let product = section.number("product_mz", bounds::MZ, problems);
    let polarity = section.word("polarity", "a polarity", &POLARITIES, problems);
    Some(Transition {
        precursor_mz: precursor?,
        product_mz: product?,
        polarity: polarity?,
    })
}

fn analyte(section: &Section<'_>, problems: &mut Problems) -> Option<Analyte> {
    section.check_keys(ANALYTE, problems);
    let units = ConcentrationUnit::ALL.map(|unit| (unit.ucum(), unit));
    let name = section.identifier("name", AnalyteName::new, problems);
    let unit = section.word("unit", "a unit", &units, problems);
    let internal_standard = section.identifier("internal_standard", InternalStandardName::new, problems);
    let retention = section.number("retention_time_min", bounds::RETENTION_MIN, problems);
    let cv = section.number("within_run_cv_pct", bounds::CV_PCT, problems);
    let quantifier =
        open(section, "quantifier", QUANTIFIER, problems).and_then(|section| transition(&section, problems));
    let qualifiers: Vec<Option<Qualifier>> = section
        .sections("qualifier", "analyte.qualifier", problems)
        .iter()
        .map(|section| qualifier(section, problems))
        .collect();
    let curve = open(section, "calibration", CALIBRATION, problems).and_then(|section| {
        let model = section.word("model", "a curve", &MODELS, problems);
        let weighting = section.word("weighting", "a weighting", &WEIGHTINGS, problems);
        Some((model?, weighting?))
    });
    let molar_mass = section.number("molar_mass_g_per_mol", bounds::MOLAR_MASS, problems);
    let tolerance = section.number(
        "retention_tolerance_min",
        bounds::RETENTION_TOLERANCE_MIN,
        problems,
    );
    let factors = levels::dilution_factors(section, problems);
    let calibrators = levels::levels(section, "calibrators", "analyte.calibrators", problems);
    let controls = levels::levels(section, "controls", "analyte.controls", problems);
    let conversion = conversion::conversion(section, name.as_ref(), unit, problems);
    let target = target::target(section, problems);
    let interpretation = target::interpretation(section, problems);
    let (model, weighting) = curve?;
    let (calibrators, controls) = (calibrators?, controls?);
    levels::check(section, model, &calibrators, &controls, &factors, problems);
    let unit = unit?;
    let is_molar = matches!(
        unit,
        ConcentrationUnit::NanomolePerLitre | ConcentrationUnit::MicromolePerLitre
    );
    if is_molar && !section.has("molar_mass_g_per_mol") {
        problems.push(
            section
                .problem("unit", FormatProblemCode::KeyMissing)
                .expected("`molar_mass_g_per_mol` beside it")
                .help("A molar unit needs the molar mass."),
        );
    }
    Some(Analyte {
        name: name?,
        unit,
        molar_mass_g_per_mol: molar_mass,
        internal_standard: internal_standard?,
        retention_time_min: retention?,
        retention_tolerance_min: tolerance,
        quantifier: quantifier?,
        qualifiers: qualifiers.into_iter().collect::<Option<_>>()?,
        model,
        weighting,
        calibrators: levels::sorted(calibrators),
        controls: levels::sorted(controls),
        within_run_cv_pct: cv?,
        dilution_factors: factors,
        conversion: conversion?,
        target: target?,
        interpretation: interpretation?,
    })
}

fn qualifier(section: &Section<'_>, problems: &mut Problems) -> Option<Qualifier> {
    section.check_keys(QUALIFIER, problems);
    let transition = transition(section, problems);
    let ratio_tolerance_pct = section.number("ratio_tolerance_pct", bounds::RATIO_TOLERANCE_PCT, problems);
    Some(Qualifier {
        transition: transition?,
        ratio_tolerance_pct,
    })
}
