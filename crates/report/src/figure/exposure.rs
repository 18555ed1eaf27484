//! Concentration over time: the person's curve with its band, doses, levels with their intervals, and the target.

use super::Figure;
use super::axis::Scale;
use super::mark::Shape;
use super::panel::{BAD, INK, Panel, QUIET};
use crate::number::{Plain, Significant};
use crate::words::unit as unit_of;
use maud::Render;
use spotwright_domain::interpretation::InterpretationRecord;

const WIDTH: u32 = 900;
const HEIGHT: u32 = 340;
/// Above this many hours the axis counts days.
const HOURS_ARE_CLEAR_UP_TO: f64 = 96.0;

/// The exposure curve; `None` when the record holds no curve.
#[must_use]
pub fn exposure(of: &InterpretationRecord) -> Option<Figure> {
    let curve = of.curve.as_ref()?;
    let (first, last) = (*curve.time_h.first()?, *curve.time_h.last()?);
    let days = last - first > HOURS_ARE_CLEAR_UP_TO;
    let unit_h = if days { 24.0 } else { 1.0 };
    let target = of.target.as_ref().filter(|target| target.is_concentration());
    let shown = |time_h: f64| (first..=last).contains(&time_h);

    let mut top = curve.high_90.iter().copied().fold(0.0, f64::max);
    for level in of.levels.iter().filter(|level| shown(level.time_h)) {
        top = top.max(level.interval_95[1]);
    }
    if let Some(high) = target.and_then(|target| target.toxic_above.or(target.high)) {
        // A limit far above everything would squeeze the curve: it is then left out of sight, and the table tells it.
        if high < 2.0 * top {
            top = top.max(high);
        }
    }
    if !(top.is_finite() && top > 0.0) {
        return None;
    }

    let mut body = String::new();
    let mut panel = Panel {
        out: &mut body,
        x: Scale::linear([first / unit_h, last / unit_h], [62.0, f64::from(WIDTH) - 128.0]),
        y: Scale::linear([0.0, top * 1.08], [f64::from(HEIGHT) - 62.0, 34.0]),
    };
    let [left, right] = panel.x.drawing();
    if let Some(target) = target {
        let high = target.high.unwrap_or(top * 1.08);
        panel.band_between(target.low.unwrap_or(0.0), high, left, right);
        // From the lowest up, each label at least a line above the one below it.
        let mut free_below = f64::INFINITY;
        for (value, text) in [
            (target.low, "target from"),
            (target.high, "target to"),
            (target.toxic_above, "too high above"),
        ] {
            let Some(value) = value.filter(|value| panel.y.holds(*value)) else {
                continue;
            };
            panel.level(value, true);
            if let Some(y) = panel.y.at(value) {
                let y = (y + 4.0).min(free_below);
                free_below = y - 13.0;
                let label = format!("{text} {}", Plain(value).render().into_string());
                panel.text(right + 6.0, y, "start", "", &label);
            }
        }
    }
    let times = || curve.time_h.iter().map(|time| time / unit_h);
    panel.area(
        times()
            .zip(&curve.low_90)
            .zip(&curve.high_90)
            .map(|((x, low), high)| (x, *low, *high)),
    );
    if !curve.typical.is_empty() {
        panel.dashed_curve(times().zip(curve.typical.iter().copied()), QUIET);
    }
    panel.curve(times().zip(curve.median.iter().copied()), INK);
    if shown(curve.forecast_from_h) {
        panel.upright(curve.forecast_from_h / unit_h);
        if let Some(x) = panel.x.at(curve.forecast_from_h / unit_h) {
            panel.text(x + 5.0, 32.0, "start", "", "forecast, dose as now →");
        }
    }
    let doses = of.doses.iter().filter(|dose| shown(dose.time_h));
    panel.marks(
        doses.map(|dose| (dose.time_h / unit_h, top * 0.025)),
        Shape::Tick,
        5.0,
        QUIET,
    );
    for level in of.levels.iter().filter(|level| shown(level.time_h)) {
        panel.interval(level.time_h / unit_h, level.interval_95, BAD);
    }
    for (censored, shape) in [(false, Shape::Circle), (true, Shape::TriangleDown)] {
        panel.marks(
            of.levels
                .iter()
                .filter(|level| shown(level.time_h) && level.below_limit == censored)
                .map(|level| (level.time_h / unit_h, level.value)),
            shape,
            4.0,
            BAD,
        );
    }
    panel.axes(9, 5, true);
    panel.x_title(if days {
        "days from the first dose of the record"
    } else {
        "hours from the first dose of the record"
    });
    let unit = unit_of(of.unit);
    panel.y_title(&format!("{} ({unit})", of.drug), 16.0);
    let mut x = left;
    x = panel.legend(x, 16.0, Shape::Circle, 4.0, BAD, "level, 95 % interval");
    if of.levels.iter().any(|level| level.below_limit) {
        x = panel.legend(
            x,
            16.0,
            Shape::TriangleDown,
            4.0,
            BAD,
            "below the limit of quantification",
        );
    }
    x = panel.legend(x, 16.0, Shape::Tick, 5.0, QUIET, "dose");
    panel.text(
        x,
        16.0,
        "start",
        "",
        "line: this person, shaded 90 % of what is likely; dashed: people like this one",
    );

    let described: Vec<String> = of
        .levels
        .iter()
        .map(|level| {
            let below = if level.below_limit { "below " } else { "" };
            format!(
                "{below}{} {unit}",
                Significant(level.value, 3).render().into_string()
            )
        })
        .collect();
    Some(Figure {
        width: WIDTH,
        height: HEIGHT,
        description: format!(
            "Concentration of {} over time with the doses taken and the measured levels: {}.",
            of.drug,
            described.join(", ")
        ),
        body,
    })
}
