//! How soft the edge of the blood itself is, and how far that carries the half-light outline outwards.
//!
//! A lens blurs light; blood that thins out over the fibres is soft in *density*. Where density has fallen to half, a
//! dark channel still sends back far less than half of the light, so its half-light contour runs further out, and the
//! more so the darker the channel. Green (dark) and red (less dark) therefore disagree about where the edge is in
//! proportion to the softness of the blood, whereas blur leaves both where they are. From their distance follows the
//! softness `s`, and from that the shift of the outline:
//!
//! `x_c = s·z_c`, `Φ(−z_c) = −log10((1 + 10^−D_c)/2) / D_c`, hence `s = (x_green − x_red)/(z_green − z_red)`.
//!
//! The distance is a few hundredths of a millimetre, so it is weighed against what is usual (0.02 ± 0.05 mm, common
//! practice) by Bayes' rule.

use super::field::Field;
use super::grid::{BEYOND, BURNT_OUT, Grid};
use spotwright_numerics::special::normal_quantile;

const RAYS: usize = 128;
const STEP_MM: f64 = 0.08;
const INWARDS: usize = 14;
const SAMPLES: usize = 27;
/// Samples a ray needs: up to 0.16 mm outside, beyond the half-light place of every channel.
const LEAST_SAMPLES: usize = INWARDS + 3;
/// Usual softness and its spread (mm).
const USUAL_MM: [f64; 2] = [0.02, 0.05];

/// Distance the outline lies too far out (mm), for an outline in cells turning from x to y.
pub(crate) fn outward_shift_mm(grid: &Grid, field: &Field, outline: &[[f64; 2]], other: &[bool]) -> f64 {
    let mut sum = [[0.0_f64; 2]; SAMPLES];
    let mut count = [0_u32; SAMPLES];
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
        let mut line = [[0.0_f64; 2]; SAMPLES];
        // A ray that meets print, glare or another spot beyond the edge goes on over paper.
        let mut seen = 0;
        for (index, slot) in line.iter_mut().enumerate() {
            let away = (index as f64 - INWARDS as f64) * STEP_MM * grid.cells_per_mm;
            let place = [outline[at][0] + nx * away, outline[at][1] + ny * away];
            let Some(value) = light(grid, field, place[0], place[1], other) else {
                break;
            };
            *slot = value;
            seen = index + 1;
        }
        let complete = seen >= LEAST_SAMPLES;
        if complete {
            let [level, across, down] = field.paper.map(f64::from);
            let paper = level + across * outline[at][0] + down * outline[at][1];
            line[seen..].fill([paper; 2]);
            for ((sum, count), value) in sum.iter_mut().zip(&mut count).zip(line) {
                sum[0] += value[0];
                sum[1] += value[1];
                *count += 1;
            }
        }
    }
    if count[0] < 16 {
        return shift_of(USUAL_MM[0], 1.4);
    }
    let mean = |channel: usize, index: usize| sum[index][channel] / f64::from(count[index]);
    let (Some(red), Some(green)) = (half_way(|k| mean(0, k)), half_way(|k| mean(1, k))) else {
        return 0.0;
    };
    let (Some(z_red), Some(z_green)) = (z_of(red.density), z_of(green.density)) else {
        return 0.0;
    };
    let lever = z_green - z_red;
    // Without the colour of blood (a grey photograph) nothing is known and nothing is moved.
    if lever < 0.03 {
        return 0.0;
    }
    // What sampling and colour registration leave of the distance (mm).
    let u = 0.006;
    let precision = lever * lever / (u * u);
    let usual = 1.0 / (USUAL_MM[1] * USUAL_MM[1]);
    let softness =
        (lever * (green.place_mm - red.place_mm) / (u * u) + USUAL_MM[0] * usual) / (precision + usual);
    shift_of(softness.clamp(0.0, 0.25), green.density)
}

fn shift_of(softness_mm: f64, density: f64) -> f64 {
    (softness_mm * z_of(density).unwrap_or(0.0)).clamp(0.0, 0.2)
}

/// Blur widths from half the density out to half the light.
fn z_of(density: f64) -> Option<f64> {
    if density < 0.05 {
        return Some(0.0);
    }
    let half_light = -libm::log10(0.5 * (1.0 + libm::exp10(-density)));
    normal_quantile(half_light / density).map(|z| -z)
}

struct Half {
    place_mm: f64,
    density: f64,
}

/// Where a mean profile crosses half its step, and the density of its inside.
fn half_way(profile: impl Fn(usize) -> f64) -> Option<Half> {
    let inner = (profile(0) + profile(1) + profile(2)) / 3.0;
    let outer = (profile(SAMPLES - 1) + profile(SAMPLES - 2) + profile(SAMPLES - 3)) / 3.0;
    if inner <= 0.0 || outer <= 1.05 * inner {
        return None;
    }
    let level = 0.5 * (inner + outer);
    let first = (0..SAMPLES - 1).find(|&k| profile(k) < level && profile(k + 1) >= level)?;
    let t = (level - profile(first)) / (profile(first + 1) - profile(first));
    Some(Half {
        place_mm: (first as f64 + t - INWARDS as f64) * STEP_MM,
        density: libm::log10(outer / inner),
    })
}

/// Red and green light between cells; `None` where print, glare or another spot hides them.
fn light(grid: &Grid, field: &Field, x: f64, y: f64, other: &[bool]) -> Option<[f64; 2]> {
    if x < 0.0 || y < 0.0 || x > (grid.width - 1) as f64 || y > (grid.height - 1) as f64 {
        return None;
    }
    let (x0, y0) = (x as usize, y as usize);
    let (x1, y1) = ((x0 + 1).min(grid.width - 1), (y0 + 1).min(grid.height - 1));
    let four = [
        y0 * grid.width + x0,
        y0 * grid.width + x1,
        y1 * grid.width + x0,
        y1 * grid.width + x1,
    ];
    if four
        .iter()
        .any(|&at| field.dim[at] || other[at] || grid.mark[at] & (BURNT_OUT | BEYOND) != 0)
    {
        return None;
    }
    let (a, b) = (x - x0 as f64, y - y0 as f64);
    let blend = |values: &[f32]| {
        let [p, q, r, s] = four.map(|at| f64::from(values[at]));
        (p * (1.0 - a) + q * a) * (1.0 - b) + (r * (1.0 - a) + s * a) * b
    };
    Some([blend(&field.red), blend(&field.green)])
}

/// The outline moved inwards by `shift` along its own normals (same unit as the points).
pub(crate) fn moved_inwards(outline: &[[f64; 2]], shift: f64) -> Vec<[f64; 2]> {
    let n = outline.len();
    // Normals over a few points: single steps of the contour turn with the noise.
    let span = (n / 60).clamp(2, 6);
    (0..n)
        .map(|k| {
            let (before, after) = (outline[(k + n - span) % n], outline[(k + span) % n]);
            let (tx, ty) = (after[0] - before[0], after[1] - before[1]);
            let length = (tx * tx + ty * ty).sqrt().max(1e-12);
            [
                outline[k][0] - shift * ty / length,
                outline[k][1] + shift * tx / length,
            ]
        })
        .collect()
}
