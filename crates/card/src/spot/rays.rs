//! What lies across the outline: the edge's width, stain outside it (halo, tail), read along rays at right angles to it.

use super::field::Field;
use super::grid::Grid;

/// Rays round the outline.
const RAYS: usize = 96;
/// How far out is looked (mm).
const REACH_MM: f64 = 4.0;
const STEP_MM: f64 = 0.1;
/// Neighbouring rays a tail must cover: about a twentieth of the outline, 1.5 mm of a spot of 10 mm.
const TAIL_RAYS: usize = 5;
/// How far inwards (mm).
const INWARDS_MM: f64 = 1.2;

/// Edge and surroundings of a spot.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Edge {
    /// From 75 % to 25 % of the step (mm).
    pub(crate) width_mm: f64,
    /// Mean width of stain outside (mm).
    pub(crate) halo_width_mm: f64,
    /// Share of rays with a halo.
    pub(crate) halo_share: f64,
    /// Farthest stain (mm), over neighbouring rays.
    pub(crate) tail_mm: f64,
}

/// Reads the edge of an outline given in cells, turning from x to y (so that outwards is to the right of its course).
/// `other`: cells that belong to something else.
pub(crate) fn edge(
    grid: &Grid,
    field: &Field,
    outline: &[[f64; 2]],
    core: f32,
    blur_mm: f64,
    other: &[bool],
) -> Edge {
    let cells_per_mm = grid.cells_per_mm;
    let inwards = libm::round(INWARDS_MM / STEP_MM) as usize;
    let samples = inwards + libm::round(REACH_MM / STEP_MM) as usize + 1;
    let mut sum = vec![0.0_f64; samples];
    let mut count = vec![0_u32; samples];
    let mut extents = Vec::with_capacity(RAYS);
    let threshold = f64::from((0.06_f32).max(4.0 * field.noise).max(0.06 * (1.0 - core)));
    let n = outline.len();
    let rays = RAYS.min(n);
    let span = (n / rays).max(3);
    for ray in 0..rays {
        let at = ray * n / rays;
        let (before, after) = (outline[(at + n - span) % n], outline[(at + span) % n]);
        let (tx, ty) = (after[0] - before[0], after[1] - before[1]);
        let length = (tx * tx + ty * ty).sqrt();
        if length <= 0.0 {
            continue;
        }
        let (nx, ny) = (ty / length, -tx / length);
        let origin = outline[at];
        let mut extent = 0.0;
        let mut stained = true;
        let mut clean = 0;
        for (index, (sum, count)) in sum.iter_mut().zip(&mut count).enumerate() {
            let away = (index as f64 - inwards as f64) * STEP_MM;
            let (x, y) = (
                origin[0] + nx * away * cells_per_mm,
                origin[1] + ny * away * cells_per_mm,
            );
            let Some(value) = between(grid, field, x, y) else {
                break;
            };
            let cell = (libm::round(y) as usize).min(grid.height - 1) * grid.width
                + (libm::round(x) as usize).min(grid.width - 1);
            if other[cell] {
                break;
            }
            *sum += f64::from(value);
            *count += 1;
            if away > 0.0 && stained {
                let loss = f64::from(1.0 - value);
                if loss > threshold {
                    extent = away;
                    clean = 0;
                } else {
                    clean += 1;
                    stained = clean < 3;
                }
            }
        }
        extents.push(extent);
    }
    let profile: Vec<f64> = sum
        .iter()
        .zip(&count)
        .map(|(s, c)| if *c == 0 { 1.0 } else { s / f64::from(*c) })
        .collect();
    // What blur alone spreads: the photograph's, the cell's and the interpolation's.
    let cell = 1.0 / cells_per_mm;
    let blur = (blur_mm * blur_mm + 0.25 * cell * cell).sqrt();
    let raw_width = quarter_width(&profile, inwards, f64::from(core));
    let blur_width = 1.349 * blur;
    let width_mm = (raw_width * raw_width - blur_width * blur_width).max(0.0).sqrt();
    // A blurred straight edge falls below `threshold` of paper at this many blur widths.
    let share = (threshold / f64::from(1.0 - core).max(0.05)).clamp(1e-3, 0.49);
    let spread =
        blur * spotwright_numerics::special::normal_quantile(1.0 - share).unwrap_or(0.0) + 0.5 * STEP_MM;
    let rays = extents.len().max(1);
    let beyond: Vec<f64> = extents.iter().map(|e: &f64| (e - spread).max(0.0)).collect();
    // A tail is as wide as a drop's part; a printed line or a stroke that meets the spot is not.
    let n = beyond.len();
    let tail_mm = (0..n)
        .map(|k| {
            (0..TAIL_RAYS)
                .map(|j| beyond[(k + j) % n])
                .fold(f64::INFINITY, f64::min)
        })
        .filter(|tail| tail.is_finite())
        .fold(0.0, f64::max);
    Edge {
        width_mm,
        halo_width_mm: beyond.iter().sum::<f64>() / rays as f64,
        halo_share: beyond.iter().filter(|e| **e > 0.35).count() as f64 / rays as f64,
        tail_mm,
    }
}

/// Distance between the places where the profile crosses a quarter and three quarters of its step.
fn quarter_width(profile: &[f64], middle: usize, core: f64) -> f64 {
    let level = |share: f64| core + share * (1.0 - core);
    let mut inner = None;
    for index in (0..=middle).rev() {
        if profile[index] <= level(0.25) {
            let next = profile[index + 1];
            let t = if next > profile[index] {
                (level(0.25) - profile[index]) / (next - profile[index])
            } else {
                0.0
            };
            inner = Some(index as f64 + t.clamp(0.0, 1.0));
            break;
        }
    }
    let mut outer = None;
    for index in middle..profile.len() {
        if profile[index] >= level(0.75) {
            let before = profile[index.saturating_sub(1)];
            let t = if profile[index] > before {
                (level(0.75) - before) / (profile[index] - before)
            } else {
                1.0
            };
            outer = Some(index as f64 - 1.0 + t.clamp(0.0, 1.0));
            break;
        }
    }
    let inner = inner.unwrap_or(0.0);
    let outer = outer.unwrap_or((profile.len() - 1) as f64);
    ((outer - inner) * STEP_MM).max(0.0)
}

/// Mix between cells; `None` beyond the grid.
fn between(grid: &Grid, field: &Field, x: f64, y: f64) -> Option<f32> {
    if x < 0.0 || y < 0.0 || x > (grid.width - 1) as f64 || y > (grid.height - 1) as f64 {
        return None;
    }
    let (x0, y0) = (x as usize, y as usize);
    let (x1, y1) = ((x0 + 1).min(grid.width - 1), (y0 + 1).min(grid.height - 1));
    let (a, b) = ((x - x0 as f64) as f32, (y - y0 as f64) as f32);
    let (top, bottom) = (y0 * grid.width, y1 * grid.width);
    let m = &field.mix;
    Some(
        (m[top + x0] * (1.0 - a) + m[top + x1] * a) * (1.0 - b)
            + (m[bottom + x0] * (1.0 - a) + m[bottom + x1] * a) * b,
    )
}
