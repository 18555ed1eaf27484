//! Numbers to the text of a `binaryDataArray`.

use std::io::Write;

use flate2::Compression;
use flate2::write::ZlibEncoder;

use crate::error::WriteError;
use crate::numpress;
use crate::writer::{Unit, indented};

/// How numbers become bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NumberCoding {
    /// 64-bit float: exact.
    Float64,
    /// 32-bit float: rounded to about 7 digits.
    Float32,
    /// 64-bit integer: whole numbers only, others are an error.
    Integer64,
    /// 32-bit integer: whole numbers only, others are an error.
    Integer32,
    /// MS-Numpress linear prediction, scaled as finely as 31 bits allow.
    NumpressLinear,
    /// MS-Numpress positive integer: rounds to whole counts.
    NumpressPic,
    /// MS-Numpress short logged float: about 4 digits.
    NumpressSlof,
}

/// How one array is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ArrayEncoding {
    /// Numbers to bytes.
    pub number: NumberCoding,
    /// Whether zlib follows.
    pub zlib: bool,
}

impl ArrayEncoding {
    /// 64-bit float, uncompressed.
    pub const FLOAT_64: Self = Self {
        number: NumberCoding::Float64,
        zlib: false,
    };
    /// 32-bit float, uncompressed.
    pub const FLOAT_32: Self = Self {
        number: NumberCoding::Float32,
        zlib: false,
    };

    /// The same with zlib behind it.
    #[must_use]
    pub const fn zlib(self) -> Self {
        Self { zlib: true, ..self }
    }
}

/// Appends one `binaryDataArray` to `text`.
pub(crate) fn append_array(
    text: &mut String,
    id: &str,
    (accession, name, unit): (&str, &'static str, Unit),
    values: &[f64],
    encoding: ArrayEncoding,
) -> Result<(), WriteError> {
    let plain = bytes(id, name, values, encoding.number)?;
    let packed = if encoding.zlib {
        let mut encoder = ZlibEncoder::new(Vec::with_capacity(plain.len() / 2 + 16), Compression::new(6));
        encoder.write_all(&plain)?;
        encoder.finish()?
    } else {
        plain
    };
    let length = base64_simd::STANDARD.encoded_length(packed.len());
    text.push_str(&format!(
        "            <binaryDataArray encodedLength=\"{length}\">\n"
    ));
    // Numpress carries its own number type; readers expect 64-bit float beside it, as converters write.
    let number = match encoding.number {
        NumberCoding::Float32 => ("MS:1000521", "32-bit float"),
        NumberCoding::Integer64 => ("MS:1000522", "64-bit integer"),
        NumberCoding::Integer32 => ("MS:1000519", "32-bit integer"),
        _ => ("MS:1000523", "64-bit float"),
    };
    indented(text, 14, number.0, number.1, "", None)?;
    let (term, term_name) = compression_term(encoding);
    indented(text, 14, term, term_name, "", None)?;
    indented(text, 14, accession, name, "", Some(unit))?;
    text.push_str("              <binary>");
    base64_simd::STANDARD.encode_append(&packed, text);
    text.push_str("</binary>\n            </binaryDataArray>\n");
    Ok(())
}

const fn compression_term(encoding: ArrayEncoding) -> (&'static str, &'static str) {
    match (encoding.number, encoding.zlib) {
        (NumberCoding::NumpressLinear, false) => ("MS:1002312", "MS-Numpress linear prediction compression"),
        (NumberCoding::NumpressPic, false) => ("MS:1002313", "MS-Numpress positive integer compression"),
        (NumberCoding::NumpressSlof, false) => ("MS:1002314", "MS-Numpress short logged float compression"),
        (NumberCoding::NumpressLinear, true) => (
            "MS:1002746",
            "MS-Numpress linear prediction compression followed by zlib compression",
        ),
        (NumberCoding::NumpressPic, true) => (
            "MS:1002747",
            "MS-Numpress positive integer compression followed by zlib compression",
        ),
        (NumberCoding::NumpressSlof, true) => (
            "MS:1002748",
            "MS-Numpress short logged float compression followed by zlib compression",
        ),
        (_, false) => ("MS:1000576", "no compression"),
        (_, true) => ("MS:1000574", "zlib compression"),
    }
}

fn bytes(id: &str, what: &'static str, values: &[f64], coding: NumberCoding) -> Result<Vec<u8>, WriteError> {
    let misfit = |value: f64, encoding| WriteError::DoesNotFit {
        id: id.to_owned(),
        what,
        value,
        encoding,
    };
    let at = |encoding| move |point: usize| misfit(values[point], encoding);
    let collect = |encoding, convert: &dyn Fn(f64) -> Option<Vec<u8>>| {
        let mut out = Vec::with_capacity(values.len() * 8);
        for &value in values {
            out.extend(convert(value).ok_or_else(|| misfit(value, encoding))?);
        }
        Ok(out)
    };
    match coding {
        NumberCoding::Float64 => Ok(values.iter().flat_map(|value| value.to_le_bytes()).collect()),
        NumberCoding::Float32 => {
            if let Some(&value) = values.iter().find(|&&value| !(value as f32).is_finite()) {
                return Err(misfit(value, "32-bit float"));
            }
            Ok(values
                .iter()
                .flat_map(|&value| (value as f32).to_le_bytes())
                .collect())
        }
        NumberCoding::Integer64 => collect("64-bit integer", &|value| {
            // Whole numbers a double holds exactly.
            (value.trunc().total_cmp(&value).is_eq() && value.abs() <= 9_007_199_254_740_992.0)
                .then(|| (value as i64).to_le_bytes().to_vec())
        }),
        NumberCoding::Integer32 => collect("32-bit integer", &|value| {
            (value.trunc().total_cmp(&value).is_eq()
                && (f64::from(i32::MIN)..=f64::from(i32::MAX)).contains(&value))
            .then(|| (value as i32).to_le_bytes().to_vec())
        }),
        NumberCoding::NumpressLinear => numpress::encode_linear(values, numpress::linear_scale(values))
            .map_err(at("MS-Numpress linear prediction")),
        NumberCoding::NumpressPic => numpress::encode_pic(values).map_err(at("MS-Numpress positive integer")),
        NumberCoding::NumpressSlof => numpress::encode_slof(values, numpress::slof_scale(values))
            .map_err(at("MS-Numpress short logged float")),
    }
}
