//! One blob to its measures.

use super::blob::{Blob, dilate};
use super::field::Field;
use super::grid::{BEYOND, Grid};
use super::outline::Surface;
use super::zone::Zone;
use super::{lines, lobes, marks, polygon, radial, rays, softness, texture};
use crate::patch::Patch;
use core::f64::consts::PI;
use spotwright_domain::card::{PrintedCircle, SpotMeasures};

/// Least and greatest standard deviation to which an outline is smoothed before its length, hull and bays are taken (mm).
/// Between them: twice the outline's own noise, which would make it longer.
const SMOOTHING_MM: [f64; 2] = [0.04, 0.15];

/// Measures of a spot and what judging needs besides.
pub(crate) struct Evidence {
    pub(crate) measures: SpotMeasures,
    /// Outline in millimetres.
    pub(crate) outline_mm: Vec<[f64; 2]>,
    pub(crate) zone: Zone,
    /// Share of the outline along card's, photograph's or patch's edge.
    pub(crate) cut_share: f64,
    /// Standard uncertainty of the outline's place (mm).
    pub(crate) u_edge_mm: f64,
    /// Centres of droplets (mm).
    pub(crate) satellites_mm: Vec<[f64; 2]>,
    /// Second drops beside the spot, too large for satellites.
    pub(crate) companions: u32,
    /// Scatter of density from cell to cell (%).
    pub(crate) grain_pct: f64,
    /// Circle of edges, in window cells of the zone.
    pub(crate) ring: marks::Ring,
}

/// What the blob's surroundings hold.
pub(crate) struct Surroundings<'a> {
    /// Cells of other spots.
    pub(crate) others: &'a [bool],
    /// Cells this spot may lie in.
    pub(crate) own_side: Option<&'a [bool]>,
    pub(crate) satellites: &'a [Blob],
    pub(crate) companions: u32,
    pub(crate) joined: bool,
    pub(crate) stained: &'a [bool],
}

pub(crate) fn measure(
    patch: &Patch,
    grid: &Grid,
    field: &Field,
    blob: &Blob,
    circle: Option<&PrintedCircle>,
    around: &Surroundings<'_>,
) -> Option<Evidence> {
    let mut own = vec![false; grid.width * grid.height];
    for &at in &blob.cells {
        own[at as usize] = true;
    }
    let reach = libm::round(0.6 * grid.cells_per_mm) as usize + 1;
    let mut near = dilate(&own, grid.width, grid.height, reach);
    for (at, near) in near.iter_mut().enumerate() {
        if (around.others[at] && !own[at]) || around.own_side.is_some_and(|side| !side[at]) {
            *near = false;
        }
    }
    let surface = Surface {
        patch,
        grid,
        field,
        near: &near,
        step: Surface::step_for(patch),
    };
    let outline_px = surface.outline(blob);
    if outline_px.len() < 8 {
        return None;
    }
    let half_light_mm: Vec<[f64; 2]> = outline_px.iter().map(|p| patch.to_mm(p[0], p[1])).collect();
    let half_light: Vec<[f64; 2]> = half_light_mm.iter().map(|p| grid.cell(*p)).collect();
    let shift_mm = softness::outward_shift_mm(grid, field, &half_light, around.others);
    let outline_mm = softness::moved_inwards(&half_light_mm, shift_mm);
    let outline_cells: Vec<[f64; 2]> = outline_mm.iter().map(|p| grid.cell(*p)).collect();
    let zone = Zone::of(grid, field, &outline_cells)?;

    let moments = polygon::moments(&outline_mm)?;
    let area_mm2 = moments.area.abs();
    let perimeter_raw = polygon::perimeter(&outline_mm);
    let core = f64::from(blob.core);
    // The outline lies where the mix is half-way; a hundredth of the step of doubt about either level, and the noise of
    // independent points along it, move it.
    let blur = if patch.blur_mm > 0.0 {
        patch.blur_mm
    } else {
        1.0 / patch.pixels_per_mm
    };
    let per_mm = (1.0 - core).max(0.03) / (blur * 2.506_628);
    let along = (perimeter_raw * patch.pixels_per_mm / 3.0).max(1.0);
    let noise = f64::from(field.noise) * grid.factor as f64 / per_mm;
    let points = ((perimeter_raw / 0.06) as usize).clamp(24, 3000);
    let sigma = (2.0 * noise)
        .clamp(SMOOTHING_MM[0], SMOOTHING_MM[1])
        .min(0.02 * area_mm2.sqrt());
    let smooth = polygon::smoothed(&outline_mm, points, sigma);
    // Smoothing by sigma shrinks a circle of radius r by sigma²/2r all round; the length gets it back.
    let perimeter_mm = polygon::perimeter(&smooth) + PI * sigma * sigma / (area_mm2 / PI).sqrt();
    let hull = polygon::hull(&smooth);
    let hull_points: Vec<[f64; 2]> = hull.iter().map(|&k| smooth[k]).collect();
    let smooth_area = polygon::area(&smooth).abs();
    let (inscribed_centre_mm, inscribed_radius) = super::zone::inscribed(&outline_mm, &zone);
    let farthest = smooth
        .iter()
        .map(|p| polygon::distance(*p, inscribed_centre_mm))
        .fold(0.0, f64::max);
    let (major, minor, orientation_rad) = axes(&moments);

    let diameter = 2.0 * (area_mm2 / PI).sqrt();
    let level_doubt = 0.01_f64.max(f64::from(field.noise)) / per_mm;
    let u_edge_mm = (level_doubt * level_doubt + noise * noise / along + 0.01 * 0.01).sqrt();
    let u_area = perimeter_mm * u_edge_mm;
    let u_centre_mm = (noise * noise / along * 2.0 + 0.01 * 0.01).sqrt();

    // Rays stop at other spots and at droplets.
    let mut beside = around.others.to_vec();
    for &at in around.satellites.iter().flat_map(|s| &s.cells) {
        beside[at as usize] = true;
    }
    if !around.satellites.is_empty() {
        beside = dilate(&beside, grid.width, grid.height, 2);
    }
    let edge = rays::edge(grid, field, &half_light, blob.core, patch.blur_mm, &beside);
    let radial = radial::radial(&zone);
    let centre_cell = window_cell(grid, &zone, inscribed_centre_mm);
    let steps = lines::steps(&zone);
    let scratches = lines::scratches(&zone);
    let core_browning = (zone.core[0] / zone.core[1].max(0.05)) as f32;
    let ring = marks::ring(&zone);
    let (filled, outside, offset) = circle.map_or((None, None, None), |circle| {
        let radius = circle.diameter_mm / 2.0;
        let shared = polygon::shared_with_disc(&outline_mm, circle.centre_mm, radius);
        (
            Some((shared / (PI * radius * radius)).clamp(0.0, 1.0)),
            Some((1.0 - shared / area_mm2).clamp(0.0, 1.0)),
            Some(polygon::distance(moments.centre, circle.centre_mm)),
        )
    });
    let cell_area = 1.0 / (grid.cells_per_mm * grid.cells_per_mm);
    let measures = SpotMeasures {
        centre_mm: moments.centre,
        u_centre_mm,
        area_mm2,
        u_area_mm2: u_area,
        equivalent_diameter_mm: diameter,
        u_equivalent_diameter_mm: u_area / (PI * diameter / 2.0),
        perimeter_mm,
        circularity: (4.0 * PI * area_mm2 / (perimeter_mm * perimeter_mm)).min(1.0),
        solidity: (smooth_area / polygon::area(&hull_points).abs().max(1e-9)).min(1.0),
        eccentricity: (1.0 - minor * minor / (major * major)).max(0.0).sqrt(),
        aspect: minor / major,
        orientation_rad,
        inscribed_centre_mm,
        inscribed_diameter_mm: 2.0 * inscribed_radius,
        extension: farthest / inscribed_radius.max(1e-9),
        lobes: lobes::lobes(&zone),
        bay_depth_mm: polygon::deepest_bay(&smooth, &hull),
        filled_fraction: filled,
        outside_fraction: outside,
        offset_mm: offset,
        density: zone.core,
        browning: f64::from(core_browning),
        inner_cv_pct: radial::scatter_pct(&zone, centre_cell, 0.6 * inscribed_radius),
        radial_step_pct: radial.step_pct,
        edge_excess_pct: radial.edge_excess_pct,
        radial_profile: radial.profile,
        edge_width_mm: edge.width_mm,
        halo_width_mm: edge.halo_width_mm,
        halo_share: edge.halo_share,
        tail_mm: edge.tail_mm,
        gradient_pct: radial::gradient_pct(&zone, diameter),
        layer_step_pct: steps.strongest_pct,
        layer_length_mm: steps.length_mm,
        scratch_depth_pct: scratches.strongest_pct,
        scratch_length_mm: scratches.length_mm,
        clot_share_pct: texture::clot_share_pct(&zone),
        gloss_share_pct: texture::gloss_share_pct(&zone, grid, field, core_browning),
        foreign_share_pct: texture::foreign_share_pct(
            &zone,
            grid,
            field,
            around.stained,
            core_browning,
            circle,
        ),
        ring_share: ring.share,
        hole_area_mm2: marks::hole_area_mm2(&zone, grid, field, blob.core),
        satellites: around.satellites.len() as u32,
        satellite_area_mm2: around
            .satellites
            .iter()
            .map(|s| s.cells.len() as f64 * cell_area)
            .sum(),
        neighbour_gap_mm: gap(grid, &zone, &outline_mm, around),
        unreadable_share_pct: 100.0 * zone.unreadable as f64 / zone.cells as f64,
    };
    Some(Evidence {
        measures,
        cut_share: cut_share(patch, grid, &outline_px, &outline_cells),
        outline_mm,
        grain_pct: texture::grain_pct(&zone),
        zone,
        u_edge_mm,
        satellites_mm: around
            .satellites
            .iter()
            .map(|s| grid.mm(s.centre[0], s.centre[1]))
            .collect(),
        companions: around.companions,
        ring,
    })
}

/// Window cell of a place (mm).
pub(crate) fn window_cell(grid: &Grid, zone: &Zone, place_mm: [f64; 2]) -> [f64; 2] {
    let cell = grid.cell(place_mm);
    [cell[0] - zone.at[0] as f64, cell[1] - zone.at[1] as f64]
}

/// Major and minor axis (any common unit) and direction of the ellipse with these moments.
fn axes(m: &polygon::Moments) -> (f64, f64, f64) {
    let (mean, half) = ((m.xx + m.yy) / 2.0, (m.xx - m.yy) / 2.0);
    let root = (half * half + m.xy * m.xy).sqrt();
    let major = (mean + root).max(1e-12).sqrt();
    let minor = (mean - root).max(1e-12).sqrt();
    (major, minor, 0.5 * libm::atan2(2.0 * m.xy, m.xx - m.yy))
}

/// Share of the outline's points beside the end of patch, photograph or card.
fn cut_share(patch: &Patch, grid: &Grid, px: &[[f64; 2]], cells: &[[f64; 2]]) -> f64 {
    let (w, h) = ((patch.width - 1) as f64, (patch.height - 1) as f64);
    let cut = px
        .iter()
        .zip(cells)
        .filter(|(p, c)| {
            if p[0] < 2.0 || p[1] < 2.0 || p[0] > w - 2.0 || p[1] > h - 2.0 {
                return true;
            }
            let (x, y) = (libm::round(c[0]) as usize, libm::round(c[1]) as usize);
            (y.saturating_sub(1)..=(y + 1).min(grid.height - 1)).any(|y| {
                (x.saturating_sub(1)..=(x + 1).min(grid.width - 1))
                    .any(|x| grid.mark[y * grid.width + x] & BEYOND != 0)
            })
        })
        .count();
    cut as f64 / px.len().max(1) as f64
}

/// Free paper to the nearest cell of another spot, up to 3 mm (mm).
fn gap(grid: &Grid, zone: &Zone, outline_mm: &[[f64; 2]], around: &Surroundings<'_>) -> Option<f64> {
    if around.joined {
        return Some(0.0);
    }
    let reach = libm::round(3.0 * grid.cells_per_mm) as usize;
    let stride = (outline_mm.len() / 64).max(1);
    let mut least = f64::INFINITY;
    for row in zone.at[1].saturating_sub(reach)..(zone.at[1] + zone.height + reach).min(grid.height) {
        for column in zone.at[0].saturating_sub(reach)..(zone.at[0] + zone.width + reach).min(grid.width) {
            if (row + column) % 2 == 0 || !around.others[row * grid.width + column] {
                continue;
            }
            let place = grid.mm(column as f64, row as f64);
            for p in outline_mm.iter().step_by(stride) {
                let (dx, dy) = (p[0] - place[0], p[1] - place[1]);
                least = least.min(dx * dx + dy * dy);
            }
        }
    }
    (least < 9.0).then(|| (least.sqrt() - 0.5 / grid.cells_per_mm).max(0.0))
}
