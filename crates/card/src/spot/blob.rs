//! Stained places on the grid: what is darker than paper, wider than a line, and hangs together.

use super::field::Field;
use super::grid::{BEYOND, BURNT_OUT, Grid};

/// Least loss of light that counts as stain.
const LEAST_STAIN: f32 = 0.045;
/// Half the width of what an opening removes (mm): printed lines and strokes of a pen are narrower than twice this.
const OPENING_MM: f64 = 0.3;

/// A stained place at half its own step from paper.
#[derive(Debug, Clone)]
pub(crate) struct Blob {
    /// Cells at least half as far from paper as the place's core.
    pub(crate) cells: Vec<u32>,
    /// Reflectance of the core in the mix (paper = 1).
    pub(crate) core: f32,
    /// Centre of its cells (columns, rows).
    pub(crate) centre: [f64; 2],
    /// Its leftmost, rightmost, topmost and bottommost cells.
    pub(crate) extremes: [u32; 4],
}

/// All places found, in no particular order but always the same; and the map of everything stained.
pub(crate) struct Places {
    pub(crate) blobs: Vec<Blob>,
    /// Blobs too narrow for a spot: droplets (and specks, strokes, print).
    pub(crate) small: Vec<Blob>,
    /// Cells darker than paper at all.
    pub(crate) stained: Vec<bool>,
}

pub(crate) fn find(grid: &Grid, field: &Field) -> Places {
    let (width, height) = (grid.width, grid.height);
    let smooth = smooth3(&field.mix, width, height);
    let threshold = 1.0 - LEAST_STAIN.max(3.0 * field.noise);
    let stained: Vec<bool> = smooth
        .iter()
        .zip(&grid.mark)
        .map(|(value, mark)| *value < threshold && mark & BEYOND == 0)
        .collect();
    let reach = libm::round(OPENING_MM * grid.cells_per_mm).max(1.0) as usize;
    let opened = open(&stained, width, height, reach);
    let mut blobs = Vec::new();
    let mut small = Vec::new();
    for region in components(&opened, width, height) {
        split_at_half(grid, &smooth, &region, reach, &mut blobs, &mut small);
    }
    let mut left: Vec<bool> = stained.iter().zip(&opened).map(|(s, o)| *s && !*o).collect();
    // What the opening cut off the rim of a blob is no droplet.
    for (at, hidden) in dilate(&opened, width, height, reach + 1).iter().enumerate() {
        if *hidden || field.print[at] {
            left[at] = false;
        }
    }
    for region in components(&left, width, height) {
        if region.len() >= 3 {
            small.push(blob_of(region, &smooth, width));
        }
    }
    Places {
        blobs,
        small,
        stained,
    }
}

/// Parts of a region darker than half the step between paper and its core.
fn split_at_half(
    grid: &Grid,
    smooth: &[f32],
    region: &[u32],
    reach: usize,
    blobs: &mut Vec<Blob>,
    small: &mut Vec<Blob>,
) {
    let (width, height) = (grid.width, grid.height);
    let core = core_level(smooth, region);
    let level = 0.5 * (1.0 + core);
    let mut mask = vec![false; width * height];
    for &at in region {
        // Glare inside a spot is part of it as far as its outline goes.
        mask[at as usize] = smooth[at as usize] < level || grid.mark[at as usize] & BURNT_OUT != 0;
    }
    let opened = open(&mask, width, height, reach.saturating_sub(1).max(1));
    for part in components(&opened, width, height) {
        let blob = blob_of(part, smooth, width);
        let area_mm2 = blob.cells.len() as f64 / (grid.cells_per_mm * grid.cells_per_mm);
        if area_mm2 >= 1.0 {
            blobs.push(blob)
        } else {
            small.push(blob)
        }
    }
}

/// Level of the darker part: the 30 % quantile of the darker half of the range.
fn core_level(smooth: &[f32], region: &[u32]) -> f32 {
    let mut values: Vec<f32> = region.iter().map(|&at| smooth[at as usize]).collect();
    let darkest = *select(&mut values, 0.02);
    let middle = 0.5 * (1.0 + darkest);
    values.retain(|v| *v <= middle);
    *select(&mut values, 0.5)
}

/// Quantile by selection.
pub(crate) fn select(values: &mut [f32], share: f64) -> &f32 {
    let at = ((values.len() - 1) as f64 * share) as usize;
    values.select_nth_unstable_by(at, f32::total_cmp).1
}

fn blob_of(cells: Vec<u32>, smooth: &[f32], width: usize) -> Blob {
    let (mut sx, mut sy) = (0.0, 0.0);
    let mut extremes = [cells[0]; 4];
    let place = |at: u32| (at as usize % width, at as usize / width);
    for &at in &cells {
        let (x, y) = place(at);
        sx += x as f64;
        sy += y as f64;
        if x < place(extremes[0]).0 {
            extremes[0] = at;
        }
        if x > place(extremes[1]).0 {
            extremes[1] = at;
        }
        if y < place(extremes[2]).1 {
            extremes[2] = at;
        }
        if y > place(extremes[3]).1 {
            extremes[3] = at;
        }
    }
    let n = cells.len() as f64;
    Blob {
        core: core_level(smooth, &cells),
        centre: [sx / n, sy / n],
        extremes,
        cells,
    }
}

/// Binomial mean over 3 by 3 cells.
pub(crate) fn smooth3(values: &[f32], width: usize, height: usize) -> Vec<f32> {
    let mut rows = values.to_vec();
    for y in 0..height {
        let line = &values[y * width..(y + 1) * width];
        let out = &mut rows[y * width..(y + 1) * width];
        for x in 1..width.saturating_sub(1) {
            out[x] = 0.25 * (line[x - 1] + 2.0 * line[x] + line[x + 1]);
        }
    }
    let mut both = rows.clone();
    for y in 1..height.saturating_sub(1) {
        for x in 0..width {
            let at = y * width + x;
            both[at] = 0.25 * (rows[at - width] + 2.0 * rows[at] + rows[at + width]);
        }
    }
    both
}

/// Opening by a square of half width `reach`.
fn open(mask: &[bool], width: usize, height: usize, reach: usize) -> Vec<bool> {
    let shrunk = shrink(mask, width, height, reach);
    dilate(&shrunk, width, height, reach)
}

fn shrink(mask: &[bool], width: usize, height: usize, reach: usize) -> Vec<bool> {
    let inverse: Vec<bool> = mask.iter().map(|m| !m).collect();
    let mut grown = dilate(&inverse, width, height, reach);
    for m in &mut grown {
        *m = !*m;
    }
    grown
}

/// Dilation by a square of half width `reach`.
pub(crate) fn dilate(mask: &[bool], width: usize, height: usize, reach: usize) -> Vec<bool> {
    let mut along = mask.to_vec();
    for (line, out) in mask.chunks_exact(width).zip(along.chunks_exact_mut(width)) {
        for shift in 1..=reach.min(width - 1) {
            or_into(&mut out[shift..], &line[..width - shift]);
            or_into(&mut out[..width - shift], &line[shift..]);
        }
    }
    let mut both = along.clone();
    for shift in 1..=reach.min(height - 1) {
        let offset = shift * width;
        or_into(&mut both[offset..], &along[..mask.len() - offset]);
        or_into(&mut both[..mask.len() - offset], &along[offset..]);
    }
    both
}

fn or_into(out: &mut [bool], other: &[bool]) {
    for (o, i) in out.iter_mut().zip(other) {
        *o |= *i;
    }
}

/// Cells that hang together (eight neighbours), each region in the order of its discovery.
pub(crate) fn components(mask: &[bool], width: usize, height: usize) -> Vec<Vec<u32>> {
    let mut left = mask.to_vec();
    let mut regions = Vec::new();
    let mut from = 0;
    while let Some(next) = left[from..].iter().position(|m| *m) {
        let start = from + next;
        from = start + 1;
        left[start] = false;
        // The region is its own queue: cells are looked round in the order they were found.
        let mut region = vec![start as u32];
        let mut done = 0;
        while done < region.len() {
            let at = region[done] as usize;
            done += 1;
            let (x, y) = (at % width, at / width);
            let (x0, x1) = (x.saturating_sub(1), (x + 1).min(width - 1));
            for ny in y.saturating_sub(1)..=(y + 1).min(height - 1) {
                for (column, cell) in left[ny * width + x0..=ny * width + x1].iter_mut().enumerate() {
                    if *cell {
                        *cell = false;
                        region.push((ny * width + x0 + column) as u32);
                    }
                }
            }
        }
        regions.push(region);
    }
    regions
}

/// The same stain, but only some of its cells (at least one).
pub(crate) fn with_cells(blob: &Blob, cells: Vec<u32>, width: usize) -> Blob {
    let extreme = |better: &dyn Fn(u32, u32) -> bool| {
        cells
            .iter()
            .copied()
            .fold(cells[0], |best, at| if better(at, best) { at } else { best })
    };
    let x = |at: u32| at as usize % width;
    let y = |at: u32| at as usize / width;
    let n = cells.len() as f64;
    Blob {
        core: blob.core,
        centre: [
            cells.iter().map(|&at| x(at) as f64).sum::<f64>() / n,
            cells.iter().map(|&at| y(at) as f64).sum::<f64>() / n,
        ],
        extremes: [
            extreme(&|a, b| x(a) < x(b)),
            extreme(&|a, b| x(a) > x(b)),
            extreme(&|a, b| y(a) < y(b)),
            extreme(&|a, b| y(a) > y(b)),
        ],
        cells,
    }
}
