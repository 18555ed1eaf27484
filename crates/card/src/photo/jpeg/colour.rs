//! Decoded samples of a run of units to red, green and blue (ITU-T T.871, section 7), reduced where wanted.

use super::header::Plan;
use crate::photo::Raster;

/// Samples of one row of units, by component.
pub(super) struct Strip {
    planes: Vec<Plane>,
    /// Chroma at full width, one row.
    blue: Vec<u8>,
    red: Vec<u8>,
    /// Chroma of two rows, weighted.
    sums: Vec<u16>,
    /// Converted rows, three bytes a pixel.
    rows: Vec<u8>,
}

struct Plane {
    stride: usize,
    samples: Vec<u8>,
}

impl Strip {
    pub(super) fn new(plan: &Plan) -> Self {
        let planes = plan
            .components
            .iter()
            .map(|c| {
                let stride = plan.units_across * c.across * 8;
                Plane {
                    stride,
                    samples: vec![0; stride * c.down * 8],
                }
            })
            .collect();
        let width = plan.units_across * plan.unit_width();
        Self {
            planes,
            blue: vec![0; width],
            red: vec![0; width],
            sums: vec![0; width],
            rows: vec![0; width * 3],
        }
    }

    /// Where a block's samples go, and the distance from row to row.
    #[inline]
    pub(super) fn block_mut(&mut self, component: usize, bx: usize, by: usize) -> (&mut [u8], usize) {
        let plane = &mut self.planes[component];
        let at = by * 8 * plane.stride + bx * 8;
        let end = at + 7 * plane.stride + 8;
        (&mut plane.samples[at..end], plane.stride)
    }

    /// Writes `count` units from unit `from` of unit row `v` into a raster reduced by `k`.
    pub(super) fn write(
        &mut self,
        plan: &Plan,
        v: usize,
        from: usize,
        count: usize,
        k: usize,
        into: &mut Raster,
    ) {
        let (unit_width, unit_height) = (plan.unit_width(), plan.unit_height());
        let x0 = from * unit_width / k;
        let x1 = ((from + count) * unit_width / k).min(into.width());
        let pixels = count * unit_width;
        let mut sums = vec![[0u16; 3]; if k > 1 { x1.saturating_sub(x0) } else { 0 }];
        for y in 0..unit_height {
            let target = (v * unit_height + y) / k;
            if target >= into.height() || x1 <= x0 {
                break;
            }
            if k == 1 {
                let out = &mut into.row_mut(target)[x0 * 3..x1 * 3];
                self.convert_row(plan, y, pixels, Some(out));
                continue;
            }
            self.convert_row(plan, y, pixels, None);
            for (sum, block) in sums.iter_mut().zip(self.rows.chunks_exact(k * 3)) {
                for pixel in block.chunks_exact(3) {
                    for channel in 0..3 {
                        sum[channel] += u16::from(pixel[channel]);
                    }
                }
            }
            if (y + 1) % k == 0 {
                let area = (k * k) as u16;
                let out = &mut into.row_mut(target)[x0 * 3..x1 * 3];
                for (out, sum) in out.chunks_exact_mut(3).zip(&mut sums) {
                    for channel in 0..3 {
                        out[channel] = ((sum[channel] + area / 2) / area) as u8;
                    }
                    *sum = [0; 3];
                }
            }
        }
    }

    /// Converts one row into `out`, or into `self.rows`.
    fn convert_row(&mut self, plan: &Plan, y: usize, pixels: usize, out: Option<&mut [u8]>) {
        let out = match out {
            Some(out) => out,
            None => &mut self.rows[..pixels * 3],
        };
        let luma = &self.planes[0].samples[y * self.planes[0].stride..][..pixels];
        if plan.components.len() == 1 {
            for (out, luma) in out.chunks_exact_mut(3).zip(luma) {
                out.fill(*luma);
            }
            return;
        }
        let (h, v) = (plan.components[0].across, plan.components[0].down);
        for (plane, full) in [(1, &mut self.blue), (2, &mut self.red)] {
            let Plane { stride, samples } = &self.planes[plane];
            widen(samples, *stride, y, [h, v], &mut self.sums, &mut full[..pixels]);
        }
        // By lots, so that arithmetic runs on many pixels at once and only the last step goes pixel by pixel.
        const LOT: usize = 32;
        let chroma = self.blue.chunks(LOT).zip(self.red.chunks(LOT));
        for ((out, luma), (blue, red)) in out.chunks_mut(3 * LOT).zip(luma.chunks(LOT)).zip(chroma) {
            let mut lot = [[0u8; LOT]; 3];
            let [r, g, b] = &mut lot;
            if let (Ok(luma), Ok(blue), Ok(red)) = (
                <&[u8; LOT]>::try_from(luma),
                <&[u8; LOT]>::try_from(blue),
                <&[u8; LOT]>::try_from(red),
            ) {
                for i in 0..LOT {
                    [r[i], g[i], b[i]] = rgb(luma[i], blue[i], red[i]);
                }
            } else {
                for (i, ((luma, blue), red)) in luma.iter().zip(blue).zip(red).enumerate() {
                    [r[i], g[i], b[i]] = rgb(*luma, *blue, *red);
                }
            }
            for (i, pixel) in out.chunks_exact_mut(3).enumerate() {
                pixel.copy_from_slice(&[r[i], g[i], b[i]]);
            }
        }
    }
}

/// Brings a row of chroma to full width by linear interpolation between sample centres.
fn widen(samples: &[u8], stride: usize, y: usize, [h, v]: [usize; 2], sums: &mut [u16], out: &mut [u8]) {
    let row = |at: usize| &samples[at * stride..][..out.len() / h];
    if v == 1 && h == 1 {
        out.copy_from_slice(row(y));
        return;
    }
    let (near, far) = if v == 1 {
        (row(y), row(y))
    } else {
        // The rows above and below this row of units are not at hand: the nearest row stands for them.
        let far = if y.is_multiple_of(2) {
            (y / 2).saturating_sub(1)
        } else {
            (y / 2 + 1).min(7)
        };
        (row(y / 2), row(far))
    };
    for ((sum, near), far) in sums.iter_mut().zip(near).zip(far) {
        *sum = u16::from(*near) * 3 + u16::from(*far);
    }
    let sums = &sums[..near.len()];
    if h == 1 {
        for (out, sum) in out.iter_mut().zip(sums) {
            *out = ((sum + 2) >> 2) as u8;
        }
        return;
    }
    let last = sums.len() - 1;
    out[0] = ((sums[0] * 4 + 8) >> 4) as u8;
    out[2 * last + 1] = ((sums[last] * 4 + 7) >> 4) as u8;
    for (pair, two) in out[1..2 * last + 1].chunks_exact_mut(2).zip(sums.windows(2)) {
        pair[0] = ((two[0] * 3 + two[1] + 7) >> 4) as u8;
        pair[1] = ((two[1] * 3 + two[0] + 8) >> 4) as u8;
    }
}

/// Luma and chroma to red, green, blue; sixteen-bit arithmetic, within one of the exact value.
#[inline]
pub(super) fn rgb(luma: u8, blue: u8, red: u8) -> [u8; 3] {
    let (y, b, r) = (i16::from(luma), i16::from(blue) - 128, i16::from(red) - 128);
    // 1.402 = 1 + 103/256; 0.714 = 1 - 73/256; 0.344 = 88/256; 1.772 = 2 - 58/256 (to a thousandth or two).
    let clamp = |value: i16| value.clamp(0, 255) as u8;
    [
        clamp(y + r + ((r * 103 + 128) >> 8)),
        clamp(y - r + ((r * 73 - b * 88 + 128) >> 8)),
        clamp(y + 2 * b - ((b * 58 + 128) >> 8)),
    ]
}
