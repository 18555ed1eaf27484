//! The control plot: how far each control reads from its nominal value, along the run.

use super::Figure;
use super::axis::Scale;
use super::calibration::span;
use super::mark::Shape;
use super::panel::{BAD, INK, Panel};
use spotwright_domain::identifier::LevelName;
use spotwright_domain::record::AnalyteRunRecord;

const WIDTH: u32 = 560;
const HEIGHT: u32 = 230;

/// Draws every control's relative error (%) at its place in the run, one shape a level, with the limit (%).
/// `None` when no control could be computed.
#[must_use]
pub fn control(of: &AnalyteRunRecord, limit_pct: f64, injections: u64) -> Option<Figure> {
    let mut levels: Vec<(&LevelName, f64)> = Vec::new();
    for control in &of.controls {
        if !levels.iter().any(|(name, _)| **name == control.level) {
            levels.push((&control.level, control.nominal));
        }
    }
    levels.sort_by(|a, b| a.1.total_cmp(&b.1));
    let errors: Vec<f64> = of
        .controls
        .iter()
        .filter_map(|control| control.relative_error_pct)
        .collect();
    let (low, high) = span(errors.iter().copied())?;
    // Far strays stand at the edge as arrowheads rather than squeeze all others flat.
    let reach = low.abs().max(high.abs()).clamp(limit_pct * 1.5, limit_pct * 2.5);

    let x = Scale::linear([0.0, injections as f64 + 1.0], [64.0, f64::from(WIDTH) - 14.0]);
    let y = Scale::linear([-reach, reach], [184.0, 36.0]);
    let mut body = String::new();
    let mut panel = Panel { out: &mut body, x, y };
    panel.band(-limit_pct, limit_pct);
    panel.level(0.0, false);
    panel.level(limit_pct, true);
    panel.level(-limit_pct, true);
    panel.axes(8, 5, true);
    panel.x_title("Order in the run");
    panel.y_title("Error (%)", 15.0);
    let mut at = 64.0;
    for ((level, _), shape) in levels.iter().zip(Shape::LEVELS.into_iter().cycle()) {
        let of_level = |passes: bool| {
            of.controls
                .iter()
                .filter(move |control| control.level == **level && control.passes == passes)
                .filter_map(|control| Some((f64::from(control.order), control.relative_error_pct?)))
                .filter(|(_, error)| error.is_finite())
        };
        panel.marks(of_level(true), shape, 4.0, INK);
        panel.marks(of_level(false), shape, 4.6, BAD);
        at = panel.legend(at, 18.0, shape, 4.0, INK, level.as_str());
    }
    let outside = of.controls.iter().filter(|control| !control.passes).count();
    Some(Figure {
        width: WIDTH,
        height: HEIGHT,
        description: format!(
            "Controls of {} along the run: relative error of {} controls at {} levels, {outside} outside the limit of \
             {limit_pct} percent.",
            of.analyte,
            of.controls.len(),
            levels.len(),
        ),
        body,
    })
}
