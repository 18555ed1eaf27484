//! A rectangle of the card's plane from the photograph, in linear light and evenly lit.

use crate::light::{self, Sample, Surface};
use crate::patch::{Patch, flag};
use crate::photo::{Raster, floor};
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
            let reach = 3.0 + right[0].abs() + right[1].abs() + down[0].abs() + down[1].abs();
            let is_inside = [a, b].iter().all(|p| {
                let (x, y) = (p[0] as f32, p[1] as f32);
                x > reach && y > reach && x < w - 1.0 - reach && y < h - 1.0 - reach
            });
            if is_inside && taps == 2 {
                four(
                    raster,
                    [ax, ay],
                    right,
                    down,
                    end - column,
                    table,
                    &mut light,
                    &mut flags,
                );
                column = end;
                continue;
            }
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

/// Means of four stored pixels each, for a run of grid points that lies well within the picture: the usual case, in whole
/// numbers of a 65 536th of a pixel.
#[expect(clippy::too_many_arguments, reason = "the inner loop of the room")]
#[inline]
fn four(
    raster: &Raster,
    start: [f32; 2],
    right: [f32; 2],
    down: [f32; 2],
    count: usize,
    table: &[f32; 256],
    light: &mut Vec<[f32; 3]>,
    flags: &mut Vec<u8>,
) {
    const ONE: f32 = 65_536.0;
    let fixed = |v: f32| (v * ONE) as i32;
    let (step_x, step_y) = (fixed(right[0]), fixed(right[1]));
    // Half a pixel more, so that cutting off rounds to the nearest.
    let (mut x, mut y) = (fixed(start[0] + 0.5), fixed(start[1] + 0.5));
    let offset = |s: f32, t: f32| {
        [
            fixed(0.25 * (s * right[0] + t * down[0])),
            fixed(0.25 * (s * right[1] + t * down[1])),
        ]
    };
    let offsets = [
        offset(-1.0, -1.0),
        offset(1.0, -1.0),
        offset(-1.0, 1.0),
        offset(1.0, 1.0),
    ];
    let (rgb, stride) = (raster.rgb(), raster.width());
    for _ in 0..count {
        let mut sum = [0.0f32; 3];
        let mut top = 0;
        for [dx, dy] in offsets {
            let (px, py) = ((x + dx) >> 16, (y + dy) >> 16);
            let at = (py as usize * stride + px as usize) * 3;
            if let Some(&[r, g, b]) = rgb[at..].first_chunk::<3>() {
                sum[0] += table[usize::from(r)];
                sum[1] += table[usize::from(g)];
                sum[2] += table[usize::from(b)];
                top = top.max(r).max(g).max(b);
            }
        }
        light.push(sum.map(|s| s * 0.25));
        flags.push(if top >= CEILING { flag::BURNT_OUT } else { 0 });
        x += step_x;
        y += step_y;
    }
}

/// A channel at or above this has reached its ceiling.
const CEILING: u8 = 254;

/// Light between four pixels.
#[inline]
fn between(raster: &Raster, x: f32, y: f32, table: &[f32; 256]) -> ([f32; 3], bool) {
    let (ix, iy) = (floor(f64::from(x)), floor(f64::from(y)));
    let (u, v) = (x - ix as f32, y - iy as f32);
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
            let pixel = raster.pixel(floor(f64::from(px) + 0.5), floor(f64::from(py) + 0.5));
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
    pub(crate) fn samples(&self, about: f64) -> Vec<Sample> {
        let step = (((self.grid.width * self.grid.height) as f64 / about).sqrt() as usize).max(1);
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
            let polynomials = surface.row(y);
            let line = &mut self.light[row * grid.width..(row + 1) * grid.width];
            let step = 2.0 / grid.width as f32;
            let inverse = |column: usize| {
                let x = (column as f32 + 0.5) * step - 1.0;
                polynomials.map(|k| 1.0 / (k[0] + x * (k[1] + x * (k[2] + x * k[3]))).max(1e-4))
            };
            // Light is so smooth that its inverse is straight over a few points.
            for (lot, points) in line.chunks_mut(STRIDE).enumerate() {
                let (a, b) = (inverse(lot * STRIDE), inverse((lot + 1) * STRIDE));
                for (k, light) in points.iter_mut().enumerate() {
                    let t = k as f32 / STRIDE as f32;
                    for channel in 0..3 {
                        light[channel] *= a[channel] + t * (b[channel] - a[channel]);
                    }
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
    // A whole card has more to follow than one spot's surroundings.
    let about = if degree > 2 { 4000.0 } else { 900.0 };
    light::fit(&window.samples(about), degree)
}
