//! Linear light, and the light that fell on the paper: a smooth surface through what is blank.

/// sRGB-coded to linear light, 0 to 1, for every eight-bit value (IEC 61966-2-1, section 5.2).
pub(crate) fn linear_table() -> [f32; 256] {
    std::array::from_fn(|value| {
        let c = value as f64 / 255.0;
        let linear = if c <= 0.040_45 {
            c / 12.92
        } else {
            libm::pow((c + 0.055) / 1.055, 2.4)
        };
        linear as f32
    })
}

/// Linear light to sRGB-coded, eight bits.
pub(crate) fn coded(linear: f32) -> u8 {
    let l = f64::from(linear).clamp(0.0, 1.0);
    let c = if l <= 0.003_130_8 {
        l * 12.92
    } else {
        1.055 * libm::pow(l, 1.0 / 2.4) - 0.055
    };
    (c * 255.0 + 0.5) as u8
}

/// A place in a window, each coordinate from -1 to 1, and its linear light.
pub(crate) type Sample = ([f32; 2], [f32; 3]);

/// Most terms of a surface: all of x and y up to the third power.
const TERMS: usize = 10;
/// Columns of the equations: terms, and a right side for each channel.
const WIDE: usize = TERMS + 3;

/// Light on blank paper as a polynomial of a place in a window.
#[derive(Debug, Clone)]
pub(crate) struct Surface {
    terms: usize,
    /// By channel.
    coefficients: [[f64; TERMS]; 3],
    /// Share of the samples taken for paper.
    pub(crate) paper_share: f64,
    /// Relative standard deviation of paper about the surface, by channel.
    pub(crate) scatter: [f64; 3],
}

/// Fits the paper's light; `None` when too few samples can be paper.
///
/// Blood, print and shadows are darker than paper, so paper is the upper envelope: found first by asymmetric least squares
/// (Newey and Powell 1987) on the green light, then sharpened by keeping what lies near it in every channel.
pub(crate) fn fit(samples: &[Sample], degree: usize) -> Option<Surface> {
    if samples.len() < 60 {
        return None;
    }
    let terms = if degree >= 3 { 10 } else { 6 };
    let mut weights = vec![1.0f64; samples.len()];
    let mut envelope = [0.0; TERMS];
    // A plane first: a bent surface would follow a spot that fills the window.
    for round in 0..8 {
        envelope = solve(samples, &weights, 3)?[1];
        for (weight, (place, light)) in weights.iter_mut().zip(samples) {
            let rest = f64::from(light[1]) - value(&envelope, 3, *place);
            *weight = if rest > 0.0 { 1.0 } else { 0.01 };
        }
        if round == 7 {
            break;
        }
    }
    let level = samples
        .iter()
        .map(|(p, _)| value(&envelope, 3, *p))
        .fold(f64::MAX, f64::min);
    if level <= 1e-4 {
        return None;
    }
    let mut tolerance: f64 = 0.16;
    let mut coefficients = [envelope; 3];
    let mut terms_now = 3;
    let mut scatter = [0.0; 3];
    let mut paper_share = 0.0;
    for round in 0..5 {
        let mut kept = 0;
        for (weight, (place, light)) in weights.iter_mut().zip(samples) {
            let near = (0..3).all(|c| {
                // Only green is known in the first round.
                if round == 0 && c != 1 {
                    return true;
                }
                let expected = value(&coefficients[c], terms_now, *place);
                let width = if round == 0 {
                    tolerance
                } else {
                    tolerance.max(4.0 * scatter[c])
                };
                (f64::from(light[c]) - expected).abs() <= width * expected
            });
            *weight = if near { 1.0 } else { 0.0 };
            kept += usize::from(near);
        }
        if kept < 40 {
            return None;
        }
        paper_share = kept as f64 / samples.len() as f64;
        terms_now = if round == 0 { 3 } else { terms };
        coefficients = solve(samples, &weights, terms_now)?;
        for c in 0..3 {
            let (mut sum, mut count) = (0.0, 0.0);
            for (weight, (place, light)) in weights.iter().zip(samples) {
                let expected = value(&coefficients[c], terms_now, *place);
                if *weight > 0.0 && expected > 0.0 {
                    let rest = f64::from(light[c]) / expected - 1.0;
                    sum += rest * rest;
                    count += 1.0;
                }
            }
            scatter[c] = (sum / f64::max(count, 1.0)).sqrt();
        }
        tolerance = [0.10, 0.06, 0.03, 0.0, 0.0][round];
    }
    Some(Surface {
        terms,
        coefficients,
        paper_share,
        scatter,
    })
}

impl Surface {
    /// Light on blank paper at a place, by channel; never below a ten-thousandth.
    #[inline]
    pub(crate) fn at(&self, place: [f32; 2]) -> [f32; 3] {
        [0, 1, 2].map(|c| value(&self.coefficients[c], self.terms, place).max(1e-4) as f32)
    }

    /// One row's polynomials in x, by channel: constant, x, x², x³.
    pub(crate) fn row(&self, y: f32) -> [[f32; 4]; 3] {
        let y = f64::from(y);
        self.coefficients.map(|k| {
            [
                k[0] + y * (k[2] + y * (k[5] + y * k[9])),
                k[1] + y * (k[4] + y * k[8]),
                k[3] + y * k[7],
                k[6],
            ]
            .map(|v| v as f32)
        })
    }
}

/// 1, x, y, x², xy, y², x³, x²y, xy², y³.
#[inline]
fn powers([x, y]: [f32; 2]) -> [f64; TERMS] {
    let (x, y) = (f64::from(x), f64::from(y));
    [
        1.0,
        x,
        y,
        x * x,
        x * y,
        y * y,
        x * x * x,
        x * x * y,
        x * y * y,
        y * y * y,
    ]
}

#[inline]
fn value(coefficients: &[f64; TERMS], terms: usize, place: [f32; 2]) -> f64 {
    let p = powers(place);
    let mut sum = 0.0;
    for k in 0..terms {
        sum += coefficients[k] * p[k];
    }
    sum
}

/// Weighted least squares by normal equations, all channels at once; a trace of damping keeps them solvable.
fn solve(samples: &[Sample], weights: &[f64], terms: usize) -> Option<[[f64; TERMS]; 3]> {
    let mut normal = [[0.0; WIDE]; TERMS];
    for (weight, (place, light)) in weights.iter().zip(samples) {
        if *weight == 0.0 {
            continue;
        }
        let p = powers(*place);
        for i in 0..terms {
            let w = weight * p[i];
            for j in i..terms {
                normal[i][j] += w * p[j];
            }
            for (channel, value) in light.iter().enumerate() {
                normal[i][TERMS + channel] += w * f64::from(*value);
            }
        }
    }
    mirror(&mut normal, terms);
    let total = normal[0][0];
    for (i, row) in normal.iter_mut().enumerate().take(terms).skip(1) {
        row[i] += 1e-4 * total;
    }
    for i in 0..terms {
        let pivot = normal[i][i];
        if !pivot.is_finite() || pivot <= 0.0 {
            return None;
        }
        let mut row = normal[i];
        for value in &mut row[i..] {
            *value /= pivot;
        }
        normal[i] = row;
        for (k, other) in normal.iter_mut().enumerate().take(terms) {
            if k != i {
                let factor = other[i];
                for (value, pivot_value) in other[i..].iter_mut().zip(&row[i..]) {
                    *value -= factor * pivot_value;
                }
            }
        }
    }
    let mut out = [[0.0; TERMS]; 3];
    for (channel, out) in out.iter_mut().enumerate() {
        for (out, row) in out.iter_mut().zip(&normal).take(terms) {
            *out = row[TERMS + channel];
        }
    }
    out.iter().flatten().all(|v| v.is_finite()).then_some(out)
}

/// Completes a symmetric matrix from its upper half.
fn mirror(matrix: &mut [[f64; WIDE]; TERMS], terms: usize) {
    for i in 1..terms {
        let (above, rest) = matrix.split_at_mut(i);
        for (value, row) in rest[0].iter_mut().zip(above) {
            *value = row[i];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEC 61966-2-1: the curve's two parts meet at 0.04045, white is 1, and mid grey 188 is half the light to
    /// within rounding (0.5 is coded 187.5).
    #[test]
    fn linear_light_follows_the_standard() {
        let table = linear_table();
        assert!(table[0].abs() < 1e-9 && (table[255] - 1.0).abs() < 1e-6);
        assert!((table[10] - 10.0 / 255.0 / 12.92).abs() < 1e-7);
        // From memory: sRGB 119 is 18.4 % reflectance, the photographer's grey card.
        assert!((table[119] - 0.1845).abs() < 2e-4, "{}", table[119]);
        assert!((table[188] - 0.5029).abs() < 2e-4, "{}", table[188]);
        for value in 0..=255u8 {
            assert_eq!(coded(table[usize::from(value)]), value);
        }
    }

    #[test]
    fn a_surface_passes_under_a_spot_that_covers_half_the_window() {
        let mut samples = Vec::new();
        for j in -20..=20i32 {
            for i in -20..=20i32 {
                let (x, y) = (i as f32 / 20.0, j as f32 / 20.0);
                let light = 0.6 + 0.15 * x - 0.08 * y + 0.03 * x * y;
                let blood = x * x + y * y < 0.64;
                let grain = 1.0 + 0.01 * ((i * 7 + j * 13).rem_euclid(5) as f32 - 2.0) / 2.0;
                let k = if blood { 0.1 } else { 1.0 } * grain * light;
                samples.push(([x, y], [k, 0.9 * k, 0.8 * k]));
            }
        }
        let surface = fit(&samples, 2).unwrap();
        for (x, y) in [(0.0, 0.0), (0.9, -0.9), (-0.5, 0.2)] {
            let expected = 0.6 + 0.15 * x - 0.08 * y + 0.03 * x * y;
            let found = surface.at([x, y]);
            assert!((found[0] / expected - 1.0).abs() < 0.01, "{found:?} {expected}");
            assert!((found[2] / (0.8 * expected) - 1.0).abs() < 0.01);
            let row = surface.row(y);
            let sum = row[1][0] + x * (row[1][1] + x * (row[1][2] + x * row[1][3]));
            assert!((sum - found[1]).abs() < 1e-6);
        }
    }
}
