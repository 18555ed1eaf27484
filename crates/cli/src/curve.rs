//! `spotwright curve`: a published or own calibration table, fitted.

use crate::arguments::{Curve, Model};
use crate::outcome::Outcome;
use crate::print::{complain, say};
use crate::table::{Side, Table};
use spotwright_domain::figures::significant_figures;
use spotwright_domain::method::{CurveModel, Weighting};
use spotwright_workflow::curve::{CurveFit, CurveReport, CurveRequest, fit_table};

/// Fits the table and prints it.
pub(crate) fn curve(arguments: &Curve) -> Outcome {
    let request = CurveRequest {
        x: arguments.x.clone(),
        y: arguments.y.clone(),
        only: arguments.only.clone(),
        model: match arguments.model {
            Model::Linear => CurveModel::Linear,
            Model::Quadratic => CurveModel::Quadratic,
        },
        weighting: arguments.weighting.as_deref().map(|weighting| match weighting {
            "1/x" => Weighting::InverseX,
            "1/x^2" => Weighting::InverseXSquared,
            _ => Weighting::None,
        }),
        readings: arguments.read.clone(),
    };
    match fit_table(&arguments.file, &request) {
        Err(error) => {
            complain(&error.to_string());
            Outcome::BadInput
        }
        Ok(report) => {
            say(&if arguments.json {
                serde_json::to_string_pretty(&report).unwrap_or_default()
            } else {
                text(&report)
            });
            if report.fits.iter().any(|fit| fit.failure.is_some()) {
                Outcome::BadInput
            } else {
                Outcome::Accepted
            }
        }
    }
}

fn text(report: &CurveReport) -> String {
    let mut text = format!(
        "{}: {} against {}, {} points\n",
        report.file, report.y, report.x, report.points
    );
    if !report.lines_without_numbers.is_empty() {
        text.push_str(&format!(
            "{} lines have no number there and were left out\n",
            report.lines_without_numbers.len()
        ));
    }
    for fit in &report.fits {
        text.push('\n');
        text.push_str(&fit_text(fit));
    }
    if report.fits.len() > 1 {
        let best = report
            .fits
            .iter()
            .filter(|fit| fit.failure.is_none())
            .min_by(|a, b| {
                a.sum_absolute_relative_error_pct
                    .total_cmp(&b.sum_absolute_relative_error_pct)
            });
        if let Some(best) = best {
            text.push_str(&format!(
                "\nSmallest sum of |relative error|: weight {} (CAL-01; prefer the simpler one where they are close)\n",
                weight(best.weighting)
            ));
        }
    }
    text.trim_end().to_owned()
}

fn weight(weighting: Weighting) -> &'static str {
    match weighting {
        Weighting::None => "1",
        Weighting::InverseX => "1/x",
        Weighting::InverseXSquared => "1/x²",
    }
}

fn digits(value: f64) -> String {
    significant_figures(value, 7)
}

fn fit_text(fit: &CurveFit) -> String {
    let mut text = format!("Weight {}", weight(fit.weighting));
    if fit.zero_points_left_out > 0 {
        text.push_str(&format!(", {} points at zero left out", fit.zero_points_left_out));
    }
    text.push('\n');
    if let Some(failure) = &fit.failure {
        return format!("{text}  no curve: {failure}\n");
    }
    for ((value, error), name) in fit
        .coefficients
        .iter()
        .zip(&fit.standard_errors)
        .zip(["c0", "c1", "c2"])
    {
        text.push_str(&format!(
            "  {name} = {} (standard error {})\n",
            digits(*value),
            digits(*error)
        ));
    }
    let optional = |value: Option<f64>| value.map_or("–".to_owned(), digits);
    text.push_str(&format!(
        "  residual standard deviation {}, {} degrees of freedom, R² {}\n",
        optional(fit.residual_standard_deviation),
        fit.degrees_of_freedom.map_or("–".to_owned(), |df| df.to_string()),
        optional(fit.r_squared)
    ));
    if let (Some(critical), Some(detection)) = (fit.critical_value, fit.detection_limit) {
        text.push_str(&format!(
            "  critical value {}, detection limit {}, quantification limit {} (DIN 32645, 1 %)\n",
            digits(critical),
            digits(detection),
            optional(fit.quantification_limit)
        ));
    }
    text.push_str(&points(fit));
    for reading in &fit.readings {
        let remark = reading
            .remark
            .as_ref()
            .map_or(String::new(), |remark| format!(", {remark}"));
        text.push_str(&format!(
            "  response {} reads {} ± {} (95 %){remark}\n",
            digits(reading.y),
            optional(reading.x),
            optional(reading.half_width_95)
        ));
    }
    text
}

fn points(fit: &CurveFit) -> String {
    let mut table = Table::new(&[
        ("known", Side::Right),
        ("response", Side::Right),
        ("read back", Side::Right),
        ("relative error %", Side::Right),
    ]);
    for point in &fit.points {
        table.row(vec![
            point.x.to_string(),
            point.y.to_string(),
            point.back_calculated.map_or("none".to_owned(), digits),
            point
                .relative_error_pct
                .map_or(String::new(), |error| format!("{error:+.2}")),
        ]);
    }
    format!(
        "{}  sum of |relative error| {:.4} %\n",
        table.render(),
        fit.sum_absolute_relative_error_pct
    )
}
