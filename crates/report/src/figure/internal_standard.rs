//! The internal-standard trend: its area along the run, one shape a role.

use super::Figure;
use super::axis::Scale;
use super::calibration::span;
use super::mark::Shape;
use super::panel::{BAD, INK, Paint, Panel, QUIET};
use crate::number::SignedPercent;
use maud::Render;
use spotwright_domain::injection::SampleRole;
use spotwright_domain::plot::SeriesPoint;
use spotwright_domain::reason::ReasonCode;
use spotwright_domain::record::InternalStandardRecord;

const WIDTH: u32 = 560;
const HEIGHT: u32 = 230;

/// Kinds of injection that a reader tells apart in this figure.
const GROUPS: [(&str, Shape, Paint, &[SampleRole]); 4] = [
    ("calibrators", Shape::Diamond, INK, &[SampleRole::Calibrator]),
    (
        "controls",
        Shape::Square,
        INK,
        &[SampleRole::Control, SampleRole::DilutionControl],
    ),
    (
        "samples",
        Shape::Circle,
        INK,
        &[SampleRole::Patient, SampleRole::IncurredRepeat],
    ),
    (
        "others",
        Shape::Tick,
        QUIET,
        &[
            SampleRole::Conditioning,
            SampleRole::SystemSuitability,
            SampleRole::DoubleBlank,
            SampleRole::Zero,
            SampleRole::CarryOverBlank,
        ],
    ),
];

/// Draws areas as a share of the mean (%) with the limits (%), and the step if one was found. Without a mean the
/// areas are shown in counts·s and have no limits. `None` when no area was measured.
#[must_use]
pub fn internal_standard(
    of: &InternalStandardRecord,
    series: &[SeriesPoint],
    limits_pct: [f64; 2],
    injections: u64,
) -> Option<Figure> {
    let mean = of
        .mean_area_counts_s
        .filter(|mean| mean.is_finite() && *mean > 0.0);
    let height_of = |point: &SeriesPoint| {
        let area = point.area_counts_s.filter(|area| area.is_finite())?;
        Some(mean.map_or(area, |mean| 100.0 * area / mean))
    };
    let (_, high) = span(series.iter().filter_map(height_of))?;
    let top = match mean {
        Some(_) => high.clamp(limits_pct[1] * 1.12, limits_pct[1] * 1.5),
        None => high * 1.1,
    };
    let x = Scale::linear([0.0, injections as f64 + 1.0], [64.0, f64::from(WIDTH) - 14.0]);
    let y = Scale::linear([0.0, top], [184.0, 36.0]);
    let mut body = String::new();
    let mut panel = Panel { out: &mut body, x, y };
    if mean.is_some() {
        panel.band(limits_pct[0], limits_pct[1]);
        panel.level(100.0, false);
        panel.level(limits_pct[0], true);
        panel.level(limits_pct[1], true);
    }
    panel.axes(8, 4, true);
    panel.x_title("Order in the run");
    panel.y_title(
        if mean.is_some() {
            "Area (% of mean)"
        } else {
            "Area (counts·s)"
        },
        15.0,
    );
    let stepped = of
        .reasons
        .iter()
        .any(|reason| reason.code == ReasonCode::InternalStandardStep);
    if let Some(step) = of.step.filter(|_| stepped) {
        panel.upright(f64::from(step.first_order) - 0.5);
        if let Some(across) = panel.x.at(f64::from(step.first_order) - 0.5) {
            let text = format!("step {}", SignedPercent(step.step_pct).render().into_string());
            // Beside the line, on the side with more room.
            let (anchor, aside) = if across < 400.0 {
                ("start", 6.0)
            } else {
                ("end", -6.0)
            };
            panel.text(across + aside, 178.0, anchor, "at", &text);
        }
    }
    // In a long run smaller marks keep their shapes apart.
    let r = if series.len() > 200 { 2.0 } else { 3.2 };
    let mut at = 64.0;
    for (word, shape, paint, roles) in GROUPS {
        let points: Vec<(f64, f64)> = series
            .iter()
            .filter(|point| roles.contains(&point.role))
            .filter_map(|point| Some((f64::from(point.order), height_of(point)?)))
            .collect();
        if points.is_empty() {
            continue;
        }
        // Blanks may rightly hold no internal standard: only what must hold it can be out of bounds.
        let judged = shape != Shape::Tick && mean.is_some();
        let outside = |height: f64| judged && !(limits_pct[0]..=limits_pct[1]).contains(&height);
        let (bad, good): (Vec<_>, Vec<_>) = points.iter().copied().partition(|(_, height)| outside(*height));
        panel.marks(good.into_iter(), shape, r, paint);
        panel.marks(bad.into_iter(), shape, 4.2, BAD);
        at = panel.legend(at, 18.0, shape, 3.6, paint, word);
    }
    Some(Figure {
        width: WIDTH,
        height: HEIGHT,
        description: format!(
            "Area of internal standard {} along the run, {} injections, one shape a role.",
            of.name,
            series.len()
        ),
        body,
    })
}
