//! An analyte's conversion, target range and model as `docs/formats.md` writes them.

use spotwright_domain::conversion::{
    Conversion, ConversionForm, Estimate, HaematocritUnknown, LinearRegression, Partition,
    RegressionDirection, RegressionInput,
};
use spotwright_domain::method::Analyte;
use spotwright_domain::target::TargetRange;
use std::fmt::{self, Write};

/// Writes the tables that an analyte has; none when it is reported as measured.
///
/// # Errors
/// When the text cannot be written, or a conversion holds a spot term, which no simulated method does.
pub(crate) fn reporting(out: &mut String, of: &Analyte) -> fmt::Result {
    if let Some(conversion) = &of.conversion {
        write_conversion(out, conversion)?;
    }
    if let Some(target) = &of.target {
        write_target(out, target)?;
    }
    if let Some(interpretation) = &of.interpretation {
        writeln!(
            out,
            "[analyte.interpretation]\nmodel = \"{}\"",
            interpretation.model
        )?;
    }
    Ok(())
}

fn write_conversion(out: &mut String, of: &Conversion) -> fmt::Result {
    // Simulated methods correct nothing about a spot; a term left out in silence would change results.
    if of.spot != Default::default() {
        return Err(fmt::Error);
    }
    writeln!(out, "[analyte.conversion]")?;
    writeln!(out, "id = \"{}\"\nversion = \"{}\"", of.id, of.version)?;
    writeln!(out, "matrix = \"{}\"", of.matrix_out.as_str())?;
    writeln!(out, "form = \"{}\"", of.form.as_str())?;
    writeln!(out, "unit = \"{}\"", of.unit.ucum())?;
    match &of.form {
        ConversionForm::NoneNeeded => {}
        ConversionForm::Theoretical { partition } => write_partition(out, partition)?,
        ConversionForm::UnboundEquilibrium { fraction_bound } => {
            estimate(out, "fraction_bound", "fraction_bound_sd", *fraction_bound)?;
        }
        ConversionForm::LinearRegression(line) => write_line(out, line)?,
        ConversionForm::NotPredictable { ratio_seen } => {
            if let Some([low, high]) = ratio_seen {
                writeln!(out, "ratio_seen = [{low:?}, {high:?}]")?;
            }
        }
    }
    if let Some(cv) = of.residual_cv_pct {
        writeln!(out, "residual_cv_pct = {cv:?}")?;
    }
    if let Some([low, high]) = of.concentration_range {
        writeln!(out, "concentration_min = {low:?}\nconcentration_max = {high:?}")?;
    }
    if let Some([low, high]) = of.haematocrit_range {
        writeln!(out, "haematocrit_min = {low:?}\nhaematocrit_max = {high:?}")?;
    }
    if let HaematocritUnknown::UseDefault { default } = of.haematocrit_unknown {
        writeln!(out, "haematocrit_unknown = \"default\"")?;
        estimate(out, "default_haematocrit", "default_haematocrit_sd", default)?;
    }
    if let Some(population) = &of.population {
        writeln!(out, "population = \"{population}\"")?;
    }
    if let Some(n) = of.study_n {
        writeln!(out, "study_n = {n}")?;
    }
    writeln!(out, "source = \"{}\"", of.source)?;
    if let Some(person) = &of.approved_by {
        writeln!(out, "approved_by = \"{person}\"")?;
    }
    Ok(())
}

fn write_partition(out: &mut String, of: &Partition) -> fmt::Result {
    match of {
        Partition::Constant { ratio } => estimate(out, "partition_ratio", "partition_ratio_sd", *ratio),
        Partition::FreePartition {
            red_cell_over_unbound,
            fraction_unbound,
        } => {
            estimate(
                out,
                "red_cell_over_unbound",
                "red_cell_over_unbound_sd",
                *red_cell_over_unbound,
            )?;
            estimate(out, "fraction_unbound", "fraction_unbound_sd", *fraction_unbound)
        }
    }
}

fn write_line(out: &mut String, of: &LinearRegression) -> fmt::Result {
    let direction = match of.direction {
        RegressionDirection::ReportedOnMeasured => "reported-on-measured",
        RegressionDirection::MeasuredOnReported => "measured-on-reported",
    };
    writeln!(out, "direction = \"{direction}\"")?;
    match &of.input {
        RegressionInput::Raw => writeln!(out, "input = \"raw\"")?,
        RegressionInput::HaematocritCorrected { partition } => {
            writeln!(out, "input = \"haematocrit-corrected\"")?;
            if let Some(partition) = partition {
                write_partition(out, partition)?;
            }
        }
    }
    estimate(out, "slope", "slope_se", of.slope)?;
    estimate(out, "intercept", "intercept_se", of.intercept)?;
    if of.covariance.abs() > 0.0 {
        writeln!(out, "slope_intercept_covariance = {:?}", of.covariance)?;
    }
    if let Some(sd) = of.residual_sd {
        writeln!(out, "residual_sd = {sd:?}")?;
    }
    Ok(())
}

fn estimate(out: &mut String, key: &str, uncertainty: &str, of: Estimate) -> fmt::Result {
    writeln!(out, "{key} = {:?}", of.value)?;
    if of.standard_uncertainty > 0.0 {
        writeln!(out, "{uncertainty} = {:?}", of.standard_uncertainty)?;
    }
    Ok(())
}

fn write_target(out: &mut String, of: &TargetRange) -> fmt::Result {
    writeln!(out, "[analyte.target]\nquantity = \"{}\"", of.quantity.as_str())?;
    for (key, value) in [
        ("low", of.low),
        ("high", of.high),
        ("toxic_above", of.toxic_above),
    ] {
        if let Some(value) = value {
            writeln!(out, "{key} = {value:?}")?;
        }
    }
    writeln!(
        out,
        "unit = \"{}\"\nmatrix = \"{}\"",
        of.unit.ucum(),
        of.matrix.as_str()
    )?;
    for (key, text) in [
        ("sampling_time", &of.sampling_time),
        ("indication", &of.indication),
        ("source", &of.source),
    ] {
        writeln!(out, "{key} = \"{text}\"")?;
    }
    Ok(())
}
