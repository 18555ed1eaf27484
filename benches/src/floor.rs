//! The floor: base64 and inflating alone.

use crate::inflaters::Inflater;
use crate::payload::DayArrays;
use base64_simd::{Out, STANDARD};
use std::hint::black_box;
use std::io;

/// Decodes and inflates every array of a day, into buffers that are kept.
///
/// # Errors
/// When an array does not decode to exactly its size.
pub fn decode_and_inflate(
    day: &DayArrays,
    inflater: &mut dyn Inflater,
    packed: &mut Vec<u8>,
) -> io::Result<()> {
    for array in &day.arrays {
        let text = day.text(array);
        let bytes = decode(text, packed)?;
        let name = inflater.name();
        let plain = inflater.inflate(bytes, array.plain_bytes);
        black_box(plain.ok_or_else(|| io::Error::other(format!("{name} refuses an array")))?);
    }
    Ok(())
}

/// Decodes every array's base64 only.
///
/// # Errors
/// When an array is not base64.
pub fn decode_only(day: &DayArrays, packed: &mut Vec<u8>) -> io::Result<()> {
    for array in &day.arrays {
        black_box(decode(day.text(array), packed)?);
    }
    Ok(())
}

fn decode<'b>(text: &[u8], packed: &'b mut Vec<u8>) -> io::Result<&'b [u8]> {
    let most = text.len() / 4 * 3;
    if packed.len() < most {
        packed.resize(most, 0);
    }
    match STANDARD.decode(text, Out::from_slice(packed)) {
        Ok(bytes) => Ok(bytes),
        Err(error) => Err(io::Error::other(error.to_string())),
    }
}

/// Proves before anything is timed that two inflaters give the same bytes for every array.
///
/// # Errors
/// At the first array where they differ.
pub fn agree(day: &DayArrays, one: &mut dyn Inflater, other: &mut dyn Inflater) -> io::Result<()> {
    let mut packed = Vec::new();
    let names = [one.name(), other.name()];
    for (place, array) in day.arrays.iter().enumerate() {
        let bytes = decode(day.text(array), &mut packed)?;
        let (a, b) = (
            one.inflate(bytes, array.plain_bytes),
            other.inflate(bytes, array.plain_bytes),
        );
        if a.is_none() || a != b {
            return Err(io::Error::other(format!(
                "array {place}: {} differ",
                names.join(" and ")
            )));
        }
    }
    Ok(())
}
