//! Painted patches: a load of blood by place, a stain's colour, a blur, noise. Nothing here calls the code under test.

use spotwright_card::patch::Patch;

/// Density of a dried spot of full load in red, green and blue (fresh red-brown; from memory of scans: sRGB about
/// 128, 38, 34).
pub(crate) const BLOOD: [f64; 3] = [0.65, 1.60, 1.65];

/// A painter of square patches.
#[derive(Debug, Clone)]
pub(crate) struct Painter {
    pub(crate) size_mm: f64,
    pub(crate) pixels_per_mm: f64,
    /// Points a pixel along each axis.
    pub(crate) fine: usize,
    /// Standard deviation of the blur, in linear light (mm).
    pub(crate) blur_mm: f64,
    pub(crate) noise: f64,
    pub(crate) seed: u64,
}

impl Default for Painter {
    fn default() -> Self {
        Self {
            size_mm: 18.0,
            pixels_per_mm: 12.0,
            fine: 4,
            blur_mm: 0.0,
            noise: 0.0,
            seed: 1,
        }
    }
}

impl Painter {
    /// Paints what `density` says of a place in millimetres from the patch's middle.
    pub(crate) fn paint(&self, density: impl Fn(f64, f64) -> [f64; 3]) -> Patch {
        let n = (self.size_mm * self.pixels_per_mm) as usize;
        let half = (n as f64 - 1.0) / 2.0;
        let mut light = vec![[0.0_f64; 3]; n * n];
        for row in 0..n {
            for column in 0..n {
                let mut sum = [0.0; 3];
                for j in 0..self.fine {
                    for i in 0..self.fine {
                        let sub = |k: usize| (k as f64 + 0.5) / self.fine as f64 - 0.5;
                        let x = (column as f64 - half + sub(i)) / self.pixels_per_mm;
                        let y = (row as f64 - half + sub(j)) / self.pixels_per_mm;
                        for (s, d) in sum.iter_mut().zip(density(x, y)) {
                            *s += libm::exp10(-d);
                        }
                    }
                }
                light[row * n + column] = sum.map(|s| s / (self.fine * self.fine) as f64);
            }
        }
        if self.blur_mm > 0.0 {
            blur(&mut light, n, self.blur_mm * self.pixels_per_mm);
        }
        let mut random = Random(self.seed);
        let reflectance = light
            .iter()
            .map(|l| l.map(|v| (v + self.noise * random.normal()).max(0.0) as f32))
            .collect();
        Patch {
            width: n,
            height: n,
            pixels_per_mm: self.pixels_per_mm,
            origin_mm: [-half / self.pixels_per_mm; 2],
            reflectance,
            flags: vec![0; n * n],
            paper_noise: [self.noise as f32; 3],
            blur_mm: self.blur_mm,
        }
    }

    /// Paints blood of the given load by place.
    pub(crate) fn blood(&self, load: impl Fn(f64, f64) -> f64) -> Patch {
        self.paint(|x, y| {
            let load = load(x, y);
            BLOOD.map(|d| d * load)
        })
    }
}

fn blur(light: &mut [[f64; 3]], n: usize, sigma: f64) {
    let reach = (4.0 * sigma).ceil() as isize;
    let kernel: Vec<f64> = (-reach..=reach)
        .map(|k| libm::exp(-0.5 * (k as f64 / sigma) * (k as f64 / sigma)))
        .collect();
    let total: f64 = kernel.iter().sum();
    for vertical in [false, true] {
        let before = light.to_vec();
        for row in 0..n {
            for column in 0..n {
                let mut sum = [0.0; 3];
                for (k, w) in (-reach..=reach).zip(&kernel) {
                    let move_by = |at: usize| (at as isize + k).clamp(0, n as isize - 1) as usize;
                    let at = if vertical {
                        move_by(row) * n + column
                    } else {
                        row * n + move_by(column)
                    };
                    for (s, v) in sum.iter_mut().zip(before[at]) {
                        *s += w * v;
                    }
                }
                light[row * n + column] = sum.map(|s| s / total);
            }
        }
    }
}

/// Seeded noise (splitmix64 and the sum of twelve).
#[derive(Debug, Clone)]
pub(crate) struct Random(pub(crate) u64);

impl Random {
    pub(crate) fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub(crate) fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }
}
