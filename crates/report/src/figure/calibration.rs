//! The calibration plot: area ratio against concentration, and beneath it how far each calibrator reads from its
//! nominal value.

use super::Figure;
use super::axis::Scale;
use super::mark::Shape;
use super::panel::{BAD, INK, Panel};
use crate::words;
use spotwright_domain::record::{AnalyteRunRecord, CalibrationPoint, CalibrationRecord};

/// Range of concentrations above which equal ratios deserve equal room: on a linear axis the lower half of the
/// calibrators would share less than a twentieth of the width.
const LOGARITHMIC_ABOVE: f64 = 25.0;
const WIDTH: u32 = 560;
const HEIGHT: u32 = 470;

/// Draws the curve, its points (used: discs; left out: crosses) and their relative errors with the limits (%) at
/// the lowest level and elsewhere. `None` when no calibrator could be measured.
#[must_use]
pub fn calibration(of: &AnalyteRunRecord, limit_lloq_pct: f64, limit_pct: f64) -> Option<Figure> {
    let points: Vec<(&CalibrationPoint, f64)> = of
        .calibration_points
        .iter()
        .filter_map(|point| Some((point, point.area_ratio.filter(|ratio| ratio.is_finite())?)))
        .filter(|(point, _)| point.nominal.is_finite())
        .collect();
    let (mut x_low, mut x_high) = span(points.iter().map(|(point, _)| point.nominal))?;
    let (mut y_low, mut y_high) = span(points.iter().map(|(_, ratio)| *ratio))?;
    if let Some(curve) = &of.calibration {
        x_low = x_low.min(curve.lloq);
        x_high = x_high.max(curve.uloq);
        for end in [curve.lloq, curve.uloq] {
            y_low = y_low.min(value_at(curve, end));
            y_high = y_high.max(value_at(curve, end));
        }
    }
    let [left, right] = [64.0, f64::from(WIDTH) - 14.0];
    let [top, bottom] = [14.0, 296.0];
    let logarithmic = (x_low > 0.0 && y_low > 0.0 && x_high / x_low > LOGARITHMIC_ABOVE)
        .then(|| {
            let x = Scale::logarithmic([x_low / 1.4, x_high * 1.4], [left, right])?;
            let y = Scale::logarithmic([y_low / 1.6, y_high * 1.6], [bottom, top])?;
            Some((x, y))
        })
        .flatten();
    let is_logarithmic = logarithmic.is_some();
    let (x, y) = logarithmic.unwrap_or_else(|| {
        (
            Scale::linear([0.0, x_high * 1.06], [left, right]),
            Scale::linear([y_low.min(0.0), y_high * 1.08], [bottom, top]),
        )
    });

    let mut body = String::new();
    let mut upper = Panel { out: &mut body, x, y };
    upper.axes(6, 5, false);
    upper.y_title("Area ratio", 15.0);
    if let Some(curve) = &of.calibration {
        let steps = 80;
        let along = (0..=steps).map(|step| {
            let share = f64::from(step) / f64::from(steps);
            let x = if is_logarithmic {
                curve.lloq * libm::pow(curve.uloq / curve.lloq, share)
            } else {
                curve.lloq + (curve.uloq - curve.lloq) * share
            };
            (x, value_at(curve, x))
        });
        upper.curve(along, INK);
    }
    let used = points.iter().filter(|(point, _)| point.used);
    let left_out = points.iter().filter(|(point, _)| !point.used);
    let used_count = used.clone().count();
    let left_out_count = left_out.clone().count();
    upper.marks(
        used.map(|(p, ratio)| (p.nominal, *ratio)),
        Shape::Circle,
        3.8,
        INK,
    );
    upper.marks(
        left_out.map(|(p, ratio)| (p.nominal, *ratio)),
        Shape::Cross,
        4.2,
        BAD,
    );
    let mut y_legend = top + 12.0;
    upper.legend(
        left + 14.0,
        y_legend,
        Shape::Circle,
        3.8,
        INK,
        &format!("used ({used_count})"),
    );
    if left_out_count > 0 {
        y_legend += 18.0;
        let text = format!("left out ({left_out_count})");
        upper.legend(left + 14.0, y_legend, Shape::Cross, 4.2, BAD, &text);
    }

    residuals(&mut body, of, x, limit_lloq_pct, limit_pct);
    let scale = if is_logarithmic { ", logarithmic axes" } else { "" };
    Some(Figure {
        width: WIDTH,
        height: HEIGHT,
        description: format!(
            "Calibration of {}: area ratio against concentration with the fitted curve{scale}; {used_count} \
             calibrators used, {left_out_count} left out; beneath, the relative error of each with its limits.",
            of.analyte
        ),
        body,
    })
}

fn residuals(body: &mut String, of: &AnalyteRunRecord, x: Scale, limit_lloq_pct: f64, limit_pct: f64) {
    let widest = limit_lloq_pct.max(limit_pct);
    let y = Scale::linear([-widest * 1.5, widest * 1.5], [426.0, 316.0]);
    let mut lower = Panel { out: body, x, y };
    // The lowest level has a limit of its own: its band reaches half way (on the drawing) to the next level.
    let mut levels: Vec<f64> = of.calibration_points.iter().map(|point| point.nominal).collect();
    levels.sort_by(f64::total_cmp);
    levels.dedup();
    let [left, right] = x.drawing();
    let edge = match levels[..] {
        [lowest, next, ..] => match (x.at(lowest), x.at(next)) {
            (Some(lowest), Some(next)) => (lowest + next) / 2.0,
            _ => left,
        },
        _ => left,
    };
    lower.band_between(-limit_lloq_pct, limit_lloq_pct, left, edge);
    lower.band_between(-limit_pct, limit_pct, edge, right);
    lower.level(0.0, false);
    lower.axes(6, 4, true);
    lower.y_title("Error (%)", 15.0);
    lower.x_title(&format!("Nominal concentration ({})", words::unit(of.unit)));
    let error_of = |used: bool| {
        of.calibration_points
            .iter()
            .filter(move |point| point.used == used)
            .filter_map(|point| Some((point.nominal, point.relative_error_pct?)))
            .filter(|(_, error)| error.is_finite())
    };
    lower.marks(error_of(true), Shape::Circle, 3.4, INK);
    lower.marks(error_of(false), Shape::Cross, 4.0, BAD);
}

fn value_at(curve: &CalibrationRecord, x: f64) -> f64 {
    curve.coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c)
}

/// Lowest and highest of finite numbers; `None` when there are none.
pub(super) fn span(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    values
        .filter(|value| value.is_finite())
        .fold(None, |span, value| match span {
            None => Some((value, value)),
            Some((low, high)) => Some((low.min(value), high.max(value))),
        })
}
