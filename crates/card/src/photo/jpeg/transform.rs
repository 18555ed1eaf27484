//! The inverse discrete cosine transform of an 8 by 8 block, in single precision.
//!
//! Factorisation of Arai, Agui and Nakajima (Trans. IEICE E-71, 1988): the multiplications of the outer stage are folded
//! into the quantisation, five a row remain.

/// Scale of each frequency that is folded into the quantisation: 1, then cos(k·π/16)·√2.
pub(super) const SCALE: [f64; 8] = [
    1.0,
    1.387_039_845_322_147_5,
    1.306_562_964_876_376_6,
    1.175_875_602_419_359,
    1.0,
    0.785_694_958_387_102_2,
    0.541_196_100_146_197,
    0.275_899_379_282_943_1,
];

type Row = [f32; 8];

/// Dequantised and scaled coefficients, column by column: then one transposition between the two passes is enough.
#[derive(Debug, Clone, Default)]
pub(super) struct Block {
    columns: [Row; 8],
}

impl Block {
    #[inline]
    pub(super) fn clear(&mut self) {
        self.columns = [[0.0; 8]; 8];
    }

    #[inline]
    pub(super) fn set(&mut self, place: usize, value: f32) {
        self.columns[place & 7][place >> 3 & 7] = value;
    }

    /// Transforms and writes samples; `last` is the last place in zigzag order that is not zero.
    #[inline]
    pub(super) fn write(&self, last: usize, target: &mut [u8], stride: usize) {
        if last == 0 {
            let value = to_sample(self.columns[0][0]);
            for row in target.chunks_mut(stride).take(8) {
                row[..8].fill(value);
            }
            return;
        }
        let rows = pass(&transpose(&pass(&self.columns)));
        for (target, row) in target.chunks_mut(stride).zip(&rows) {
            for (out, value) in target[..8].iter_mut().zip(row) {
                *out = to_sample(*value);
            }
        }
    }
}

#[inline]
fn to_sample(value: f32) -> u8 {
    let value = value + 128.0;
    let value = if value < 0.0 { 0.0 } else { value };
    let value = if value > 255.0 { 255.0 } else { value };
    // Two to the 23rd leaves whole numbers in the lowest bits of the fraction, rounded: quicker than a cast.
    (value + 8_388_608.0).to_bits() as u8
}

#[inline]
fn transpose(rows: &[Row; 8]) -> [Row; 8] {
    let mut out = [[0.0; 8]; 8];
    for (y, row) in rows.iter().enumerate() {
        for (x, value) in row.iter().enumerate() {
            out[x][y] = *value;
        }
    }
    out
}

#[inline]
fn zip(a: Row, b: Row, f: impl Fn(f32, f32) -> f32) -> Row {
    let mut out = [0.0; 8];
    for i in 0..8 {
        out[i] = f(a[i], b[i]);
    }
    out
}

#[inline]
fn add(a: Row, b: Row) -> Row {
    zip(a, b, |a, b| a + b)
}

#[inline]
fn sub(a: Row, b: Row) -> Row {
    zip(a, b, |a, b| a - b)
}

#[inline]
fn times(a: Row, factor: f32) -> Row {
    a.map(|value| value * factor)
}

/// One-dimensional transform down the columns, all eight columns side by side.
#[inline]
fn pass(rows: &[Row; 8]) -> [Row; 8] {
    const SQRT2: f32 = std::f32::consts::SQRT_2;
    let [r0, r1, r2, r3, r4, r5, r6, r7] = *rows;
    // Even part.
    let (a, b) = (add(r0, r4), sub(r0, r4));
    let d = add(r2, r6);
    let c = sub(times(sub(r2, r6), SQRT2), d);
    let (e0, e3, e1, e2) = (add(a, d), sub(a, d), add(b, c), sub(b, c));
    // Odd part.
    let (z13, z10) = (add(r5, r3), sub(r5, r3));
    let (z11, z12) = (add(r1, r7), sub(r1, r7));
    let o7 = add(z11, z13);
    let o11 = times(sub(z11, z13), SQRT2);
    let z5 = times(add(z10, z12), 1.847_759_1);
    let o10 = sub(times(z12, 1.082_392_2), z5);
    let o12 = sub(z5, times(z10, 2.613_126));
    let o6 = sub(o12, o7);
    let o5 = sub(o11, o6);
    let o4 = add(o10, o5);
    [
        add(e0, o7),
        add(e1, o6),
        add(e2, o5),
        sub(e3, o4),
        add(e3, o4),
        sub(e2, o5),
        sub(e1, o6),
        sub(e0, o7),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    /// The definition: ITU-T T.81, A.3.3.
    fn defined(coefficients: &[[f64; 8]; 8], x: usize, y: usize) -> f64 {
        let c = |k: usize| if k == 0 { 0.5f64.sqrt() } else { 1.0 };
        let mut sum = 0.0;
        for (v, row) in coefficients.iter().enumerate() {
            for (u, value) in row.iter().enumerate() {
                let cosine = |k: usize, n: usize| libm::cos((2 * n + 1) as f64 * k as f64 * PI / 16.0);
                sum += c(u) * c(v) * value * cosine(u, x) * cosine(v, y);
            }
        }
        sum / 4.0
    }

    #[test]
    fn every_coefficient_gives_the_wave_the_standard_defines() {
        for v in 0..8 {
            for u in 0..8 {
                let mut coefficients = [[0.0; 8]; 8];
                coefficients[v][u] = 311.0;
                coefficients[0][0] += 40.0;
                let mut block = Block::default();
                for y in 0..8 {
                    for x in 0..8 {
                        let scaled = coefficients[y][x] * SCALE[x] * SCALE[y] / 8.0;
                        block.set(y * 8 + x, scaled as f32);
                    }
                }
                let mut samples = [0u8; 64];
                block.write(63, &mut samples, 8);
                for y in 0..8 {
                    for x in 0..8 {
                        let expected = (defined(&coefficients, x, y) + 128.0).clamp(0.0, 255.0);
                        let found = f64::from(samples[y * 8 + x]);
                        assert!(
                            (found - expected).abs() <= 0.51,
                            "{u} {v} at {x} {y}: {found}, {expected}"
                        );
                    }
                }
            }
        }
    }
}
