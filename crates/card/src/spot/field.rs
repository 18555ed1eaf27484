//! Where paper ends and stain begins: one channel mix against the paper, with print taken out.
//!
//! Haemoglobin absorbs green and blue far more than red (Soret and Q bands; van Assendelft 1970, from memory), so the
//! mix is 0.7 green and 0.3 blue: green carries most of the sharpness a camera and JPEG keep, blue sees pale stain.
//! The edge is looked for at half its step in *linear reflectance*: a lens and a sensor blur light, not density, and
//! blurring a straight edge leaves its half-way point in linear light where it was. Half the step in density lies about
//! 1.2 blur widths further in, 0.1 mm at 12 px/mm.

use super::circle_line::{Cell, CircleLine};
use super::grid::{BEYOND, BURNT_OUT, Grid, PRINT};
use crate::patch::Patch;
use spotwright_domain::card::PrintedCircle;

/// Weight of green in the mix; blue has the rest.
pub(crate) const GREEN: f32 = 0.7;
/// Weight of blue.
pub(crate) const BLUE: f32 = 0.3;

/// The mix by cell, relative to the paper of the same place: 1 is paper.
#[derive(Debug, Clone)]
pub(crate) struct Field {
    pub(crate) mix: Vec<f32>,
    /// Cells with print in them: nothing of the blood's colour is read there.
    pub(crate) print: Vec<bool>,
    /// Cells so dark with print that their value was replaced by that of their surroundings.
    pub(crate) hidden: Vec<bool>,
    /// Cells in which print leaves too little light for colours.
    pub(crate) dim: Vec<bool>,
    /// Red light with the circle's line divided out.
    pub(crate) red: Vec<f32>,
    /// Green light with the circle's line divided out.
    pub(crate) green: Vec<f32>,
    /// The printed circle's line, divided out of the mix.
    pub(crate) line: Option<CircleLine>,
    /// Paper level in the mix as a plane over cells: at cell (0, 0), per column, per row.
    pub(crate) paper: [f32; 3],
    /// Scatter of the paper, cell to cell.
    pub(crate) noise: f32,
}

impl Field {
    pub(crate) fn of(patch: &Patch, grid: &Grid, circle: Option<&PrintedCircle>) -> Self {
        let mut mix: Vec<f32> = grid
            .green
            .iter()
            .zip(&grid.blue)
            .map(|(g, b)| GREEN * g + BLUE * b)
            .collect();
        let mut print: Vec<bool> = grid.mark.iter().map(|m| m & PRINT != 0).collect();
        let level = paper_level(grid, &mix, &print);
        let mut hidden = print.clone();
        let mut dim = print.clone();
        let (mut red, mut green) = (grid.red.clone(), grid.green.clone());
        let line = circle.and_then(|circle| CircleLine::of(patch, circle));
        if let Some(line) = &line {
            for (at, cell) in cells_near(patch, grid, line) {
                print[at] = cell.printed;
                hidden[at] = cell.mix.is_none();
                dim[at] = cell.colours.is_none();
                mix[at] = cell.mix.unwrap_or(mix[at]);
                if let Some(colours) = cell.colours {
                    [red[at], green[at]] = colours;
                }
            }
        }
        take_out_print(grid, &mut mix, &hidden);
        let paper = paper_plane(grid, &mix, level);
        let mut noise_sum = 0.0_f64;
        let mut noise_count = 0_usize;
        for row in 0..grid.height {
            for column in 0..grid.width {
                let at = row * grid.width + column;
                let here = paper[0] + paper[1] * column as f32 + paper[2] * row as f32;
                mix[at] /= here.max(0.05);
                let away = f64::from(mix[at] - 1.0);
                if away.abs() < 0.06 {
                    noise_sum += away * away;
                    noise_count += 1;
                }
            }
        }
        let photographed = GREEN * grid.noise[1] + BLUE * grid.noise[2];
        let scatter = (noise_sum / noise_count.max(1) as f64).sqrt() as f32;
        Self {
            mix,
            print,
            hidden,
            dim,
            red,
            green,
            line,
            paper,
            noise: scatter.max(photographed).max(1e-4),
        }
    }
}

/// Paper: the median of what is as bright as the brighter part of the patch.
fn paper_level(grid: &Grid, mix: &[f32], print: &[bool]) -> f32 {
    let mut counts = [0_u32; 300];
    let mut all = 0_u32;
    for ((value, mark), printed) in mix.iter().zip(&grid.mark).zip(print) {
        if mark & (BURNT_OUT | BEYOND) == 0 && !printed {
            counts[(value * 200.0).clamp(0.0, 299.0) as usize] += 1;
            all += 1;
        }
    }
    if all == 0 {
        return 1.0;
    }
    let quantile = |counts: &[u32], from: usize, share: f64| {
        let total: u32 = counts[from..].iter().sum();
        let mut seen = 0;
        for (bin, count) in counts.iter().enumerate().skip(from) {
            seen += count;
            if f64::from(seen) >= share * f64::from(total) {
                return (bin as f32 + 0.5) / 200.0;
            }
        }
        1.0
    };
    let bright = quantile(&counts, 0, 0.95);
    quantile(&counts, (bright * 0.85 * 200.0) as usize, 0.5)
}

/// Plane through the paper, fitted twice: the second time without what lies off the first.
fn paper_plane(grid: &Grid, mix: &[f32], level: f32) -> [f32; 3] {
    let mut plane = [level, 0.0, 0.0];
    for band in [0.12_f32, 0.05] {
        let mut s = [0.0_f64; 9];
        for row in (0..grid.height).step_by(3) {
            for column in (0..grid.width).step_by(3) {
                let at = row * grid.width + column;
                let here = plane[0] + plane[1] * column as f32 + plane[2] * row as f32;
                let value = mix[at];
                if grid.mark[at] & (BURNT_OUT | BEYOND) == 0 && (value - here).abs() < band * level {
                    let (x, y, v) = (column as f64, row as f64, f64::from(value));
                    for (sum, term) in s
                        .iter_mut()
                        .zip([1.0, x, y, x * x, x * y, y * y, v, v * x, v * y])
                    {
                        *sum += term;
                    }
                }
            }
        }
        if s[0] < 30.0 {
            return plane;
        }
        let (n, mx, my, mv) = (s[0], s[1] / s[0], s[2] / s[0], s[6] / s[0]);
        let (xx, xy, yy) = (s[3] / n - mx * mx, s[4] / n - mx * my, s[5] / n - my * my);
        let (xv, yv) = (s[7] / n - mx * mv, s[8] / n - my * mv);
        let det = xx * yy - xy * xy;
        if det < 1e-6 * (xx + yy) * (xx + yy) || det <= 0.0 {
            return [mv as f32, 0.0, 0.0];
        }
        let (bx, by) = ((xv * yy - yv * xy) / det, (yv * xx - xv * xy) / det);
        plane = [(mv - bx * mx - by * my) as f32, bx as f32, by as f32];
    }
    plane
}

/// Readable cells near the circle's line, with the line divided out.
fn cells_near<'a>(
    patch: &'a Patch,
    grid: &'a Grid,
    line: &'a CircleLine,
) -> impl Iterator<Item = (usize, Cell)> + 'a {
    let middle = (grid.factor - 1) as f64 / 2.0;
    (0..grid.width * grid.height).filter_map(move |at| {
        let (x, y) = (at % grid.width * grid.factor, at / grid.width * grid.factor);
        (line.is_near([x as f64 + middle, y as f64 + middle]) && grid.mark[at] & (BURNT_OUT | BEYOND) == 0)
            .then(|| (at, line.cell(patch, x, y, grid.factor)))
    })
}

/// Gives print the value of its surroundings: of the first unprinted cell in each of eight directions, nearer ones
/// weighing more (by the inverse fourth power of distance).
fn take_out_print(grid: &Grid, mix: &mut [f32], print: &[bool]) {
    let reach = libm::round(0.9 * grid.cells_per_mm).max(2.0) as usize;
    let (width, height) = (grid.width as isize, grid.height as isize);
    let mut found = Vec::new();
    for (at, _) in print.iter().enumerate().filter(|(_, printed)| **printed) {
        let (x, y) = ((at % grid.width) as isize, (at / grid.width) as isize);
        let (mut sum, mut weight) = (0.0_f32, 0.0_f32);
        for (dx, dy) in [
            (1, 0),
            (-1, 0),
            (0, 1),
            (0, -1),
            (1, 1),
            (-1, 1),
            (1, -1),
            (-1, -1),
        ] {
            for step in 1..=reach as isize {
                let (cx, cy) = (x + dx * step, y + dy * step);
                if cx < 0 || cy < 0 || cx >= width || cy >= height {
                    break;
                }
                let other = (cy * width + cx) as usize;
                if !print[other] && grid.mark[other] & (BURNT_OUT | BEYOND) == 0 {
                    let square = (step * step * (dx * dx + dy * dy)) as f32;
                    let w = 1.0 / (square * square);
                    sum += w * mix[other];
                    weight += w;
                    break;
                }
            }
        }
        if weight > 0.0 {
            found.push((at, sum / weight));
        }
    }
    for (at, value) in found {
        mix[at] = value;
    }
}

/// Whole numbers in `low..=high` that are below `size`.
pub(crate) fn clamp_range(low: f64, high: f64, size: usize) -> core::ops::Range<usize> {
    let from = libm::floor(low).max(0.0) as usize;
    let to = (libm::ceil(high).max(-1.0) + 1.0) as usize;
    from.min(size)..to.min(size)
}
