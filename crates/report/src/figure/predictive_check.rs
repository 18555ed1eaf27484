//! The visual predictive check: observed levels and their percentiles over the intervals simulated studies give, and beneath it the share
//! below the limit of quantification.

use super::Figure;
use super::axis::Scale;
use super::calibration::span;
use super::mark::Shape;
use super::panel::{BAD, INK, Panel, QUIET};
use spotwright_domain::plot::{PredictiveCheckBin, PredictiveCheckPlot};

const WIDTH: u32 = 640;
/// Height of the levels' panel with its axis title, and of the share's.
const LEVELS_BOTTOM: f64 = 330.0;
const SHARE_HEIGHT: f64 = 130.0;
const LEFT: f64 = 66.0;
const RIGHT: f64 = 626.0;
/// Range of levels above which equal ratios deserve equal room.
const LOGARITHMIC_ABOVE: f64 = 25.0;

/// Draws the check. `None` when it has no bin or no level.
#[must_use]
pub fn predictive_check(of: &PredictiveCheckPlot) -> Option<Figure> {
    let bins: Vec<&PredictiveCheckBin> = of.bins.iter().filter(|bin| bin.middle_h.is_finite()).collect();
    let (first, last) = (bins.first()?, bins.last()?);
    let times = of
        .points
        .iter()
        .map(|point| point[0])
        .chain([first.from_h, last.to_h]);
    let (x_low, x_high) = span(times)?;
    let checks = || bins.iter().flat_map(|bin| &bin.percentiles);
    let drawn = checks().flat_map(|check| check.simulated.into_iter().flatten().chain(check.observed));
    let levels = of
        .points
        .iter()
        .map(|point| point[1])
        .chain(drawn)
        .chain(of.lower_limit);
    let (_, y_high) = span(levels.clone())?;
    let (positive_low, _) = span(levels.filter(|level| *level > 0.0)).unwrap_or((1.0, 1.0));
    let has_share = bins.iter().any(|bin| bin.below_limit.is_some());
    let x = Scale::linear([x_low.min(0.0), x_high], [LEFT, RIGHT]);
    let drawing = [LEVELS_BOTTOM, 58.0];
    let logarithmic = (y_high > LOGARITHMIC_ABOVE * positive_low)
        .then(|| Scale::logarithmic([positive_low.max(1e-3 * y_high) / 1.15, y_high * 1.15], drawing))
        .flatten();
    let y = logarithmic.unwrap_or_else(|| Scale::linear([0.0, 1.06 * y_high], drawing));
    let mut body = String::new();
    let mut panel = Panel { out: &mut body, x, y };
    for index in 0..3 {
        draw_interval(&mut panel, &bins, index, of.lower_limit);
    }
    if let Some(limit) = of.lower_limit {
        panel.level(limit, true);
    }
    panel.axes(8, 5, !has_share);
    panel.marks(
        of.points
            .iter()
            .filter(|point| y.holds(point[1]))
            .map(|point| (point[0], point[1])),
        Shape::Circle,
        if of.points.len() > 300 { 1.5 } else { 2.0 },
        QUIET,
    );
    for index in 0..3 {
        draw_observed(&mut panel, &bins, index);
    }
    let title = if of.prediction_corrected {
        "Corrected level"
    } else {
        "Level"
    };
    panel.y_title(&format!("{title} ({})", of.unit), 15.0);
    legend(&mut panel, of);
    let time_title = format!("Time since {} (h)", of.time_since);
    let mut height = LEVELS_BOTTOM + 46.0;
    if has_share {
        draw_share(&mut body, &bins, x);
        let mut panel = Panel {
            out: &mut body,
            x,
            y: share_scale(),
        };
        panel.x_title(&time_title);
        height += SHARE_HEIGHT;
    } else {
        panel.x_title(&time_title);
    }
    let outside = checks().filter(|check| check.is_outside()).count();
    let compared = checks().filter(|check| check.observed.is_some()).count();
    Some(Figure {
        width: WIDTH,
        height: height as u32,
        description: format!(
            "Visual predictive check: {} levels in {}, {} simulated studies; {outside} of {compared} observed percentiles lie outside \
             their {} % intervals{}.",
            bins.iter().map(|bin| bin.levels).sum::<u32>(),
            of.binning,
            of.simulated_studies,
            of.interval_pct,
            if logarithmic.is_some() {
                "; logarithmic axis of levels"
            } else {
                ""
            }
        ),
        body,
    })
}

/// The band of one percentile over the bins. What lies below the limit stands at the limit, or at the panel's lower edge.
fn draw_interval(panel: &mut Panel<'_>, bins: &[&PredictiveCheckBin], index: usize, limit: Option<f64>) {
    let edge = limit.unwrap_or(panel.y.data()[0]);
    let points: Vec<(f64, [Option<f64>; 3])> = bins
        .iter()
        .map(|bin| (bin.middle_h, bin.percentiles[index].simulated))
        .collect();
    // Where even the upper end lies below the limit there is nothing to draw.
    for run in points.split(|(_, simulated)| simulated[2].is_none()) {
        panel.area(
            run.iter()
                .map(|(x, simulated)| (*x, simulated[0].unwrap_or(edge), simulated[2].unwrap_or(edge))),
        );
    }
    for run in points.split(|(_, simulated)| simulated[1].is_none()) {
        let median = run.iter().filter_map(|(x, simulated)| Some((*x, simulated[1]?)));
        panel.dashed_curve(median, QUIET);
    }
}

/// One observed percentile: a line with marks, crosses where it lies outside its interval.
fn draw_observed(panel: &mut Panel<'_>, bins: &[&PredictiveCheckBin], index: usize) {
    let shape = SHAPES[index];
    for run in bins.split(|bin| bin.percentiles[index].observed.is_none()) {
        panel.curve(
            run.iter()
                .filter_map(|bin| Some((bin.middle_h, bin.percentiles[index].observed?))),
            INK,
        );
    }
    let marks = |outside: bool| -> Vec<(f64, f64)> {
        bins.iter()
            .filter(|bin| bin.percentiles[index].is_outside() == outside)
            .filter_map(|bin| Some((bin.middle_h, bin.percentiles[index].observed?)))
            .collect()
    };
    panel.marks(marks(false).into_iter(), shape, 4.0, INK);
    panel.marks(marks(true).into_iter(), Shape::Cross, 5.5, BAD);
}

const SHAPES: [Shape; 3] = [Shape::TriangleDown, Shape::Square, Shape::Triangle];

fn legend(panel: &mut Panel<'_>, of: &PredictiveCheckPlot) {
    let mut at = LEFT;
    for (shape, percent) in SHAPES.into_iter().zip([5, 50, 95]) {
        at = panel.legend(
            at,
            16.0,
            shape,
            4.0,
            INK,
            &format!("{percent}th percentile observed"),
        );
    }
    let mut at = panel.legend(LEFT, 34.0, Shape::Circle, 2.2, QUIET, "levels");
    at = panel.legend(
        at,
        34.0,
        Shape::Cross,
        4.5,
        BAD,
        "percentile outside its interval",
    );
    let shaded = format!(
        "shaded: {} % of {} simulated studies",
        of.interval_pct, of.simulated_studies
    );
    panel.text(at, 34.0, "start", "", &shaded);
    panel.text(RIGHT, 50.0, "end", "", &of.binning);
}

fn share_scale() -> Scale {
    let top = LEVELS_BOTTOM + 24.0;
    Scale::linear([0.0, 100.0], [top + SHARE_HEIGHT - 24.0, top])
}

fn draw_share(body: &mut String, bins: &[&PredictiveCheckBin], x: Scale) {
    let mut panel = Panel {
        out: body,
        x,
        y: share_scale(),
    };
    let shares = || {
        bins.iter()
            .filter_map(|bin| Some((bin.middle_h, bin.below_limit?)))
    };
    panel.area(shares().map(|(x, share)| (x, share.simulated_pct[0], share.simulated_pct[2])));
    panel.dashed_curve(shares().map(|(x, share)| (x, share.simulated_pct[1])), QUIET);
    panel.axes(8, 2, true);
    panel.curve(shares().map(|(x, share)| (x, share.observed_pct)), INK);
    panel.marks(
        shares().map(|(x, share)| (x, share.observed_pct)),
        Shape::Diamond,
        4.0,
        INK,
    );
    panel.y_title("Below limit (%)", 15.0);
}
