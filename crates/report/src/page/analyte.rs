//! One analyte of the run: calibration, controls, internal standard, blanks; each as a figure and a table.

use super::limits::LimitsInForce;
use super::results::{cell, percent_cell};
use super::verdict::range;
use crate::figure::{self, Figure};
use crate::number::{Plain, SignedPercent, Significant};
use crate::words;
use maud::{Markup, PreEscaped, html};
use spotwright_domain::plot::RunSeries;
use spotwright_domain::record::{
    AnalyteRunRecord, CalibrationRecord, ControlRecord, InternalStandardRecord, RunRecord,
};
use std::collections::BTreeMap;

/// Counts figures and tables through the page; knows which internal standards have been drawn.
#[derive(Default)]
struct Numbers {
    figures: u32,
    tables: u32,
    standards: BTreeMap<usize, u32>,
}

impl Numbers {
    fn figure(&mut self) -> u32 {
        self.figures += 1;
        self.figures
    }

    fn table(&mut self) -> u32 {
        self.tables += 1;
        self.tables
    }
}

/// Every analyte, in the method's order.
pub(super) fn all(run: &RunRecord, series: &RunSeries, limits: &LimitsInForce) -> Markup {
    let mut numbers = Numbers::default();
    html! {
        section #analytes {
            h2 { "Analytes" }
            @for (place, of) in run.analytes.iter().enumerate() {
                (one(place, of, run, series, limits, &mut numbers))
            }
        }
    }
}

fn one(
    place: usize,
    of: &AnalyteRunRecord,
    run: &RunRecord,
    series: &RunSeries,
    limits: &LimitsInForce,
    numbers: &mut Numbers,
) -> Markup {
    html! {
        article.analyte id={ "analyte-" (place) } {
            h3 { (of.analyte) " " (words::acceptance(of.acceptance)) }
            p {
                "Range of this run " (range(of)) "; read against " (of.internal_standard)
                @if let Some(minutes) = of.retention_time_min { "; mean retention " (crate::number::Decimals(minutes, 2)) " min" }
                "."
            }
            div.figures {
                (calibration_figure(of, limits, numbers))
                div {
                    (control_figure(of, run, limits, numbers))
                    (standard_figure(of, run, series, limits, numbers))
                }
            }
            div.tables {
                div {
                    (calibrators(of, numbers))
                    (parameters(of, numbers))
                }
                div {
                    (controls(&of.controls, of, "Controls", numbers))
                    @if !of.dilution_controls.is_empty() {
                        (controls(&of.dilution_controls, of, "Dilution controls", numbers))
                    }
                    (blanks(of, numbers))
                }
            }
        }
    }
}

fn drawn(figure: Option<Figure>, missing: &str, number: u32, caption: Markup) -> Markup {
    html! {
        figure {
            @match figure {
                Some(figure) => (PreEscaped(figure.inline())),
                None => p.none { (missing) },
            }
            figcaption { b { "Figure " (number) ". " } (caption) }
        }
    }
}

fn calibration_figure(of: &AnalyteRunRecord, limits: &LimitsInForce, numbers: &mut Numbers) -> Markup {
    let not_measured = of
        .calibration_points
        .iter()
        .filter(|point| point.area_ratio.is_none())
        .count();
    let caption = html! {
        @match &of.calibration {
            Some(curve) => { "Calibration: " (words::model(curve.model)) ", weighting " (words::weighting(curve.weighting)) ". " }
            None => "Calibration: no curve could be computed. ",
        }
        "Beneath: back-calculated against nominal; shaded: ±" (Plain(limits.calibrator_pct)) " %, at the lowest level ±"
        (Plain(limits.calibrator_lloq_pct)) " %."
        @if not_measured > 0 {
            " " (not_measured) @if not_measured == 1 { " calibrator" } @else { " calibrators" } " could not be measured."
        }
    };
    let figure = figure::calibration(of, limits.calibrator_lloq_pct, limits.calibrator_pct);
    drawn(
        figure,
        "No calibrator could be measured.",
        numbers.figure(),
        caption,
    )
}

fn control_figure(
    of: &AnalyteRunRecord,
    run: &RunRecord,
    limits: &LimitsInForce,
    numbers: &mut Numbers,
) -> Markup {
    let caption = html! {
        "Controls along the run: found against nominal; dashed: the limit of ±" (Plain(limits.control_pct)) " %."
    };
    let figure = figure::control(of, limits.control_pct, run.injections);
    drawn(figure, "No control could be computed.", numbers.figure(), caption)
}

fn standard_figure(
    of: &AnalyteRunRecord,
    run: &RunRecord,
    series: &RunSeries,
    limits: &LimitsInForce,
    numbers: &mut Numbers,
) -> Markup {
    let found = run
        .internal_standards
        .iter()
        .enumerate()
        .find(|(_, record)| record.name == of.internal_standard);
    let Some((place, record)) = found else {
        return html! { p.none { "No record of internal standard " (of.internal_standard) "." } };
    };
    if let Some(number) = numbers.standards.get(&place) {
        return html! { p.none { "Internal standard " (of.internal_standard) ": see Figure " (number) "." } };
    }
    let number = numbers.figure();
    numbers.standards.insert(place, number);
    let points = series
        .internal_standards
        .get(place)
        .map_or(&[][..], |points| points);
    let figure = figure::internal_standard(record, points, limits.internal_standard_pct, run.injections);
    html! {
        (drawn(figure, "No internal-standard area was measured.", number, standard_caption(record, limits)))
        (words::reasons(&record.reasons))
    }
}

fn standard_caption(of: &InternalStandardRecord, limits: &LimitsInForce) -> Markup {
    let [low, high] = limits.internal_standard_pct;
    html! {
        "Internal standard " (of.name) " along the run."
        @if let Some(mean) = of.mean_area_counts_s {
            " 100 %: mean of accepted calibrators and controls, " (Significant(mean, 3)) " counts·s"
            @if let Some(cv) = of.cv_pct { ", CV " (crate::number::Decimals(cv, 1)) " %" }
            "; dashed: limits of " (Plain(low)) " and " (Plain(high)) " %."
        }
        @if let Some(drift) = of.drift_pct { " Change from first to last along the trend " (SignedPercent(drift)) "." }
        @if let Some(step) = of.step {
            " Largest step " (SignedPercent(step.step_pct)) " at injection " (step.first_order) " (p "
            @if step.p_value < 0.001 { "< 0.001" } @else { (crate::number::Decimals(step.p_value, 3)) }
            ")."
        }
    }
}

fn table(number: u32, title: &str, head: &[&str], rows: Markup) -> Markup {
    html! {
        div.scroll {
            table {
                caption { b { "Table " (number) ". " } (title) }
                @if !head.is_empty() {
                    thead { tr { @for word in head { th scope="col" { (word) } } } }
                }
                tbody { (rows) }
            }
        }
    }
}

fn parameters(of: &AnalyteRunRecord, numbers: &mut Numbers) -> Markup {
    let row = |name: &str, value: Markup| html! { tr { th scope="row" { (name) } td.num { (value) } } };
    let rows = html! {
        @match &of.calibration {
            Some(curve) => (curve_rows(curve, &row)),
            None => (row("Curve", html! { "not computable" })),
        }
        @for (place, ratio) in of.expected_ion_ratios.iter().enumerate() {
            (row(&format!("Mean ion ratio, qualifier {}", place + 1), cell(*ratio, 3)))
        }
        @if let Some(cv) = of.preparation_cv_pct {
            (row("Between preparations (CV)", html! {
                (crate::number::Decimals(cv, 1)) " %"
                @if let Some(df) = of.preparation_degrees_of_freedom { ", " (Plain(df.floor())) " df" }
            }))
        }
        @if let Some(fraction) = of.carry_over_fraction {
            (row("Carry-over into the next injection", html! { (Significant(fraction * 100.0, 2)) " %" }))
        }
    };
    table(numbers.table(), "Curve: ratio = c₀ + c₁·x (+ c₂·x²)", &[], rows)
}

fn curve_rows(curve: &CalibrationRecord, row: &dyn Fn(&str, Markup) -> Markup) -> Markup {
    const NAMES: [&str; 3] = [
        "c₀ (± standard error)",
        "c₁ (± standard error)",
        "c₂ (± standard error)",
    ];
    html! {
        (row("Shape", html! { (words::model(curve.model)) }))
        (row("Weighting", html! { (words::weighting(curve.weighting)) }))
        @for ((name, value), error) in NAMES.iter().zip(&curve.coefficients).zip(&curve.standard_errors) {
            (row(name, html! { (Significant(*value, 4)) " ± " (Significant(*error, 2)) }))
        }
        (row("Weighted residual SD", html! { (Significant(curve.residual_standard_deviation, 3)) ", " (Plain(curve.degrees_of_freedom)) " df" }))
        (row("r² (not a criterion)", html! { (crate::number::Decimals(curve.r_squared, 4)) }))
        (row("Fits until settled", html! { (curve.fits) }))
    }
}

fn calibrators(of: &AnalyteRunRecord, numbers: &mut Numbers) -> Markup {
    let unit = words::unit(of.unit);
    let rows = html! {
        @for point in &of.calibration_points {
            tr.x[!point.used] {
                td.num { (point.order) }
                th scope="row" { (point.level) }
                td.num { (Significant(point.nominal, 3)) }
                td.num { (cell(point.area_ratio, 4)) }
                td.num { (cell(point.back_calculated, 3)) }
                td.num { (percent_cell(point.relative_error_pct)) }
                td { (words::used(point.used)) }
            }
        }
    };
    let head = [
        "Order",
        "Level",
        "Nominal",
        "Ratio",
        "Found",
        "Error",
        "In the fit",
    ];
    table(
        numbers.table(),
        &format!("Calibrators, concentrations in {unit}"),
        &head,
        rows,
    )
}

fn controls(list: &[ControlRecord], of: &AnalyteRunRecord, title: &str, numbers: &mut Numbers) -> Markup {
    let unit = words::unit(of.unit);
    let diluted = list
        .iter()
        .any(|control| (control.dilution_factor - 1.0).abs() > 1e-9);
    let rows = html! {
        @for control in list {
            tr.x[!control.passes] {
                td.num { (control.order) }
                th scope="row" { (control.level) }
                td.num { (Significant(control.nominal, 3)) }
                @if diluted { td.num { (Plain(control.dilution_factor)) } }
                td.num { (cell(control.found, 3)) }
                td.num { (percent_cell(control.relative_error_pct)) }
                td { (words::within(control.passes)) }
            }
        }
        @if list.is_empty() { tr { td colspan="6" { "none in this run" } } }
    };
    let mut head = vec!["Order", "Level", "Nominal"];
    if diluted {
        head.push("Dilution");
    }
    head.extend(["Found", "Error", "Limit"]);
    table(
        numbers.table(),
        &format!("{title}, concentrations in {unit}"),
        &head,
        rows,
    )
}

fn blanks(of: &AnalyteRunRecord, numbers: &mut Numbers) -> Markup {
    let share = |value: Option<f64>| html! { @match value.filter(|v| v.is_finite()) { Some(v) => { (crate::number::Decimals(v, 1)) " %" } None => "–" } };
    let rows = html! {
        @for blank in &of.blanks {
            tr.x[!blank.passes] {
                td.num { (blank.order) }
                th scope="row" { (words::role(blank.role)) }
                td.num { (cell(blank.analyte_area_counts_s, 3)) }
                td.num { (share(blank.share_of_lloq_pct)) }
                td.num { (share(blank.share_of_internal_standard_pct)) }
                td { (words::within(blank.passes)) }
            }
        }
        @if of.blanks.is_empty() { tr { td colspan="6" { "none in this run" } } }
    };
    let head = [
        "Order",
        "Blank",
        "Area (counts·s)",
        "Of LLOQ response",
        "Of internal standard",
        "Limit",
    ];
    table(numbers.table(), "Blanks and carry-over", &head, rows)
}
