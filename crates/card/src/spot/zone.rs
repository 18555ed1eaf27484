//! The inside of an outline by cell: depth below the outline and density of blood relative to the spot's own middle.

use super::field::Field;
use super::grid::{BEYOND, BURNT_OUT, Grid};
use super::polygon;

/// A spot's inside on the grid.
pub(crate) struct Zone {
    /// First column and row of the window in the grid.
    pub(crate) at: [usize; 2],
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) cell_mm: f64,
    /// Distance from the outline (mm), positive inside; 0 outside.
    pub(crate) depth: Vec<f32>,
    /// Density relative to the core's median; NaN-free: 0 where nothing can be read.
    pub(crate) density: Vec<f32>,
    /// Whether the cell is inside, can be read and has no print under it.
    pub(crate) inside: Vec<bool>,
    /// Whether print lies under the blood there.
    pub(crate) printed: Vec<bool>,
    /// Red over green density by cell, for hue.
    pub(crate) browning: Vec<f32>,
    /// Greatest depth (mm).
    pub(crate) deepest_mm: f64,
    /// Middle of the deepest part (mm of the layout).
    pub(crate) deepest_at_mm: [f64; 2],
    /// Median density of the core by channel.
    pub(crate) core: [f64; 3],
    /// Standard deviation of relative density the photograph's noise makes, cell to cell.
    pub(crate) noise: f32,
    /// Cells inside, readable or not.
    pub(crate) cells: usize,
    /// Of those, unreadable.
    pub(crate) unreadable: usize,
    /// Sums from which means over squares are taken.
    sums: Sums,
}

/// Summed-area tables (Crow 1984) of density and of the number of cells, for readable cells below the rim.
#[derive(Default)]
struct Sums {
    density: Vec<f32>,
    count: Vec<f32>,
}

/// Reflectance below which a channel says only "dark": surface reflection and stray light fill it up.
const DARKEST: f32 = 0.004;

impl Zone {
    /// The zone of an outline given in (fractional) cells; `None` when it holds too few cells to say anything.
    pub(crate) fn of(grid: &Grid, field: &Field, outline: &[[f64; 2]]) -> Option<Self> {
        let bounds = outline.iter().fold(
            [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY],
            |b, p| [b[0].min(p[0]), b[1].min(p[1]), b[2].max(p[0]), b[3].max(p[1])],
        );
        let x0 = libm::floor(bounds[0]).max(0.0) as usize;
        let y0 = libm::floor(bounds[1]).max(0.0) as usize;
        let x1 = (libm::ceil(bounds[2]).max(0.0) as usize + 1).min(grid.width);
        let y1 = (libm::ceil(bounds[3]).max(0.0) as usize + 1).min(grid.height);
        if x1 < x0 + 4 || y1 < y0 + 4 {
            return None;
        }
        let (width, height) = (x1 - x0, y1 - y0);
        let cell_mm = 1.0 / grid.cells_per_mm;
        let local: Vec<[f64; 2]> = outline
            .iter()
            .map(|p| [p[0] - x0 as f64, p[1] - y0 as f64])
            .collect();
        let within = fill(&local, width, height);
        let square = nearest_squares(&local, width, height);
        let mut zone = Self {
            at: [x0, y0],
            width,
            height,
            cell_mm,
            depth: vec![0.0; width * height],
            density: vec![0.0; width * height],
            inside: vec![false; width * height],
            printed: vec![false; width * height],
            browning: vec![0.0; width * height],
            deepest_mm: 0.0,
            deepest_at_mm: [0.0; 2],
            core: [0.0; 3],
            noise: 0.0,
            cells: 0,
            unreadable: 0,
            sums: Sums::default(),
        };
        for k in 0..width * height {
            if !within[k] {
                continue;
            }
            zone.cells += 1;
            let at = (y0 + k / width) * grid.width + x0 + k % width;
            zone.depth[k] = square[k].sqrt() * cell_mm as f32;
            zone.deepest_mm = zone.deepest_mm.max(f64::from(zone.depth[k]));
            if field.print[at] {
                // Blood over print is darker than beside it: readable for nothing, but no fault of the spot.
                zone.printed[k] = true;
            } else if grid.mark[at] & (BURNT_OUT | BEYOND) == 0 {
                zone.inside[k] = true;
            } else {
                zone.unreadable += 1;
            }
        }
        if zone.cells < 12 {
            return None;
        }
        zone.deepest_at_mm = zone.middle_of_deepest(grid);
        zone.fill_density(grid, field);
        zone.fill_sums();
        Some(zone)
    }

    /// Mean place of the cells within a tenth of the greatest depth: steadier than the deepest cell alone.
    fn middle_of_deepest(&self, grid: &Grid) -> [f64; 2] {
        let floor = (self.deepest_mm - (0.05 * self.deepest_mm).max(0.5 * self.cell_mm)) as f32;
        let (mut sx, mut sy, mut n) = (0.0, 0.0, 0.0);
        for (k, &depth) in self.depth.iter().enumerate() {
            if depth >= floor {
                sx += (k % self.width) as f64;
                sy += (k / self.width) as f64;
                n += 1.0;
            }
        }
        grid.mm(self.at[0] as f64 + sx / n, self.at[1] as f64 + sy / n)
    }

    fn fill_density(&mut self, grid: &Grid, field: &Field) {
        let core_depth = (0.4 * self.deepest_mm) as f32;
        let mut channels: Vec<[f32; 3]> = vec![[0.0; 3]; self.depth.len()];
        let mut middle: [Vec<f32>; 3] = core::array::from_fn(|_| Vec::with_capacity(self.cells));
        for (k, densities) in channels.iter_mut().enumerate() {
            if !self.inside[k] {
                continue;
            }
            let (column, row) = (self.at[0] + k % self.width, self.at[1] + k / self.width);
            let at = row * grid.width + column;
            let paper =
                (field.paper[0] + field.paper[1] * column as f32 + field.paper[2] * row as f32).max(0.05);
            for (channel, value) in [grid.red[at], grid.green[at], grid.blue[at]]
                .into_iter()
                .enumerate()
            {
                let density = -log10((value / paper).max(DARKEST));
                densities[channel] = density;
                if self.depth[k] >= core_depth {
                    middle[channel].push(density);
                }
            }
            self.browning[k] = densities[0] / densities[1].max(0.05);
        }
        if middle[0].is_empty() {
            return;
        }
        let mut weights = [0.0_f32; 3];
        let mut inverse = [0.0_f32; 3];
        let mut noise = [0.0_f32; 3];
        for channel in 0..3 {
            let median = *super::blob::select(&mut middle[channel], 0.5);
            self.core[channel] = f64::from(median);
            // Relative uncertainty of the density: noise, and 0.01 of full light as stray light.
            let reflectance = exp10(-median);
            let per_light = 1.0 / (reflectance.max(DARKEST) * core::f32::consts::LN_10 * median.max(0.02));
            noise[channel] = grid.noise[channel] * per_light;
            let uncertain = (grid.noise[channel] * grid.noise[channel] + 1e-4).sqrt() * per_light;
            weights[channel] = 1.0 / (uncertain * uncertain);
            inverse[channel] = 1.0 / median.max(0.02);
        }
        let total: f32 = weights.iter().sum();
        for channel in 0..3 {
            weights[channel] /= total;
            self.noise += (weights[channel] * noise[channel]) * (weights[channel] * noise[channel]);
        }
        self.noise = self.noise.sqrt();
        for (k, densities) in channels.iter().enumerate() {
            if self.inside[k] {
                self.density[k] = (0..3).map(|c| weights[c] * densities[c] * inverse[c]).sum();
            }
        }
    }

    fn fill_sums(&mut self) {
        let stride = self.width + 1;
        self.sums = Sums {
            density: vec![0.0; stride * (self.height + 1)],
            count: vec![0.0; stride * (self.height + 1)],
        };
        for y in 0..self.height {
            let (mut line, mut n) = (0.0_f32, 0.0_f32);
            for x in 0..self.width {
                let k = y * self.width + x;
                if self.inside[k] && self.depth[k] > 0.2 {
                    line += self.density[k];
                    n += 1.0;
                }
                let at = (y + 1) * stride + x + 1;
                self.sums.density[at] = self.sums.density[at - stride] + line;
                self.sums.count[at] = self.sums.count[at - stride] + n;
            }
        }
    }

    /// Mean density of the readable cells in a square of half width `reach` about a cell, the rim left out; 0 for none.
    pub(crate) fn mean_around(&self, k: usize, reach: usize) -> f32 {
        let (x, y) = (k % self.width, k / self.width);
        let stride = self.width + 1;
        let (left, right) = (x.saturating_sub(reach), (x + reach + 1).min(self.width));
        let (top, bottom) = (
            y.saturating_sub(reach) * stride,
            (y + reach + 1).min(self.height) * stride,
        );
        let total = |table: &[f32]| {
            (table[bottom + right] - table[bottom + left]) - (table[top + right] - table[top + left])
        };
        let n = total(&self.sums.count);
        if n < 0.5 {
            0.0
        } else {
            total(&self.sums.density) / n
        }
    }

    /// Radius from 0 (deepest) to 1 (outline) by depth.
    pub(crate) fn radius(&self, k: usize) -> f32 {
        1.0 - self.depth[k] / self.deepest_mm as f32
    }

    /// Place of a window cell (mm).
    pub(crate) fn mm(&self, grid: &Grid, k: usize) -> [f64; 2] {
        grid.mm(
            (self.at[0] + k % self.width) as f64,
            (self.at[1] + k / self.width) as f64,
        )
    }
}

/// Cells whose middle lies inside (even-odd rule, row by row).
fn fill(outline: &[[f64; 2]], width: usize, height: usize) -> Vec<bool> {
    let mut cuts: Vec<Vec<f32>> = vec![Vec::new(); height];
    let mut p = outline[outline.len() - 1];
    for &q in outline {
        let (low, high) = if p[1] < q[1] { (p, q) } else { (q, p) };
        let from = libm::ceil(low[1]).max(0.0) as usize;
        let mut row = from;
        while row < height && (row as f64) < high[1] {
            let x = low[0] + (row as f64 - low[1]) / (high[1] - low[1]) * (high[0] - low[0]);
            cuts[row].push(x as f32);
            row += 1;
        }
        p = q;
    }
    let mut within = vec![false; width * height];
    for (row, cut) in cuts.iter_mut().enumerate() {
        cut.sort_unstable_by(f32::total_cmp);
        for pair in cut.chunks_exact(2) {
            let from = libm::ceilf(pair[0]).max(0.0) as usize;
            let to = (libm::floorf(pair[1]).max(-1.0) + 1.0) as usize;
            for cell in
                &mut within[row * width + from.min(width)..row * width + to.min(width).max(from.min(width))]
            {
                *cell = true;
            }
        }
    }
    within
}

/// Squared distance of every cell to the outline's nearest point, in cells: nearest points handed on from neighbour to
/// neighbour, down and up (Danielsson 1980).
fn nearest_squares(outline: &[[f64; 2]], width: usize, height: usize) -> Vec<f32> {
    let points: Vec<[f32; 2]> = outline.iter().map(|p| [p[0] as f32, p[1] as f32]).collect();
    let mut near = vec![
        Nearest {
            square: f32::INFINITY,
            x: 0.0,
            y: 0.0
        };
        width * height
    ];
    for p in &points {
        let (x, y) = (libm::floorf(p[0]), libm::floorf(p[1]));
        for (dx, dy) in [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0)] {
            let (cx, cy) = (x + dx, y + dy);
            if cx >= 0.0 && cy >= 0.0 && cx < width as f32 && cy < height as f32 {
                near[cy as usize * width + cx as usize].offer(cx, cy, p[0], p[1]);
            }
        }
    }
    let pass = |near: &mut [Nearest], y: usize, before: Option<usize>| {
        let fy = y as f32;
        if let Some(b) = before {
            for x in 0..width {
                let fx = x as f32;
                let mut here = near[y * width + x];
                for other in x.saturating_sub(1)..=(x + 1).min(width - 1) {
                    let from = near[b * width + other];
                    here.offer_known(fx, fy, from);
                }
                near[y * width + x] = here;
            }
        }
        for x in 1..width {
            let from = near[y * width + x - 1];
            near[y * width + x].offer_known(x as f32, fy, from);
        }
        for x in (0..width.saturating_sub(1)).rev() {
            let from = near[y * width + x + 1];
            near[y * width + x].offer_known(x as f32, fy, from);
        }
    };
    for y in 0..height {
        pass(&mut near, y, y.checked_sub(1));
    }
    for y in (0..height).rev() {
        pass(&mut near, y, (y + 1 < height).then_some(y + 1));
    }
    near.iter().map(|n| n.square).collect()
}

/// The nearest outline point known so far.
#[derive(Clone, Copy)]
struct Nearest {
    square: f32,
    x: f32,
    y: f32,
}

impl Nearest {
    fn offer(&mut self, at_x: f32, at_y: f32, x: f32, y: f32) {
        let (dx, dy) = (at_x - x, at_y - y);
        let square = dx * dx + dy * dy;
        if square < self.square {
            *self = Self { square, x, y };
        }
    }

    fn offer_known(&mut self, at_x: f32, at_y: f32, from: Self) {
        if from.square < f32::INFINITY {
            self.offer(at_x, at_y, from.x, from.y);
        }
    }
}

/// Decadic logarithm to about 2e-6, for finite `x > 0`: exponent from the bits, mantissa by the series of
/// `ln m = 2·artanh((m − 1)/(m + 1))`.
pub(crate) fn log10(x: f32) -> f32 {
    let bits = x.to_bits();
    let mut exponent = (bits >> 23) as i32 - 127;
    let mut mantissa = f32::from_bits((bits & 0x007f_ffff) | 0x3f80_0000);
    if mantissa > core::f32::consts::SQRT_2 {
        mantissa *= 0.5;
        exponent += 1;
    }
    let t = (mantissa - 1.0) / (mantissa + 1.0);
    let s = t * t;
    let ln = 2.0 * t * (1.0 + s * (1.0 / 3.0 + s * (0.2 + s * (1.0 / 7.0))));
    exponent as f32 * core::f32::consts::LOG10_2 + ln * core::f32::consts::LOG10_E
}

fn exp10(x: f32) -> f32 {
    libm::exp10(f64::from(x)) as f32
}

/// Largest inscribed circle of an outline in millimetres, started from the zone's deepest part.
pub(crate) fn inscribed(outline_mm: &[[f64; 2]], zone: &Zone) -> ([f64; 2], f64) {
    polygon::inscribed_circle(outline_mm, zone.deepest_at_mm, 1.5 * zone.cell_mm)
}

#[cfg(test)]
mod tests {
    #[test]
    fn logarithm_is_close_to_the_library_s() {
        for k in 1..4000 {
            let x = k as f32 * 0.000_37;
            assert!((super::log10(x) - libm::log10f(x)).abs() < 3e-6, "{x}");
        }
    }
}
