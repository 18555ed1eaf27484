//! The outline to a fraction of a pixel: the contour of the mix at half its step, followed round the blob.
//!
//! Contour following on a square lattice with linear interpolation along lattice edges (marching squares; Lorensen and
//! Cline 1987 in three dimensions). Only the lattice points beside the contour are ever looked at.

use super::blob::Blob;
use super::circle_line::CircleLine;
use super::field::{BLUE, Field, GREEN};
use super::grid::Grid;
use crate::patch::Patch;

/// Everything needed to read the mix at a lattice point.
pub(crate) struct Surface<'a> {
    pub(crate) patch: &'a Patch,
    pub(crate) grid: &'a Grid,
    pub(crate) field: &'a Field,
    /// Cells in which the outline may run; elsewhere is paper.
    pub(crate) near: &'a [bool],
    /// Pixels from lattice point to lattice point.
    pub(crate) step: usize,
}

impl Surface<'_> {
    /// Lattice step that samples about 12 points a millimetre.
    pub(crate) fn step_for(patch: &Patch) -> usize {
        libm::round(patch.pixels_per_mm / 12.0).max(1.0) as usize
    }

    /// Mix at a lattice point against paper: a mean over 3 by 3 pixels (binomial) or the step's square, whichever is
    /// wider.
    fn value(&self, u: isize, v: isize) -> f32 {
        let (x, y) = (u * self.step as isize, v * self.step as isize);
        let (width, height) = (self.patch.width as isize, self.patch.height as isize);
        if x < 0 || y < 0 || x >= width || y >= height {
            return 1.0;
        }
        let factor = self.grid.factor as f64;
        let offset = (factor - 1.0) / 2.0;
        let (column, row) = ((x as f64 - offset) / factor, (y as f64 - offset) / factor);
        let (c, r) = (
            (libm::round(column).max(0.0) as usize).min(self.grid.width - 1),
            (libm::round(row).max(0.0) as usize).min(self.grid.height - 1),
        );
        let at = r * self.grid.width + c;
        if !self.near[at] {
            return 1.0;
        }
        let near_line = self
            .field
            .line
            .as_ref()
            .filter(|line| line.is_near([x as f64, y as f64]));
        let light = match near_line {
            None if self.field.hidden[at] => return self.between_cells(column, row),
            None => self.mean(x, y, None),
            Some(line) => match line.hidden([x as f64, y as f64]) {
                None => self.mean(x, y, Some(line)),
                Some(hidden) => {
                    let at = |p: [f64; 2]| {
                        self.mean(libm::round(p[0]) as isize, libm::round(p[1]) as isize, Some(line))
                    };
                    match (at(hidden.inner), at(hidden.outer)) {
                        (Some(a), Some(b)) => Some(a * (1.0 - hidden.share) + b * hidden.share),
                        (one, other) => one.or(other),
                    }
                }
            },
        };
        let Some(light) = light else {
            return self.between_cells(column, row);
        };
        let paper = self.field.paper;
        let here = paper[0] + paper[1] * column as f32 + paper[2] * row as f32;
        light / here.max(0.05)
    }

    /// Mean of the mix round a pixel, the circle's line divided out; `None` where nothing can be read.
    fn mean(&self, x: isize, y: isize, line: Option<&CircleLine>) -> Option<f32> {
        let (width, height) = (self.patch.width as isize, self.patch.height as isize);
        let reach = (self.step as isize / 2).max(1);
        let (mut sum, mut weight) = (0.0_f32, 0.0_f32);
        for j in -reach..=reach {
            let py = y + j;
            if py < 0 || py >= height {
                continue;
            }
            for i in -reach..=reach {
                let px = x + i;
                if px < 0 || px >= width {
                    continue;
                }
                let mut w = if reach == 1 {
                    ((2 - i.abs()) * (2 - j.abs())) as f32
                } else {
                    1.0
                };
                let pixel = self.patch.reflectance[(py * width + px) as usize];
                let mut light = GREEN * pixel[1] + BLUE * pixel[2];
                if let Some(line) = line {
                    match line.through([px as f64, py as f64]) {
                        Some(share) => light /= share,
                        None => w = 0.0,
                    }
                }
                sum += w * light;
                weight += w;
            }
        }
        (weight > 0.0).then(|| sum / weight)
    }

    /// The mix of the grid, print taken out, between cells.
    fn between_cells(&self, column: f64, row: f64) -> f32 {
        let (w, h) = (self.grid.width, self.grid.height);
        let c = column.clamp(0.0, (w - 1) as f64);
        let r = row.clamp(0.0, (h - 1) as f64);
        let (c0, r0) = (libm::floor(c) as usize, libm::floor(r) as usize);
        let (c1, r1) = ((c0 + 1).min(w - 1), (r0 + 1).min(h - 1));
        let (a, b) = ((c - c0 as f64) as f32, (r - r0 as f64) as f32);
        let m = &self.field.mix;
        (m[r0 * w + c0] * (1.0 - a) + m[r0 * w + c1] * a) * (1.0 - b)
            + (m[r1 * w + c0] * (1.0 - a) + m[r1 * w + c1] * a) * b
    }

    /// Closed outline of the blob in pixels (columns, rows), turning from x to y; empty when there is none.
    pub(crate) fn outline(&self, blob: &Blob) -> Vec<[f64; 2]> {
        let level = 0.5 * (1.0 + blob.core);
        let mut best = (0.0, Vec::new());
        // From each extreme cell outwards: the first contour met is the outer one, save where a bay or a notch is met.
        for (side, &cell) in blob.extremes.iter().enumerate() {
            let direction: [isize; 2] = [[-1, 0], [1, 0], [0, -1], [0, 1]][side];
            let Some(points) = self.follow(cell, direction, level) else {
                continue;
            };
            let area = super::polygon::area(&points).abs();
            if area > best.0 {
                best = (area, points);
            }
            if area * (self.grid.cells_per_mm / self.patch.pixels_per_mm).powi_two()
                > 0.7 * blob.cells.len() as f64
            {
                break;
            }
        }
        best.1
    }

    fn follow(&self, cell: u32, direction: [isize; 2], level: f32) -> Option<Vec<[f64; 2]>> {
        let factor = self.grid.factor as f64;
        let to_lattice =
            |c: usize| libm::round((c as f64 * factor + (factor - 1.0) / 2.0) / self.step as f64) as isize;
        let (mut u, mut v) = (
            to_lattice(cell as usize % self.grid.width),
            to_lattice(cell as usize / self.grid.width),
        );
        let inside = |u, v| self.value(u, v) < level;
        if !inside(u, v) {
            // The cell's middle may be off by rounding: step inwards.
            u -= 2 * direction[0];
            v -= 2 * direction[1];
            if !inside(u, v) {
                return None;
            }
        }
        let limit = (self.patch.width + self.patch.height) as isize;
        let mut steps = 0;
        while inside(u + direction[0], v + direction[1]) {
            u += direction[0];
            v += direction[1];
            steps += 1;
            if steps > limit {
                return None;
            }
        }
        // Lattice square on one side of the crossed edge and the edge's number in it: 0 top, 1 right, 2 bottom, 3 left.
        let (mut x, mut y, mut entry) = match direction {
            [-1, 0] => (u - 1, v, 0),
            [1, 0] => (u, v, 0),
            [0, -1] => (u, v - 1, 3),
            _ => (u, v, 3),
        };
        let start = (x, y, entry);
        let mut points = Vec::with_capacity(512);
        let most = 4 * (self.patch.width / self.step + 2) * (self.patch.height / self.step + 2);
        // The two corners of the edge come along from square to square.
        let mut known: [Option<f32>; 4] = [None; 4];
        for _ in 0..most {
            let places = [(x, y), (x + 1, y), (x + 1, y + 1), (x, y + 1)];
            let corner: [f32; 4] =
                core::array::from_fn(|k| known[k].unwrap_or_else(|| self.value(places[k].0, places[k].1)));
            points.push(self.crossing(x, y, entry, corner, level));
            let within = corner.map(|c| c < level);
            let crossed = |edge: usize| within[edge] != within[(edge + 1) % 4];
            let exits: usize = (0..4).filter(|&edge| edge != entry && crossed(edge)).count();
            let exit = if exits == 3 {
                // Saddle: the mean decides which corners are cut off.
                let mean_inside = corner.iter().sum::<f32>() / 4.0 < level;
                let cut_off = if within[entry] != mean_inside {
                    entry
                } else {
                    (entry + 1) % 4
                };
                if cut_off == entry {
                    (entry + 3) % 4
                } else {
                    (entry + 1) % 4
                }
            } else {
                (0..4).find(|&edge| edge != entry && crossed(edge))?
            };
            // Seen from the next square the same edge runs the other way round.
            let [first, second] = [corner[exit], corner[(exit + 1) % 4]];
            known = [None; 4];
            let next_entry = (exit + 2) % 4;
            known[next_entry] = Some(second);
            known[(next_entry + 1) % 4] = Some(first);
            (x, y, entry) = match exit {
                0 => (x, y - 1, 2),
                1 => (x + 1, y, 3),
                2 => (x, y + 1, 0),
                _ => (x - 1, y, 1),
            };
            if (x, y, entry) == start || self.same_edge((x, y, entry), start) {
                if super::polygon::area(&points) < 0.0 {
                    points.reverse();
                }
                return (points.len() >= 8).then_some(points);
            }
        }
        None
    }

    /// The same lattice edge seen from either square beside it.
    fn same_edge(&self, a: (isize, isize, usize), b: (isize, isize, usize)) -> bool {
        let name = |(x, y, edge): (isize, isize, usize)| match edge {
            0 => (x, y, false),
            2 => (x, y + 1, false),
            3 => (x, y, true),
            _ => (x + 1, y, true),
        };
        name(a) == name(b)
    }

    fn crossing(&self, x: isize, y: isize, edge: usize, corner: [f32; 4], level: f32) -> [f64; 2] {
        let (a, b) = (f64::from(corner[edge]), f64::from(corner[(edge + 1) % 4]));
        let t = ((f64::from(level) - a) / (b - a)).clamp(0.0, 1.0);
        let (x, y) = (x as f64, y as f64);
        let place = match edge {
            0 => [x + t, y],
            1 => [x + 1.0, y + t],
            2 => [x + 1.0 - t, y + 1.0],
            _ => [x, y + 1.0 - t],
        };
        [place[0] * self.step as f64, place[1] * self.step as f64]
    }
}

trait Square {
    fn powi_two(self) -> f64;
}

impl Square for f64 {
    fn powi_two(self) -> f64 {
        self * self
    }
}
