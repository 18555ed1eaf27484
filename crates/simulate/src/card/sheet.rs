//! A card as a picture in its own plane: linear-light reflectance on a square grid, sixteen bits a channel.

use super::measure::Field;
use super::scene::Scene;
use super::texture::Textures;

const WHITE: f32 = 65_535.0;

/// A card's face.
pub(crate) struct Sheet {
    /// Columns.
    pub(crate) width: usize,
    /// Rows.
    pub(crate) height: usize,
    /// Grid points per mm.
    pub(crate) per_mm: f64,
    /// Width and height (mm).
    pub(crate) size_mm: [f64; 2],
    /// Linear reflectance over 65535.
    pixels: Vec<[u16; 3]>,
}

/// What printing and writing put on the paper.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Ink {
    /// Optical density in red, green and blue.
    pub(crate) density: [f32; 3],
}

impl Sheet {
    /// Blank paper of this white, its texture moved by `shift` (mm).
    pub(crate) fn blank(
        size_mm: [f64; 2],
        per_mm: f64,
        white: [f32; 3],
        roughness: f32,
        shift: [f32; 2],
        textures: &Textures,
    ) -> Self {
        let (width, height) = (
            (size_mm[0] * per_mm).ceil() as usize,
            (size_mm[1] * per_mm).ceil() as usize,
        );
        let mut pixels = Vec::with_capacity(width * height);
        let pitch = (1.0 / per_mm) as f32;
        for j in 0..height {
            let y = (j as f32 + 0.5) * pitch + shift[1];
            for i in 0..width {
                let x = (i as f32 + 0.5) * pitch + shift[0];
                let texture =
                    1.0 + roughness * (0.010 * textures.fibres.at(x, y) + 0.005 * textures.cloud.at(x, y));
                pixels.push(white.map(|w| pack(w * texture)));
            }
        }
        Self {
            width,
            height,
            per_mm,
            size_mm,
            pixels,
        }
    }

    /// Applies `change` to every grid point whose middle lies in the rectangle (mm: left, top, right, bottom).
    pub(crate) fn change(
        &mut self,
        bounds: [f64; 4],
        mut change: impl FnMut(f32, f32, [f32; 3]) -> [f32; 3],
    ) {
        let (columns, rows) = (
            self.range(bounds[0], bounds[2], self.width),
            self.range(bounds[1], bounds[3], self.height),
        );
        let pitch = (1.0 / self.per_mm) as f32;
        for j in rows {
            let y = (j as f32 + 0.5) * pitch;
            for i in columns.clone() {
                let x = (i as f32 + 0.5) * pitch;
                let pixel = &mut self.pixels[j * self.width + i];
                *pixel = change(x, y, pixel.map(unpack)).map(pack);
            }
        }
    }

    fn range(&self, low: f64, high: f64, size: usize) -> std::ops::Range<usize> {
        let at = |mm: f64| (mm * self.per_mm).clamp(0.0, size as f64);
        (at(low).floor() as usize)..(at(high).ceil() as usize)
    }

    /// Puts ink where `coverage` (0 to 1, given a place in mm) says.
    pub(crate) fn print(&mut self, bounds: [f64; 4], ink: Ink, coverage: impl Fn(f32, f32) -> f32) {
        let left = ink.density.map(super::blood::transmission);
        self.change(bounds, |x, y, paper| {
            let share = coverage(x, y).clamp(0.0, 1.0);
            if share == 0.0 {
                return paper;
            }
            let mut seen = paper;
            for (value, left) in seen.iter_mut().zip(left) {
                *value *= 1.0 + share * (left - 1.0);
            }
            seen
        });
    }

    /// Half a grid point, the softness of a printed edge (mm).
    pub(crate) fn soft_mm(&self) -> f32 {
        (0.5 / self.per_mm) as f32
    }

    /// Paints a spot and gives the field its true outline is measured on. The field reaches beyond the card.
    pub(crate) fn paint(&mut self, scene: &Scene, textures: &Textures) -> Field {
        let pitch_mm = 1.0 / self.per_mm;
        let first = |mm: f64| (mm * self.per_mm).floor() as i64;
        let (i0, j0) = (first(scene.bounds[0]), first(scene.bounds[1]));
        let (i1, j1) = (first(scene.bounds[2]) + 1, first(scene.bounds[3]) + 1);
        let (width, height) = ((i1 - i0) as usize, (j1 - j0) as usize);
        let mut above_half = Vec::with_capacity(width * height);
        for j in j0..j1 {
            let y = ((j as f64 + 0.5) * pitch_mm) as f32;
            for i in i0..i1 {
                let x = ((i as f64 + 0.5) * pitch_mm) as f32;
                let on_card = i >= 0 && j >= 0 && (i as usize) < self.width && (j as usize) < self.height;
                let here = scene.at(x, y, textures);
                above_half.push(if on_card { here.relative - 0.5 } else { -0.5 });
                if on_card && (here.shine > 0.0 || here.density.iter().any(|d| *d > 0.0)) {
                    let pixel = &mut self.pixels[j as usize * self.width + i as usize];
                    *pixel = here.over(pixel.map(unpack)).map(pack);
                }
            }
        }
        Field {
            width,
            height,
            origin_mm: [(i0 as f64 + 0.5) * pitch_mm, (j0 as f64 + 0.5) * pitch_mm],
            pitch_mm,
            above_half,
        }
    }

    /// Reflectance at a place (mm), linear between grid points, the nearest one beyond the edge.
    #[inline]
    pub(crate) fn at(&self, x_mm: f32, y_mm: f32) -> [f32; 3] {
        let per_mm = self.per_mm as f32;
        let x = (x_mm * per_mm - 0.5).clamp(0.0, (self.width - 1) as f32 - 0.001);
        let y = (y_mm * per_mm - 0.5).clamp(0.0, (self.height - 1) as f32 - 0.001);
        let (i, j) = (x as usize, y as usize);
        let (tx, ty) = (x - i as f32, y - j as f32);
        let row = &self.pixels[j * self.width + i..];
        let below = &self.pixels[(j + 1) * self.width + i..];
        let mut seen = [0.0f32; 3];
        for (channel, value) in seen.iter_mut().enumerate() {
            let (a, b) = (f32::from(row[0][channel]), f32::from(row[1][channel]));
            let (c, d) = (f32::from(below[0][channel]), f32::from(below[1][channel]));
            let (upper, lower) = (a + (b - a) * tx, c + (d - c) * tx);
            *value = (upper + (lower - upper) * ty) * (1.0 / WHITE);
        }
        seen
    }
}

#[inline]
fn pack(value: f32) -> u16 {
    (value.clamp(0.0, 1.0) * WHITE + 0.5) as u16
}

#[inline]
fn unpack(value: u16) -> f32 {
    f32::from(value) * (1.0 / WHITE)
}
