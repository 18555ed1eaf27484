//! A baseline JPEG as a picture that is decoded where it is looked at.
//!
//! The entropy-coded data must be walked through from its beginning, since codes have no fixed length; but nothing more
//! than lengths and mean values (the DC coefficients) is needed to know where every block begins and what the picture
//! looks like at an eighth of its size. [`Jpeg::index`] does that walk and [`Jpeg::decode`] then transforms only the
//! blocks of the rectangles asked for. ISO/IEC 10918-1 (ITU-T T.81), sequential Huffman mode, eight bits.

mod bits;
mod colour;
mod header;
mod huffman;
mod transform;

pub(super) use header::Header;

use super::{MAX_STORED_PIXELS, Overview, PhotoError, Raster, Rectangle};
use bits::{Bits, Exhausted};
use header::Plan;
use transform::Block;

/// What it takes to begin decoding at a unit.
#[derive(Debug, Clone, Copy)]
struct Entry {
    bits: Bits,
    predictions: [i16; 3],
}

/// An indexed JPEG.
#[derive(Debug)]
pub(super) struct Jpeg<'a> {
    bytes: &'a [u8],
    plan: Plan,
    entries: Vec<Entry>,
    decoded: Vec<bool>,
    overview: Overview,
    reduction: usize,
}

impl<'a> Jpeg<'a> {
    /// Walks through the picture; `None` when it is of a kind that is decoded whole.
    pub(super) fn index(bytes: &'a [u8], header: &Header) -> Result<Option<Self>, PhotoError> {
        let Some(plan) = header.plan() else {
            return Ok(None);
        };
        let pixels = u64::from(header.width) * u64::from(header.height);
        let reduction = [1usize, 2, 4]
            .into_iter()
            .find(|k| pixels / (k * k) as u64 <= MAX_STORED_PIXELS)
            .unwrap_or(8);
        let units = plan.units_across * plan.units_down;
        // A unit takes at least a bit a block; what cannot be there is refused before memory is asked for.
        if units / 8 > bytes.len() {
            return Err(truncated(0, units));
        }
        let mut entries = Vec::with_capacity(units);
        let mut means = Means::new(&plan);
        let mut bits = Bits::new(plan.scan_start);
        let mut predictions = [0i16; 3];
        for unit in 0..units {
            if plan.restart_interval > 0 && unit % plan.restart_interval == 0 && unit > 0 {
                bits.restart(bytes).map_err(|Exhausted| truncated(unit, units))?;
                predictions = [0; 3];
            }
            entries.push(Entry { bits, predictions });
            walk_unit(
                bytes,
                &plan,
                &mut bits,
                &mut predictions,
                |component, block, dc| {
                    means.put(&plan, unit, component, block, dc);
                },
            )
            .map_err(|Exhausted| truncated(unit, units))?;
        }
        let overview = means.overview(&plan, header, reduction);
        Ok(Some(Self {
            bytes,
            plan,
            decoded: vec![false; entries.len()],
            entries,
            overview,
            reduction,
        }))
    }

    pub(super) fn overview(&self) -> Overview {
        self.overview.clone()
    }

    pub(super) fn reduction(&self) -> u32 {
        self.reduction as u32
    }

    pub(super) fn stored_width(&self) -> usize {
        self.plan.width / self.reduction
    }

    pub(super) fn stored_height(&self) -> usize {
        self.plan.height / self.reduction
    }

    /// Decodes the units that touch rectangles of stored pixels, those not decoded yet.
    pub(super) fn decode(&mut self, rectangles: &[Rectangle], into: &mut Raster) -> Result<(), PhotoError> {
        let plan = &self.plan;
        let (unit_width, unit_height) = (plan.unit_width(), plan.unit_height());
        let mut wanted = vec![false; self.entries.len()];
        for r in rectangles {
            if r.x1 <= r.x0 || r.y1 <= r.y0 {
                continue;
            }
            let k = self.reduction;
            let (u0, u1) = (
                r.x0 * k / unit_width,
                ((r.x1 * k - 1) / unit_width).min(plan.units_across - 1),
            );
            let (v0, v1) = (
                r.y0 * k / unit_height,
                ((r.y1 * k - 1) / unit_height).min(plan.units_down - 1),
            );
            for v in v0..=v1 {
                for u in u0..=u1 {
                    let at = v * plan.units_across + u;
                    wanted[at] = !self.decoded[at];
                }
            }
        }
        let mut strip = colour::Strip::new(plan);
        for v in 0..plan.units_down {
            let row = v * plan.units_across;
            let mut u = 0;
            while u < plan.units_across {
                if !wanted[row + u] {
                    u += 1;
                    continue;
                }
                let from = u;
                while u < plan.units_across && wanted[row + u] {
                    u += 1;
                }
                self.decode_run(row + from, row + u, &mut strip)
                    .map_err(|Exhausted| truncated(row + from, self.entries.len()))?;
                strip.write(plan, v, from, u - from, self.reduction, into);
                self.decoded[row + from..row + u].fill(true);
            }
        }
        Ok(())
    }

    fn decode_run(&self, from: usize, to: usize, strip: &mut colour::Strip) -> Result<(), Exhausted> {
        let plan = &self.plan;
        let Entry {
            mut bits,
            mut predictions,
        } = self.entries[from];
        let mut block = Block::default();
        for unit in from..to {
            if plan.restart_interval > 0 && unit % plan.restart_interval == 0 {
                Entry { bits, predictions } = self.entries[unit];
            }
            for (index, component) in plan.components.iter().enumerate() {
                for number in 0..component.across * component.down {
                    let last = read_block(
                        self.bytes,
                        plan,
                        index,
                        &mut bits,
                        &mut predictions[index],
                        &mut block,
                    )?;
                    let (bx, by) = (number % component.across, number / component.across);
                    let (target, stride) = strip.block_mut(index, (unit - from) * component.across + bx, by);
                    block.write(last, target, stride);
                }
            }
        }
        Ok(())
    }
}

/// Mean values of blocks, by component.
struct Means {
    planes: Vec<Vec<u8>>,
}

impl Means {
    fn new(plan: &Plan) -> Self {
        let planes = plan
            .components
            .iter()
            .map(|c| vec![128; plan.units_across * c.across * plan.units_down * c.down])
            .collect();
        Self { planes }
    }

    #[inline]
    fn put(&mut self, plan: &Plan, unit: usize, component: usize, block: usize, dc: i16) {
        let c = &plan.components[component];
        let (u, v) = (unit % plan.units_across, unit / plan.units_across);
        let (bx, by) = (block % c.across, block / c.across);
        let stride = plan.units_across * c.across;
        let mean = (i32::from(dc) * i32::from(c.quantisation[0]) + 4) >> 3;
        self.planes[component][(v * c.down + by) * stride + u * c.across + bx] =
            (mean + 128).clamp(0, 255) as u8;
    }

    fn overview(&self, plan: &Plan, header: &Header, reduction: usize) -> Overview {
        let (blocks_x, blocks_y) = (plan.width / 8, plan.height / 8);
        let stride = plan.units_across * plan.components[0].across;
        let chroma = plan.components.get(1).map(|c| {
            let (h, v) = (
                plan.components[0].across / c.across,
                plan.components[0].down / c.down,
            );
            (h, v, plan.units_across * c.across)
        });
        // Large pictures give more blocks than are worth searching.
        let k = (header.width.max(header.height) as usize / 8 / 280).max(1);
        let (width, height) = (blocks_x / k, blocks_y / k);
        let area = (k * k) as u32;
        let mut rgb = Vec::with_capacity(width * height);
        for y in 0..height {
            for x in 0..width {
                let mut sum = [0u32; 3];
                for by in y * k..(y + 1) * k {
                    for bx in x * k..(x + 1) * k {
                        let luma = self.planes[0][by * stride + bx];
                        let pixel = match chroma {
                            Some((h, v, stride)) => {
                                let at = by / v * stride + bx / h;
                                colour::rgb(luma, self.planes[1][at], self.planes[2][at])
                            }
                            None => [luma; 3],
                        };
                        for channel in 0..3 {
                            sum[channel] += u32::from(pixel[channel]);
                        }
                    }
                }
                rgb.push(sum.map(|s| ((s + area / 2) / area) as u8));
            }
        }
        Overview {
            width,
            height,
            scale: (8 * k) as f64 / reduction as f64,
            rgb,
        }
    }
}

/// Walks over one unit, giving the DC value of every block.
#[inline]
fn walk_unit(
    bytes: &[u8],
    plan: &Plan,
    bits: &mut Bits,
    predictions: &mut [i16; 3],
    mut mean: impl FnMut(usize, usize, i16),
) -> Result<(), Exhausted> {
    for (index, component) in plan.components.iter().enumerate() {
        for block in 0..component.across * component.down {
            let dc = read_dc(bytes, plan, index, bits, &mut predictions[index])?;
            mean(index, block, dc);
            plan.ac[component.ac].skip_block(bytes, bits)?;
        }
    }
    Ok(())
}

#[inline]
fn read_dc(
    bytes: &[u8],
    plan: &Plan,
    component: usize,
    bits: &mut Bits,
    prediction: &mut i16,
) -> Result<i16, Exhausted> {
    let size = plan.dc[plan.components[component].dc].symbol(bytes, bits)?;
    let difference = bits.extended(u32::from(size & 15))?;
    *prediction = prediction.wrapping_add(difference as i16);
    Ok(*prediction)
}

/// Reads the coefficients of a block, dequantised; gives the last place that is not zero.
#[inline]
fn read_block(
    bytes: &[u8],
    plan: &Plan,
    index: usize,
    bits: &mut Bits,
    prediction: &mut i16,
    block: &mut Block,
) -> Result<usize, Exhausted> {
    let component = &plan.components[index];
    block.clear();
    let dc = read_dc(bytes, plan, index, bits, prediction)?;
    block.set(0, f32::from(dc) * component.scale[0]);
    plan.ac[component.ac].read_block(bytes, bits, |place, value| {
        block.set(
            usize::from(header::ZIGZAG[place]),
            value as f32 * component.scale[place],
        );
    })
}

fn truncated(unit: usize, units: usize) -> PhotoError {
    PhotoError::Truncated {
        detail: format!("after {unit} of {units} parts"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::photo::jpeg_whole;
    use std::path::Path;

    fn corpus(name: &str) -> Vec<u8> {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../corpus/images");
        std::fs::read(folder.join(name)).unwrap()
    }

    /// Decoded by parts, a picture is what another decoder (zune-jpeg) makes of the whole, but for chroma between rows of
    /// units, which is interpolated within them.
    #[test]
    fn parts_make_the_picture_another_decoder_makes() {
        for name in [
            "hostile/restarts.jpg",
            "hostile/no_end.jpg",
            "photos/strip_1.jpg",
            "photos/strip_14.jpg",
        ] {
            let bytes = corpus(name);
            let header = Header::read(&bytes).unwrap();
            let mut jpeg = Jpeg::index(&bytes, &header).unwrap().unwrap();
            let whole = jpeg_whole::decode(&bytes, &header).unwrap().raster;
            let (w, h) = (whole.width(), whole.height());
            let mut raster = Raster::blank(w, h);
            // In four parts that overlap.
            for (x, y) in [(0, 0), (w / 3, 0), (0, h / 3), (w / 3, h / 3)] {
                let part = Rectangle {
                    x0: x,
                    y0: y,
                    x1: (x + w * 2 / 3 + 2).min(w),
                    y1: (y + h * 2 / 3 + 2).min(h),
                };
                jpeg.decode(&[part], &mut raster).unwrap();
            }
            let mut squares = 0.0;
            for (a, b) in raster.rgb().iter().zip(whole.rgb()) {
                let d = f64::from(*a) - f64::from(*b);
                squares += d * d;
            }
            let rms = (squares / raster.rgb().len() as f64).sqrt();
            assert!(rms < 1.2, "{name}: {rms}");
            // The overview is made of the blocks' means; of chroma a block here spans four there.
            if !name.starts_with("photos") {
                continue;
            }
            let overview = jpeg.overview();
            let at = (overview.height / 2) * overview.width + overview.width / 2;
            let (x0, y0) = (overview.width / 2 * 8, overview.height / 2 * 8);
            let mut sum = 0.0;
            for y in y0..y0 + 8 {
                for x in x0..x0 + 8 {
                    sum += f64::from(whole.rgb()[(y * w + x) * 3 + 1]);
                }
            }
            assert!(
                (f64::from(overview.rgb[at][1]) - sum / 64.0).abs() < 6.0,
                "{name}"
            );
        }
    }
}
