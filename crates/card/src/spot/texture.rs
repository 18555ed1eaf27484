//! Islands, reflections and foreign colours.

use super::blob::components;
use super::field::Field;
use super::grid::{BEYOND, BURNT_OUT, Grid};
use super::polygon;
use super::zone::{Zone, log10};
use spotwright_domain::card::PrintedCircle;

/// Share of the inside in dark islands, 0.06 to 5 mm² each (%): density of 3 by 3 cells above the mean of 2.5 mm around
/// by 14 % or more.
pub(crate) fn clot_share_pct(zone: &Zone) -> f64 {
    let (w, h) = (zone.width, zone.height);
    let far = libm::round(1.25 / zone.cell_mm).max(2.0) as usize;
    let mut dark = vec![false; w * h];
    let mut all = 0_usize;
    for (k, dark) in dark.iter_mut().enumerate() {
        if zone.inside[k] && zone.depth[k] > 0.5 {
            all += 1;
            *dark = zone.mean_around(k, 1) > 1.14 * zone.mean_around(k, far);
        }
    }
    let cell = zone.cell_mm * zone.cell_mm;
    let islands: usize = components(&dark, w, h)
        .iter()
        .map(Vec::len)
        .filter(|n| (0.06..5.0).contains(&(*n as f64 * cell)))
        .sum();
    100.0 * islands as f64 / all.max(1) as f64
}

/// Share of the spot with mirror-like reflections (%): burnt out, or light of the lamp's own colour laid over the
/// blood's. Laid-over light lifts green and blue as much as red; thinner blood lifts red far more.
pub(crate) fn gloss_share_pct(zone: &Zone, grid: &Grid, field: &Field, core_browning: f32) -> f64 {
    let mut glossy = 0_usize;
    let core = zone.core.map(|d| libm::exp10(-d) as f32);
    for k in 0..zone.depth.len() {
        if zone.depth[k] < 0.25 || zone.printed[k] {
            continue;
        }
        let (column, row) = (zone.at[0] + k % zone.width, zone.at[1] + k / zone.width);
        let at = row * grid.width + column;
        if grid.mark[at] & BURNT_OUT != 0 {
            glossy += 1;
            continue;
        }
        let paper = (field.paper[0] + field.paper[1] * column as f32 + field.paper[2] * row as f32).max(0.05);
        let lifted = [
            grid.red[at] / paper - core[0],
            grid.green[at] / paper - core[1],
            grid.blue[at] / paper - core[2],
        ];
        let least = lifted[1].min(lifted[2]);
        if least > 0.08 && lifted[0] < 1.35 * least + 0.03 && zone.browning[k] > 1.12 * core_browning {
            glossy += 1;
        }
    }
    100.0 * glossy as f64 / zone.cells.max(1) as f64
}

/// Area of stain in and round the spot whose colour is not blood's, of the spot's area (%).
///
/// Blood never absorbs red as it absorbs green. What takes more red than green (blue and green ink, ballpoint), what
/// adds red density without green (black ink over blood), and a strong yellow without green (iodine, syrup) is foreign.
pub(crate) fn foreign_share_pct(
    zone: &Zone,
    grid: &Grid,
    field: &Field,
    within: &[bool],
    core_browning: f32,
    circle: Option<&PrintedCircle>,
) -> f64 {
    let (mut foreign, mut own) = (0_usize, 0_usize);
    let reach = libm::round(1.0 * grid.cells_per_mm) as usize;
    let added_below = libm::exp10(-(1.25 * zone.core[0] + 0.05)) as f32;
    let columns = zone.at[0].saturating_sub(reach)..(zone.at[0] + zone.width + reach).min(grid.width);
    for row in zone.at[1].saturating_sub(reach)..(zone.at[1] + zone.height + reach).min(grid.height) {
        for column in columns.clone() {
            let at = row * grid.width + column;
            if field.print[at]
                || !within[at]
                || on_line(grid, circle, column, row)
                || grid.mark[at] & (BURNT_OUT | BEYOND) != 0
            {
                continue;
            }
            let k = (column >= zone.at[0] && row >= zone.at[1])
                .then(|| (column - zone.at[0], row - zone.at[1]))
                .filter(|(x, y)| *x < zone.width && *y < zone.height)
                .map(|(x, y)| y * zone.width + x);
            let depth = k.map_or(0.0, |k| zone.depth[k]);
            if depth > 0.0 {
                own += 1;
            }
            let paper =
                (field.paper[0] + field.paper[1] * column as f32 + field.paper[2] * row as f32).max(0.05);
            let light = [grid.red[at], grid.green[at], grid.blue[at]].map(|v| (v / paper).max(0.004));
            // What cannot be foreign by plain comparison needs no logarithm: nearly all of a good spot.
            let maybe_red = light[0] < light[1];
            let maybe_added = depth > 0.3 && light[0] < added_below;
            let maybe_yellow = light[2] < 0.45 && light[1] > 1.3 * light[2];
            if !(maybe_red || maybe_added || maybe_yellow) || light[0].min(light[1]).min(light[2]) > 0.8 {
                continue;
            }
            let density = light.map(|v| -log10(v));
            let red_over_green = density[0] > 1.05 * density[1] + 0.04;
            let added_red = maybe_added && density[0] > (core_browning + 0.18) * density[1];
            let yellow = density[2] > 0.35 && density[1] < 0.45 * density[2];
            if red_over_green || added_red || yellow {
                foreign += 1;
            }
        }
    }
    100.0 * foreign as f64 / own.max(1) as f64
}

/// Whether the printed circle's line may run there.
fn on_line(grid: &Grid, circle: Option<&PrintedCircle>, column: usize, row: usize) -> bool {
    circle.is_some_and(|circle| {
        let place = grid.mm(column as f64, row as f64);
        (polygon::distance(place, circle.centre_mm) - circle.diameter_mm / 2.0).abs() < 0.45
    })
}

/// Scatter of density from cell to cell against the mean of 1 mm around, below the rim, the photograph's noise taken off
/// (%): paper fibre gives 2 to 5, blood that stayed on the surface more.
pub(crate) fn grain_pct(zone: &Zone) -> f64 {
    let around = libm::round(0.5 / zone.cell_mm).max(1.0) as usize;
    let (mut squares, mut n) = (0.0_f64, 0.0_f64);
    for k in 0..zone.depth.len() {
        if zone.inside[k] && zone.depth[k] > 0.6 {
            let apart = f64::from(zone.density[k] / zone.mean_around(k, around).max(0.05) - 1.0);
            // Single marks are told by other measures.
            squares += (apart * apart).min(0.09);
            n += 1.0;
        }
    }
    if n < 20.0 {
        return 0.0;
    }
    100.0 * (squares / n - f64::from(zone.noise * zone.noise)).max(0.0).sqrt()
}
