//! Decoded pixels, and how a large picture is reduced while it is read row by row.

use super::{Overview, PhotoFacts};

/// Pixels, red, green and blue, eight bits each, row by row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Raster {
    width: usize,
    height: usize,
    rgb: Vec<u8>,
}

/// A raster and what its file said.
#[derive(Debug)]
pub(super) struct Decoded {
    pub(super) facts: PhotoFacts,
    pub(super) raster: Raster,
}

impl Raster {
    pub(super) fn blank(width: usize, height: usize) -> Self {
        Self {
            width,
            height,
            rgb: vec![0; width * height * 3],
        }
    }

    /// Columns.
    #[must_use]
    pub fn width(&self) -> usize {
        self.width
    }

    /// Rows.
    #[must_use]
    pub fn height(&self) -> usize {
        self.height
    }

    /// Red, green, blue of every pixel, row by row.
    #[must_use]
    pub fn rgb(&self) -> &[u8] {
        &self.rgb
    }

    pub(super) fn row_mut(&mut self, y: usize) -> &mut [u8] {
        &mut self.rgb[y * self.width * 3..(y + 1) * self.width * 3]
    }

    /// One pixel; the nearest one for places beyond the border.
    #[inline]
    pub(crate) fn pixel(&self, x: i32, y: i32) -> [u8; 3] {
        let x = (x.max(0) as usize).min(self.width - 1);
        let y = (y.max(0) as usize).min(self.height - 1);
        let at = (y * self.width + x) * 3;
        [self.rgb[at], self.rgb[at + 1], self.rgb[at + 2]]
    }

    /// Brightness of a pixel, 0 to 255 (weights 1, 2, 1: nearer the contrast of print and blood than a luma is).
    #[inline]
    pub(crate) fn grey(&self, x: i32, y: i32) -> f32 {
        let [r, g, b] = self.pixel(x, y);
        f32::from(u16::from(r) + 2 * u16::from(g) + u16::from(b)) * 0.25
    }

    /// Brightness between pixels, bilinear.
    #[inline]
    pub(crate) fn grey_at(&self, [x, y]: [f64; 2]) -> f32 {
        let (ix, iy) = (floor(x), floor(y));
        let (u, v) = ((x - f64::from(ix)) as f32, (y - f64::from(iy)) as f32);
        if ix >= 0 && iy >= 0 && (ix as usize) + 1 < self.width && (iy as usize) + 1 < self.height {
            let at = (iy as usize * self.width + ix as usize) * 3;
            let below = at + self.width * 3;
            let (top, bottom) = (&self.rgb[at..at + 6], &self.rgb[below..below + 6]);
            let left_right = |p: &[u8]| {
                let sum =
                    |k: usize| f32::from(u16::from(p[k]) + 2 * u16::from(p[k + 1]) + u16::from(p[k + 2]));
                sum(0) * (1.0 - u) + sum(3) * u
            };
            return (left_right(top) * (1.0 - v) + left_right(bottom) * v) * 0.25;
        }
        let top = self.grey(ix, iy) * (1.0 - u) + self.grey(ix + 1, iy) * u;
        let bottom = self.grey(ix, iy + 1) * (1.0 - u) + self.grey(ix + 1, iy + 1) * u;
        top * (1.0 - v) + bottom * v
    }

    /// Swaps left and right.
    pub(super) fn flip(&mut self) {
        let width = self.width;
        for row in self.rgb.chunks_exact_mut(width * 3) {
            for x in 0..width / 2 {
                for channel in 0..3 {
                    row.swap(x * 3 + channel, (width - 1 - x) * 3 + channel);
                }
            }
        }
    }

    /// A small overview: means over whole squares, about 320 pixels on the longer side.
    pub(super) fn overview(&self) -> Overview {
        let k = (self.width.max(self.height) / 320).max(1);
        let (width, height) = ((self.width / k).max(1), (self.height / k).max(1));
        let area = (k * k) as u32;
        let mut rgb = vec![[0u8; 3]; width * height];
        let mut sums = vec![[0u32; 3]; width];
        for y in 0..height {
            sums.fill([0; 3]);
            for row in 0..k {
                let at = (y * k + row) * self.width * 3;
                let line = &self.rgb[at..at + width * k * 3];
                for (sum, block) in sums.iter_mut().zip(line.chunks_exact(k * 3)) {
                    for pixel in block.chunks_exact(3) {
                        for channel in 0..3 {
                            sum[channel] += u32::from(pixel[channel]);
                        }
                    }
                }
            }
            for (out, sum) in rgb[y * width..].iter_mut().zip(&sums) {
                *out = sum.map(|s| ((s + area / 2) / area) as u8);
            }
        }
        Overview {
            width,
            height,
            scale: k as f64,
            rgb,
        }
    }
}

/// The whole number below: quicker than the library's rounding on machines without an instruction for it.
#[inline]
pub(crate) fn floor(x: f64) -> i32 {
    let whole = x as i32;
    whole - i32::from(x < f64::from(whole))
}

/// Takes rows of a picture in order and keeps their means over squares of `k` × `k`.
pub(super) struct Reducer {
    k: usize,
    sums: Vec<[u32; 3]>,
    rows_in: usize,
    row_out: usize,
    raster: Raster,
}

impl Reducer {
    pub(super) fn new(width: usize, height: usize, k: usize) -> Self {
        Self {
            k,
            sums: vec![[0; 3]; width / k],
            rows_in: 0,
            row_out: 0,
            raster: Raster::blank(width / k, height / k),
        }
    }

    /// Gives the next row, pixel by pixel.
    pub(super) fn push(&mut self, pixels: impl Iterator<Item = [u8; 3]>) {
        if self.row_out >= self.raster.height {
            return;
        }
        if self.k == 1 {
            let row = self.raster.row_mut(self.row_out);
            for (out, pixel) in row.chunks_exact_mut(3).zip(pixels) {
                out.copy_from_slice(&pixel);
            }
            self.row_out += 1;
            return;
        }
        for (x, pixel) in pixels.take(self.sums.len() * self.k).enumerate() {
            for (sum, value) in self.sums[x / self.k].iter_mut().zip(pixel) {
                *sum += u32::from(value);
            }
        }
        self.rows_in += 1;
        if self.rows_in == self.k {
            let area = (self.k * self.k) as u32;
            for (out, sum) in self
                .raster
                .row_mut(self.row_out)
                .chunks_exact_mut(3)
                .zip(&self.sums)
            {
                for channel in 0..3 {
                    out[channel] = ((sum[channel] + area / 2) / area) as u8;
                }
            }
            self.sums.fill([0; 3]);
            self.rows_in = 0;
            self.row_out += 1;
        }
    }

    pub(super) fn finish(self) -> Raster {
        self.raster
    }
}
