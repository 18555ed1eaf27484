//! Paper seen close up: fibres, cloudiness and grain, as tiles that repeat without a seam.

use crate::random::{Purpose, Stream};

/// Side of a tile in cells; a power of two, so that wrapping is a mask.
const SIDE: usize = 512;

/// More cells than any place is away from the origin; a whole number of tiles.
const FAR: f32 = 65_536.0;

/// A square of noise with mean 0 and variance 1 that repeats without a seam.
pub(crate) struct Tile {
    cells_per_mm: f32,
    cells: Vec<f32>,
}

/// The tiles a card is made of.
pub(crate) struct Textures {
    /// Single fibres, 0.3 to 1.2 mm long.
    pub(crate) fibres: Tile,
    /// Slow variation over 1 to 4 mm.
    pub(crate) cloud: Tile,
    /// What makes the soaked edge ragged: 0.1 to 0.3 mm.
    pub(crate) ragged: Tile,
    /// Standard normal numbers for the sensor's noise.
    pub(crate) normals: Vec<f32>,
}

impl Textures {
    /// The tiles of a seed.
    pub(crate) fn new(seed: u64) -> Self {
        let mut stream = Stream::new(seed, 0, Purpose::CardTexture, 0);
        let fibres = Tile::new(20.0, felt(&mut stream));
        let cloud = Tile::new(5.0, smooth_noise(&mut stream, &[(4, 1.0), (9, 1.0)]));
        let ragged = Tile::new(20.0, smooth_noise(&mut stream, &[(1, 0.35), (3, 1.0), (7, 1.0)]));
        let normals = (0..1 << 14).map(|_| stream.normal() as f32).collect();
        Self {
            fibres,
            cloud,
            ragged,
            normals,
        }
    }
}

impl Tile {
    fn new(cells_per_mm: f32, mut cells: Vec<f32>) -> Self {
        let n = cells.len() as f64;
        let mean = cells.iter().map(|c| f64::from(*c)).sum::<f64>() / n;
        let variance = cells
            .iter()
            .map(|c| (f64::from(*c) - mean) * (f64::from(*c) - mean))
            .sum::<f64>()
            / n;
        let scale = 1.0 / variance.sqrt().max(1e-12);
        for cell in &mut cells {
            *cell = ((f64::from(*cell) - mean) * scale) as f32;
        }
        Self { cells_per_mm, cells }
    }

    /// The value at a place (mm), linear between cells.
    #[inline]
    pub(crate) fn at(&self, x_mm: f32, y_mm: f32) -> f32 {
        let (x, y) = (x_mm * self.cells_per_mm, y_mm * self.cells_per_mm);
        // Cheaper than a floor on machines without one: cells are far fewer than the offset.
        let (i, j) = ((x + FAR) as i32 - FAR as i32, (y + FAR) as i32 - FAR as i32);
        let (tx, ty) = (x - i as f32, y - j as f32);
        let mask = SIDE - 1;
        let (i, j) = ((i as usize) & mask, (j as usize) & mask);
        let (i1, j1) = ((i + 1) & mask, (j + 1) & mask);
        let (a, b) = (self.cells[j * SIDE + i], self.cells[j * SIDE + i1]);
        let (c, d) = (self.cells[j1 * SIDE + i], self.cells[j1 * SIDE + i1]);
        let (upper, lower) = (a + (b - a) * tx, c + (d - c) * tx);
        upper + (lower - upper) * ty
    }
}

/// Many short bent fibres, light and dark, over fine grain.
fn felt(stream: &mut Stream) -> Vec<f32> {
    let mut cells: Vec<f32> = (0..SIDE * SIDE).map(|_| 0.35 * stream.normal() as f32).collect();
    for _ in 0..9000 {
        let (mut x, mut y) = (stream.between(0.0, SIDE as f64), stream.between(0.0, SIDE as f64));
        let mut angle = stream.between(0.0, std::f64::consts::TAU);
        let bend = 0.06 * stream.normal();
        let weight = if stream.chance(0.5) { 0.8 } else { -0.8 } * stream.between(0.4, 1.2) as f32;
        for _ in 0..(6 + stream.below(18)) {
            x += libm::cos(angle);
            y += libm::sin(angle);
            angle += bend;
            let (i, j) = (
                (x.floor() as i64) as usize & (SIDE - 1),
                (y.floor() as i64) as usize & (SIDE - 1),
            );
            cells[j * SIDE + i] += weight;
        }
    }
    blur(&mut cells, 1);
    cells
}

/// White noise smoothed over several widths (cells), each to unit variance and then weighted.
fn smooth_noise(stream: &mut Stream, widths: &[(usize, f32)]) -> Vec<f32> {
    let mut sum = vec![0.0f32; SIDE * SIDE];
    for (width, weight) in widths {
        let mut cells: Vec<f32> = (0..SIDE * SIDE).map(|_| stream.normal() as f32).collect();
        blur(&mut cells, *width);
        blur(&mut cells, *width);
        let cells = Tile::new(1.0, cells).cells;
        for (total, cell) in sum.iter_mut().zip(cells) {
            *total += weight * cell;
        }
    }
    sum
}

/// Box of `2·width + 1` cells both ways, wrapping round.
fn blur(cells: &mut [f32], width: usize) {
    let mut line = vec![0.0f32; SIDE];
    for vertical in [false, true] {
        let at = |line: usize, k: usize| {
            if vertical {
                k * SIDE + line
            } else {
                line * SIDE + k
            }
        };
        for number in 0..SIDE {
            for (k, value) in line.iter_mut().enumerate() {
                *value = cells[at(number, k)];
            }
            for k in 0..SIDE {
                let sum: f32 = (0..=2 * width)
                    .map(|d| line[(k + SIDE + d - width) & (SIDE - 1)])
                    .sum();
                cells[at(number, k)] = sum / (2 * width + 1) as f32;
            }
        }
    }
}
