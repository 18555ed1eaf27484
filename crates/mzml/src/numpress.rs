//! MS-Numpress: short codings of arrays, linear prediction, positive integer, and short logged float.
//!
//! Source: Teleman, Dowsey, Gonzalez-Galarza et al. 2014, "Numerical compression schemes for proteomics mass
//! spectrometry data", Mol. Cell. Proteomics 13, 1537-1542, and the layout as the published reference
//! implementation writes it. The number of points is known from outside (`defaultArrayLength`), so decoding
//! never has to guess whether a last half byte is a value or padding: it must be padding (0x0) or absent.

use crate::error::NumpressFault;

/// The most bytes [`encode_linear`] may need for `points` values.
#[must_use]
pub fn linear_max_bytes(points: usize) -> usize {
    points.saturating_mul(5).saturating_add(16)
}

/// The most bytes [`encode_pic`] may need for `points` values.
#[must_use]
pub fn pic_max_bytes(points: usize) -> usize {
    points.saturating_mul(5)
}

/// The bytes [`encode_slof`] needs for `points` values.
#[must_use]
pub fn slof_bytes(points: usize) -> usize {
    points.saturating_mul(2).saturating_add(8)
}

/// Decodes `points` values of linear prediction coding (MS:1002312), appending to `out`.
///
/// # Errors
/// When the data are too short, too long, or the scaling factor is not a positive number.
pub fn decode_linear(data: &[u8], points: usize, out: &mut Vec<f64>) -> Result<(), NumpressFault> {
    if points == 0 {
        return if data.len() == 8 || data.is_empty() {
            Ok(())
        } else {
            Err(NumpressFault::Leftover)
        };
    }
    let scale = read_scale(data)?;
    let mut before = i64::from(read_u32(data, 8).ok_or(NumpressFault::EarlyEnd { points: 0 })?);
    // Every further point takes at least half a byte; checked first so that memory follows the data.
    if points > 2 && (points - 2).div_ceil(2) > data.len().saturating_sub(16) {
        return Err(NumpressFault::EarlyEnd { points: 1 });
    }
    out.reserve(points);
    out.push(before as f64 / scale);
    if points == 1 {
        return if data.len() == 12 {
            Ok(())
        } else {
            Err(NumpressFault::Leftover)
        };
    }
    let mut last = i64::from(read_u32(data, 12).ok_or(NumpressFault::EarlyEnd { points: 1 })?);
    out.push(last as f64 / scale);
    let mut halves = HalfBytes { data, at: 32 };
    for point in 2..points {
        let difference = halves.int().ok_or(NumpressFault::EarlyEnd { points: point })?;
        // Differences are 32-bit, so overflow of the 64-bit sum needs billions of hostile points; checked all the same.
        let value = last
            .checked_sub(before)
            .and_then(|step| last.checked_add(step))
            .and_then(|predicted| predicted.checked_add(i64::from(difference)))
            .ok_or(NumpressFault::Range { point })?;
        out.push(value as f64 / scale);
        before = last;
        last = value;
    }
    halves.finish()
}

/// Decodes `points` values of positive integer coding (MS:1002313), appending to `out`.
///
/// # Errors
/// When the data are too short or too long.
pub fn decode_pic(data: &[u8], points: usize, out: &mut Vec<f64>) -> Result<(), NumpressFault> {
    if points.div_ceil(2) > data.len() {
        return Err(NumpressFault::EarlyEnd { points: 0 });
    }
    out.reserve(points);
    let mut halves = HalfBytes { data, at: 0 };
    for point in 0..points {
        let value = halves.int().ok_or(NumpressFault::EarlyEnd { points: point })?;
        // The coding is of counts: read as unsigned, as the reference implementation does.
        out.push(f64::from(value as u32));
    }
    halves.finish()
}

/// Decodes `points` values of short logged float coding (MS:1002314), appending to `out`.
///
/// # Errors
/// When the data are too short or too long, or the scaling factor is not a positive number.
pub fn decode_slof(data: &[u8], points: usize, out: &mut Vec<f64>) -> Result<(), NumpressFault> {
    if points == 0 && data.is_empty() {
        return Ok(());
    }
    let scale = read_scale(data)?;
    let codes = &data[8..];
    if codes.len() < slof_bytes(points) - 8 {
        return Err(NumpressFault::EarlyEnd {
            points: codes.len() / 2,
        });
    }
    if codes.len() > slof_bytes(points) - 8 {
        return Err(NumpressFault::Leftover);
    }
    let (codes, _) = codes.as_chunks::<2>();
    out.extend(
        codes
            .iter()
            .map(|code| libm::exp(f64::from(u16::from_le_bytes(*code)) / scale) - 1.0),
    );
    Ok(())
}

/// The largest scaling factor with which [`encode_linear`] keeps every difference in 31 bits.
#[must_use]
pub fn linear_scale(values: &[f64]) -> f64 {
    let (Some(&first), second) = (values.first(), values.get(1)) else {
        return 1.0;
    };
    let mut largest = second.map_or(first, |&s| first.max(s)).max(1.0);
    for three in values.windows(3) {
        let predicted = three[1] + (three[1] - three[0]);
        largest = largest.max((three[2] - predicted).abs().ceil() + 1.0);
    }
    (f64::from(i32::MAX) / largest).floor().max(1.0)
}

/// The largest scaling factor with which [`encode_slof`] keeps every value in 16 bits.
#[must_use]
pub fn slof_scale(values: &[f64]) -> f64 {
    let largest = values
        .iter()
        .fold(1.0_f64, |largest, &v| largest.max(libm::log(v + 1.0)));
    (f64::from(u16::MAX) / largest).floor()
}

/// Codes values by linear prediction (MS:1002312) after scaling; the loss is at most half of `1 / scale`.
/// Returns the position of the first value that does not fit.
///
/// # Errors
/// The first two values must be in 0 … (2³² − 1) / scale, second differences within ± 2³¹ / scale.
pub fn encode_linear(values: &[f64], scale: f64) -> Result<Vec<u8>, usize> {
    let mut out = scale.to_be_bytes().to_vec();
    let (mut before, mut last) = (0_i64, 0_i64);
    let mut halves = HalfWriter::default();
    for (point, &value) in values.iter().enumerate() {
        let scaled = (value * scale + 0.5).floor();
        if scaled.is_nan() || scaled.abs() > 9.0e15 {
            return Err(point);
        }
        let code = scaled as i64;
        if point < 2 {
            out.extend_from_slice(&u32::try_from(code).map_err(|_| point)?.to_le_bytes());
        } else {
            let difference = i32::try_from(code - (last + (last - before))).map_err(|_| point)?;
            halves.int(difference, &mut out);
        }
        before = last;
        last = code;
    }
    halves.finish(&mut out);
    Ok(out)
}

/// Codes counts (MS:1002313): rounds to whole numbers. Returns the position of the first value that does not fit.
///
/// # Errors
/// Values must be in 0 … 2³² − 1.
pub fn encode_pic(values: &[f64]) -> Result<Vec<u8>, usize> {
    let mut out = Vec::new();
    let mut halves = HalfWriter::default();
    for (point, &value) in values.iter().enumerate() {
        let rounded = (value + 0.5).floor();
        if !(0.0..=f64::from(u32::MAX)).contains(&rounded) {
            return Err(point);
        }
        halves.int(rounded as u32 as i32, &mut out);
    }
    halves.finish(&mut out);
    Ok(out)
}

/// Codes logarithms in 16 bits (MS:1002314). Returns the position of the first value that does not fit.
///
/// # Errors
/// `ln(value + 1) * scale` must be in 0 … 65535.
pub fn encode_slof(values: &[f64], scale: f64) -> Result<Vec<u8>, usize> {
    let mut out = scale.to_be_bytes().to_vec();
    for (point, &value) in values.iter().enumerate() {
        let code = (libm::log(value + 1.0) * scale + 0.5).floor();
        if !(0.0..=f64::from(u16::MAX)).contains(&code) {
            return Err(point);
        }
        out.extend_from_slice(&(code as u16).to_le_bytes());
    }
    Ok(out)
}

/// The scaling factor: a double, most significant byte first, unlike everything else in mzML.
fn read_scale(data: &[u8]) -> Result<f64, NumpressFault> {
    let bytes = data
        .first_chunk::<8>()
        .ok_or(NumpressFault::EarlyEnd { points: 0 })?;
    let scale = f64::from_be_bytes(*bytes);
    if scale.is_finite() && scale > 0.0 {
        Ok(scale)
    } else {
        Err(NumpressFault::Scale)
    }
}

fn read_u32(data: &[u8], at: usize) -> Option<u32> {
    data.get(at..)?
        .first_chunk::<4>()
        .map(|bytes| u32::from_le_bytes(*bytes))
}

/// Reads half bytes, high half first.
struct HalfBytes<'a> {
    data: &'a [u8],
    /// In half bytes.
    at: usize,
}

impl HalfBytes<'_> {
    fn next(&mut self) -> Option<u32> {
        let byte = *self.data.get(self.at / 2)?;
        let half = if self.at.is_multiple_of(2) {
            byte >> 4
        } else {
            byte & 0xf
        };
        self.at += 1;
        Some(u32::from(half))
    }

    /// One integer: a head that counts leading half bytes 0x0 (0 to 8) or, from 9, leading half bytes 0xf (1 to 7);
    /// the remaining half bytes follow, least significant first.
    fn int(&mut self) -> Option<i32> {
        let head = self.next()?;
        let (leading, mut value) = if head <= 8 {
            (head, 0_u32)
        } else {
            (head - 8, !(u32::MAX >> (4 * (head - 8))))
        };
        for digit in 0..8 - leading {
            value |= self.next()? << (4 * digit);
        }
        Some(value as i32)
    }

    fn finish(&self) -> Result<(), NumpressFault> {
        let padded = self.at % 2 == 1 && self.data.get(self.at / 2).is_some_and(|byte| byte & 0xf == 0);
        let used = self.at / 2 + usize::from(padded);
        if used == self.data.len() {
            Ok(())
        } else {
            Err(NumpressFault::Leftover)
        }
    }
}

#[derive(Default)]
struct HalfWriter {
    pending: Option<u8>,
}

impl HalfWriter {
    fn push(&mut self, half: u8, out: &mut Vec<u8>) {
        match self.pending.take() {
            Some(high) => out.push(high << 4 | half),
            None => self.pending = Some(half),
        }
    }

    fn int(&mut self, value: i32, out: &mut Vec<u8>) {
        let bits = value as u32;
        let ones = bits.leading_ones() / 4;
        // Eight half bytes of 0xf (-1) have no head of their own: seven are left out, one is written.
        let (head, leading) = if ones > 0 {
            (8 + ones.min(7), ones.min(7))
        } else {
            let zeros = bits.leading_zeros() / 4;
            (zeros, zeros)
        };
        self.push(head as u8, out);
        for digit in 0..8 - leading {
            self.push((bits >> (4 * digit) & 0xf) as u8, out);
        }
    }

    fn finish(&mut self, out: &mut Vec<u8>) {
        if let Some(high) = self.pending.take() {
            out.push(high << 4);
        }
    }
}
