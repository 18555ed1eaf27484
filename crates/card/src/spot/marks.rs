//! Traces of an earlier extraction: a clamp's ring, a bleached disc, a punched hole.

use super::blob::components;
use super::field::Field;
use super::grid::Grid;
use super::zone::Zone;

/// A circle of edges inside a spot.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Ring {
    /// Share of the circle that shows as an edge (0 to 1).
    pub(crate) share: f64,
    /// Its centre in window cells.
    pub(crate) centre: [f64; 2],
    /// Its radius (mm).
    pub(crate) radius_mm: f64,
}

/// Smallest and largest radius looked for (mm): heads of 3 to 8 mm.
const RADII_MM: [f64; 2] = [1.5, 4.2];
const SECTORS: usize = 24;
const BIN_MM: f64 = 0.17;

/// The circle of edges that is most complete: each centre on a half-millimetre lattice gathers, by distance, the
/// directions in which an edge lies.
pub(crate) fn ring(zone: &Zone) -> Ring {
    let near = zone.density.as_slice();
    let middle = libm::round(0.33 / zone.cell_mm).max(1.0) as usize;
    let mut edges: Vec<[f32; 2]> = Vec::new();
    for (k, &density) in near.iter().enumerate() {
        if !zone.inside[k] || zone.depth[k] < 0.45 {
            continue;
        }
        let reference = 0.5 * (zone.mean_around(k, 3) + zone.mean_around(k, middle));
        if (density - reference).abs() > 0.08 * reference.max(0.2) + 2.0 * zone.noise {
            edges.push([(k % zone.width) as f32, (k / zone.width) as f32]);
        }
    }
    if edges.len() < 20 {
        return Ring::default();
    }
    // Noise spread evenly over the inside fills sectors by chance: more edges than this are texture, not a ring.
    let stride = edges.len().div_ceil(500);
    let edges: Vec<[f32; 2]> = edges.into_iter().step_by(stride).collect();
    let per_mm = 1.0 / zone.cell_mm;
    let step = (0.5 * per_mm).max(1.0);
    let bins = ((RADII_MM[1] + 2.0 * BIN_MM) / BIN_MM) as usize + 2;
    let mut best = Ring::default();
    let density = edges.len() as f64 * stride as f64 / zone.cells.max(1) as f64;
    let mut y = step;
    while y < zone.height as f64 {
        let mut x = step;
        while x < zone.width as f64 {
            let k = y as usize * zone.width + x as usize;
            if f64::from(zone.depth[k]) > RADII_MM[0] * 0.6 {
                let candidate = at(&edges, [x, y], zone.cell_mm, bins);
                if candidate.share > best.share {
                    best = candidate;
                }
            }
            x += step;
        }
        y += step;
    }
    // Chance alone fills a sector of a two-bin band with this probability.
    let cells_in_sector =
        core::f64::consts::TAU * best.radius_mm / SECTORS as f64 * 2.0 * BIN_MM * per_mm * per_mm;
    let chance = 1.0 - libm::pow(1.0 - density.min(0.95), cells_in_sector.max(1.0));
    best.share = ((best.share - chance) / (1.0 - chance).max(0.05)).max(0.0);
    best
}

fn at(edges: &[[f32; 2]], centre: [f64; 2], cell_mm: f64, bins: usize) -> Ring {
    let mut seen = vec![0_u32; bins];
    for edge in edges {
        let (dx, dy) = (f64::from(edge[0]) - centre[0], f64::from(edge[1]) - centre[1]);
        let bin = ((dx * dx + dy * dy).sqrt() * cell_mm / BIN_MM) as usize;
        if bin < bins {
            seen[bin] |= 1 << sector(dx, dy);
        }
    }
    let mut best = Ring {
        centre,
        ..Ring::default()
    };
    for bin in (RADII_MM[0] / BIN_MM) as usize..bins - 1 {
        let share = f64::from((seen[bin] | seen[bin + 1]).count_ones()) / SECTORS as f64;
        if share > best.share {
            best.share = share;
            best.radius_mm = (bin as f64 + 1.0) * BIN_MM;
        }
    }
    best
}

/// One of 24 directions, without an arctangent.
fn sector(dx: f64, dy: f64) -> u32 {
    let (ax, ay) = (dx.abs(), dy.abs());
    // Within a quadrant: tangents of 15, 30, 45, 60 and 75 degrees.
    let part = [0.267_949, 0.577_350, 1.0, 1.732_051, 3.732_051]
        .iter()
        .filter(|t| ay > **t * ax)
        .count() as u32;
    match (dx >= 0.0, dy >= 0.0) {
        (true, true) => part,
        (false, true) => 11 - part,
        (false, false) => 12 + part,
        (true, false) => 23 - part,
    }
}

/// Area inside the outline that is no blood (mm²), 0.3 mm away from the outline: compact places as light as paper by more
/// than half the edge's step and 1.2 mm wide, or as black and colourless as what lies behind a hole and 2.2 mm wide.
pub(crate) fn hole_area_mm2(zone: &Zone, grid: &Grid, field: &Field, core: f32) -> f64 {
    let (w, h) = (zone.width, zone.height);
    let level = 0.5 * (1.0 + core);
    let red_core = libm::exp10(-zone.core[0]) as f32;
    let mut light = vec![false; w * h];
    let mut black = vec![false; w * h];
    for k in 0..w * h {
        if !zone.inside[k] || zone.depth[k] < 0.3 {
            continue;
        }
        let at = (zone.at[1] + k / w) * grid.width + zone.at[0] + k % w;
        light[k] = field.mix[at] > level;
        black[k] = red_core > 0.1 && grid.red[at] < 0.3 * red_core && zone.browning[k] > 0.85;
    }
    compact_area(&light, zone, 1.2) + compact_area(&black, zone, 2.2)
}

/// Area of the regions at least `narrowest_mm` wide both ways that fill most of their frame (mm²).
fn compact_area(mask: &[bool], zone: &Zone, narrowest_mm: f64) -> f64 {
    let cell = zone.cell_mm;
    components(mask, zone.width, zone.height)
        .iter()
        .map(|part| {
            let mut frame = [usize::MAX, usize::MAX, 0, 0];
            for &k in part {
                let (x, y) = (k as usize % zone.width, k as usize / zone.width);
                frame = [frame[0].min(x), frame[1].min(y), frame[2].max(x), frame[3].max(y)];
            }
            let (wide, high) = (
                (frame[2] - frame[0] + 1) as f64 * cell,
                (frame[3] - frame[1] + 1) as f64 * cell,
            );
            let area = part.len() as f64 * cell * cell;
            if wide.min(high) >= narrowest_mm && area > 0.55 * wide * high {
                area
            } else {
                0.0
            }
        })
        .sum()
}
