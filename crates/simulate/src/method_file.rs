//! A method as `docs/formats.md` writes it.

use spotwright_domain::matrix::MatrixKind;
use spotwright_domain::method::{
    Analyte, CurveModel, InternalStandardAddition, Level, Method, Transition, Weighting,
};
use spotwright_domain::trace::Polarity;
use std::fmt::Write;

/// The text of a method file.
///
/// # Errors
/// Never in practice: writing to a string does not fail.
pub(crate) fn method_file(method: &Method) -> Result<String, std::fmt::Error> {
    let mut out = String::new();
    writeln!(
        out,
        "# Simulated: an invented method for invented samples. Not for use on people.\n"
    )?;
    writeln!(out, "[method]")?;
    writeln!(out, "id = \"{}\"", method.id)?;
    writeln!(out, "version = \"{}\"", method.version)?;
    writeln!(out, "title = \"{}\"", method.title)?;
    writeln!(out, "matrix = \"{}\"", matrix(method.matrix))?;
    writeln!(
        out,
        "internal_standard_addition = \"{}\"",
        addition(method.internal_standard_addition)
    )?;
    if let Some(approval) = &method.approval {
        writeln!(out, "approved_by = \"{}\"", approval.by)?;
        writeln!(out, "approved_on = \"{}\"", approval.on)?;
    }
    writeln!(out, "\n[validated]")?;
    if let Some([least, most]) = method.validated.haematocrit {
        writeln!(out, "haematocrit_min = {least:?}\nhaematocrit_max = {most:?}")?;
    }
    if let Some(days) = method.validated.card_age_max_d {
        writeln!(out, "card_age_max_d = {days:?}")?;
    }
    if let Some(diameter) = method.extraction.head_diameter_mm {
        writeln!(out, "\n[extraction]\nhead_diameter_mm = {diameter:?}")?;
    }
    writeln!(out, "\n[integration]")?;
    writeln!(
        out,
        "expected_width_s = {:?}",
        method.integration.expected_width_s
    )?;
    if let Some(counts) = method.integration.saturation_counts {
        writeln!(out, "saturation_counts = {counts:?}")?;
    }
    for standard in &method.internal_standards {
        writeln!(out, "\n[[internal_standard]]")?;
        writeln!(out, "name = \"{}\"", standard.name)?;
        transition(&mut out, standard.transition)?;
        writeln!(out, "retention_time_min = {:?}", standard.retention_time_min)?;
    }
    for of in &method.analytes {
        analyte(&mut out, of)?;
    }
    Ok(out)
}

fn analyte(out: &mut String, of: &Analyte) -> std::fmt::Result {
    writeln!(out, "\n[[analyte]]")?;
    writeln!(out, "name = \"{}\"", of.name)?;
    writeln!(out, "unit = \"{}\"", of.unit.ucum())?;
    if let Some(molar_mass) = of.molar_mass_g_per_mol {
        writeln!(out, "molar_mass_g_per_mol = {molar_mass:?}")?;
    }
    writeln!(out, "internal_standard = \"{}\"", of.internal_standard)?;
    writeln!(out, "retention_time_min = {:?}", of.retention_time_min)?;
    if let Some(tolerance) = of.retention_tolerance_min {
        writeln!(out, "retention_tolerance_min = {tolerance:?}")?;
    }
    writeln!(out, "within_run_cv_pct = {:?}", of.within_run_cv_pct)?;
    writeln!(out, "dilution_factors = {:?}", of.dilution_factors)?;
    writeln!(out, "[analyte.quantifier]")?;
    transition(out, of.quantifier)?;
    for qualifier in &of.qualifiers {
        writeln!(out, "[[analyte.qualifier]]")?;
        transition(out, qualifier.transition)?;
        if let Some(tolerance) = qualifier.ratio_tolerance_pct {
            writeln!(out, "ratio_tolerance_pct = {tolerance:?}")?;
        }
    }
    writeln!(out, "[analyte.calibration]")?;
    let model = match of.model {
        CurveModel::Linear => "linear",
        CurveModel::Quadratic => "quadratic",
    };
    let weighting = match of.weighting {
        Weighting::None => "1",
        Weighting::InverseX => "1/x",
        Weighting::InverseXSquared => "1/x^2",
    };
    writeln!(out, "model = \"{model}\"\nweighting = \"{weighting}\"")?;
    writeln!(out, "[analyte.calibrators]")?;
    levels(out, &of.calibrators)?;
    writeln!(out, "[analyte.controls]")?;
    levels(out, &of.controls)?;
    crate::reporting_file::reporting(out, of)
}

fn levels(out: &mut String, levels: &[Level]) -> std::fmt::Result {
    for level in levels {
        writeln!(out, "{} = {:?}", level.name, level.concentration)?;
    }
    Ok(())
}

fn transition(out: &mut String, of: Transition) -> std::fmt::Result {
    let polarity = match of.polarity {
        Polarity::Positive => "positive",
        Polarity::Negative => "negative",
    };
    writeln!(
        out,
        "precursor_mz = {:?}\nproduct_mz = {:?}",
        of.precursor_mz, of.product_mz
    )?;
    writeln!(out, "polarity = \"{polarity}\"")
}

fn matrix(kind: MatrixKind) -> &'static str {
    match kind {
        MatrixKind::DriedBlood => "dried-blood",
        MatrixKind::WholeBlood => "whole-blood",
        MatrixKind::Plasma => "plasma",
    }
}

fn addition(kind: InternalStandardAddition) -> &'static str {
    match kind {
        InternalStandardAddition::Sprayed => "sprayed",
        InternalStandardAddition::InSolvent => "in-solvent",
        InternalStandardAddition::PreImpregnated => "pre-impregnated",
        InternalStandardAddition::InSample => "in-sample",
    }
}
