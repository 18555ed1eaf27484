//! A rectangle of the card's plane from the photograph, in linear light and evenly lit.

use crate::light::{self, Sample, Surface};
use crate::patch::{Patch, flag};
use crate::photo::Raster;
use crate::plane::Homography;

/// A rectangle of the plane on a grid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Grid {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) pixels_per_mm: f64,
    pub(crate) origin_mm: [f64; 2],
}

impl Grid {
    /// A grid over a rectangle of millimetres.
    pub(crate) fn over(from_mm: [f64; 2], to_mm: [f64; 2], pixels_per_mm: f64) -> Self {
        let count = |axis: usize| (((to_mm[axis] - from_mm[axis]) * pixels_per_mm).floor() as usize).max(1);
        Self {
            width: count(0),
            height: count(1),
            pixels_per_mm,
            origin_mm: [from_mm[0] + 0.5 / pixels_per_mm, from_mm[1] + 0.5 / pixels_per_mm],
        }
    }

    /// Millimetres of a place on the grid.
    pub(crate) fn to_mm(self, column: f64, row: f64) -> [f64; 2] {
        [
            self.origin_mm[0] + column / self.pixels_per_mm,
            self.origin_mm[1] + row / self.pixels_per_mm,
        ]
    }

    /// A place from -1 to 1 each way.
    pub(crate) fn unit(self, column: usize, row: usize) -> [f32; 2] {
        let along = |at: usize, size: usize| (2 * at + 1) as f32 / size as f32 - 1.0;
        [along(column, self.width), along(row, self.height)]
    }
}

/// Linear light on a grid, not yet evened.
#[derive(Debug)]
pub(crate) struct Straightened {
    pub(crate) grid: Grid,
    pub(crate) light: Vec<[f32; 3]>,
    pub(crate) flags: Vec<u8>,
}

/// Stored pixels between places where the map is worked out exactly.
const STRIDE: usize = 16;

/// Takes a grid of the plane out of the photograph; `map` takes millimetres to stored pixels.
pub(crate) fn straighten(raster: &Raster, map: &Homography, grid: Grid, table: &[f32; 256]) -> Straightened {
    let [large, _] = map.stretch(grid.to_mm(grid.width as f64 / 2.0, grid.height as f64 / 2.0));
    // As many samples a grid point as it spans stored pixels, each way.
    let taps = ((large / grid.pixels_per_mm + 0.5) as usize).clamp(1, 4);
    let mut light = Vec::with_capacity(grid.width * grid.height);
    let mut flags = Vec::with_capacity(grid.width * grid.height);
    let (w, h) = (raster.width() as f32, raster.height() as f32);
    for row in 0..grid.height {
        let mut column = 0;
        while column < grid.width {
            let end = (column + STRIDE).min(grid.width);
            let a = map.map(grid.to_mm(column as f64, row as f64));
            let b = map.map(grid.to_mm(end as f64, row as f64));
            let c = map.map(grid.to_mm(column as f64, row as f64 + 1.0));
            let n = (end - column) as f32;
            let right = [(b[0] - a[0]) as f32 / n, (b[1] - a[1]) as f32 / n];
            let down = [(c[0] - a[0]) as f32, (c[1] - a[1]) as f32];
            let (ax, ay) = (a[0] as f32, a[1] as f32);
            for k in 0..end - column {
                let x = ax + k as f32 * right[0];
                let y = ay + k as f32 * right[1];
                if x < -0.5 || y < -0.5 || x > w - 0.5 || y > h - 0.5 {
                    light.push([0.0; 3]);
                    flags.push(flag::OUTSIDE);
                    continue;
                }
                let (value, burnt) = if taps == 1 {
                    between(raster, x, y, table)
                } else {
                    spread(raster, x, y, right, down, taps, table)
                };
                light.push(value);
                flags.push(if burnt { flag::BURNT_OUT } else { 0 });
            }
            column = end;
        }
    }
    Straightened { grid, light, flags }
}

/// A channel at or above this has reached its ceiling.
const CEILING: u8 = 254;

/// Light between four pixels.
#[inline]
fn between(raster: &Raster, x: f32, y: f32, table: &[f32; 256]) -> ([f32; 3], bool) {
    let (fx, fy) = (x.floor(), y.floor());
    let (ix, iy) = (fx as i32, fy as i32);
    let (u, v) = (x - fx, y - fy);
    let mut sum = [0.0; 3];
    let mut burnt = false;
    for (dx, dy, weight) in [
        (0, 0, (1.0 - u) * (1.0 - v)),
        (1, 0, u * (1.0 - v)),
        (0, 1, (1.0 - u) * v),
        (1, 1, u * v),
    ] {
        let pixel = raster.pixel(ix + dx, iy + dy);
        for channel in 0..3 {
            sum[channel] += weight * table[usize::from(pixel[channel])];
            burnt |= pixel[channel] >= CEILING;
        }
    }
    (sum, burnt)
}

/// Mean light over a small parallelogram.
#[inline]
fn spread(
    raster: &Raster,
    x: f32,
    y: f32,
    right: [f32; 2],
    down: [f32; 2],
    taps: usize,
    table: &[f32; 256],
) -> ([f32; 3], bool) {
    let mut sum = [0.0; 3];
    let mut burnt = false;
    let share = 1.0 / taps as f32;
    for j in 0..taps {
        let t = (j as f32 + 0.5) * share - 0.5;
        for i in 0..taps {
            let s = (i as f32 + 0.5) * share - 0.5;
            let px = x + s * right[0] + t * down[0];
            let py = y + s * right[1] + t * down[1];
            let pixel = raster.pixel((px + 0.5).floor() as i32, (py + 0.5).floor() as i32);
            for channel in 0..3 {
                sum[channel] += table[usize::from(pixel[channel])];
                burnt |= pixel[channel] >= CEILING;
            }
        }
    }
    (sum.map(|s| s * share * share), burnt)
}

impl Straightened {
    /// A sparse choice of the light, for the surface of the paper.
    pub(crate) fn samples(&self) -> Vec<Sample> {
        let step = (((self.grid.width * self.grid.height) as f64 / 2500.0).sqrt() as usize).max(1);
        let mut samples = Vec::new();
        for row in (step / 2..self.grid.height).step_by(step) {
            for column in (step / 2..self.grid.width).step_by(step) {
                let at = row * self.grid.width + column;
                if self.flags[at] & (flag::OUTSIDE | flag::OFF_CARD | flag::PRINT) == 0 {
                    samples.push((self.grid.unit(column, row), self.light[at]));
                }
            }
        }
        samples
    }

    /// Divides by the light on paper.
    pub(crate) fn even(mut self, surface: &Surface, blur_mm: f64) -> Patch {
        let grid = self.grid;
        for row in 0..grid.height {
            let y = grid.unit(0, row)[1];
            let [r, g, b] = surface.row(y);
            let line = &mut self.light[row * grid.width..(row + 1) * grid.width];
            let step = 2.0 / grid.width as f32;
            for (column, light) in line.iter_mut().enumerate() {
                let x = (column as f32 + 0.5) * step - 1.0;
                for (value, k) in light.iter_mut().zip([&r, &g, &b]) {
                    let paper = k[0] + x * (k[1] + x * (k[2] + x * k[3]));
                    *value /= paper.max(1e-4);
                }
            }
        }
        Patch {
            width: grid.width,
            height: grid.height,
            pixels_per_mm: grid.pixels_per_mm,
            origin_mm: grid.origin_mm,
            reflectance: self.light,
            flags: self.flags,
            paper_noise: surface.scatter.map(|s| s as f32),
            blur_mm,
        }
    }
}

/// Fits the paper's light of a window.
pub(crate) fn paper(window: &Straightened, degree: usize) -> Option<Surface> {
    light::fit(&window.samples(), degree)
}
