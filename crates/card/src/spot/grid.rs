//! The patch on a coarser grid of about six cells a millimetre: everything but the outline is measured there, so that a
//! finer camera, its noise and its sharpening change little.

use crate::patch::{Patch, flag};

/// Cells a millimetre aimed at: half of the smallest recommended scale (PR-10: 12 px/mm).
const CELLS_PER_MM: f64 = 6.0;

/// Set where print lies in the cell.
pub(crate) const PRINT: u8 = 1;
/// Set where at least half of the cell is burnt out.
pub(crate) const BURNT_OUT: u8 = 2;
/// Set where at least half of the cell is beyond card or photograph.
pub(crate) const BEYOND: u8 = 4;

/// Mean reflectance by cell.
#[derive(Debug, Clone)]
pub(crate) struct Grid {
    pub(crate) width: usize,
    pub(crate) height: usize,
    /// Pixels a cell, both ways.
    pub(crate) factor: usize,
    pub(crate) cells_per_mm: f64,
    /// Centre of cell (0, 0) (mm).
    pub(crate) origin_mm: [f64; 2],
    pub(crate) red: Vec<f32>,
    pub(crate) green: Vec<f32>,
    pub(crate) blue: Vec<f32>,
    pub(crate) mark: Vec<u8>,
    /// Standard deviation of blank paper, cell to cell, as the pixel noise makes it, by channel.
    pub(crate) noise: [f32; 3],
}

impl Grid {
    /// Means over squares of whole pixels; pixels beyond card or photograph and burnt-out ones are left out.
    pub(crate) fn of(patch: &Patch) -> Self {
        let factor = libm::round(patch.pixels_per_mm / CELLS_PER_MM).max(1.0) as usize;
        let (width, height) = (patch.width / factor, patch.height / factor);
        let cells = width * height;
        let mut grid = Self {
            width,
            height,
            factor,
            cells_per_mm: patch.pixels_per_mm / factor as f64,
            origin_mm: {
                let half = (factor - 1) as f64 / 2.0 / patch.pixels_per_mm;
                [patch.origin_mm[0] + half, patch.origin_mm[1] + half]
            },
            red: vec![1.0; cells],
            green: vec![1.0; cells],
            blue: vec![1.0; cells],
            mark: vec![0; cells],
            noise: patch.paper_noise.map(|n| n / factor as f32),
        };
        let share = 1.0 / (factor * factor) as f32;
        for row in 0..height {
            for column in 0..width {
                let mut sum = [0.0_f32; 3];
                let mut flags = 0_u8;
                for j in 0..factor {
                    let start = (row * factor + j) * patch.width + column * factor;
                    for (pixel, bits) in patch.reflectance[start..start + factor]
                        .iter()
                        .zip(&patch.flags[start..start + factor])
                    {
                        sum[0] += pixel[0];
                        sum[1] += pixel[1];
                        sum[2] += pixel[2];
                        flags |= bits;
                    }
                }
                let at = row * width + column;
                if flags & !flag::PRINT == 0 {
                    grid.red[at] = sum[0] * share;
                    grid.green[at] = sum[1] * share;
                    grid.blue[at] = sum[2] * share;
                } else {
                    grid.partly_readable(patch, row, column);
                }
                if flags & flag::PRINT != 0 {
                    grid.mark[at] |= PRINT;
                }
            }
        }
        grid
    }

    fn partly_readable(&mut self, patch: &Patch, row: usize, column: usize) {
        let (mut sum, mut read, mut burnt, mut beyond) = ([0.0_f32; 3], 0_usize, 0_usize, 0_usize);
        for j in 0..self.factor {
            for i in 0..self.factor {
                let at = (row * self.factor + j) * patch.width + column * self.factor + i;
                let bits = patch.flags[at];
                if bits & (flag::OUTSIDE | flag::OFF_CARD) != 0 {
                    beyond += 1;
                } else if bits & flag::BURNT_OUT != 0 {
                    burnt += 1;
                } else {
                    read += 1;
                    for (total, value) in sum.iter_mut().zip(patch.reflectance[at]) {
                        *total += value;
                    }
                }
            }
        }
        let at = row * self.width + column;
        if read > 0 {
            self.red[at] = sum[0] / read as f32;
            self.green[at] = sum[1] / read as f32;
            self.blue[at] = sum[2] / read as f32;
        }
        let all = self.factor * self.factor;
        if 2 * burnt >= all {
            self.mark[at] |= BURNT_OUT;
        }
        if 2 * beyond >= all {
            self.mark[at] |= BEYOND;
        }
    }

    pub(crate) fn mm(&self, column: f64, row: f64) -> [f64; 2] {
        [
            self.origin_mm[0] + column / self.cells_per_mm,
            self.origin_mm[1] + row / self.cells_per_mm,
        ]
    }

    pub(crate) fn cell(&self, place_mm: [f64; 2]) -> [f64; 2] {
        [
            (place_mm[0] - self.origin_mm[0]) * self.cells_per_mm,
            (place_mm[1] - self.origin_mm[1]) * self.cells_per_mm,
        ]
    }
}
