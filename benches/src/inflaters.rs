//! The inflaters compared. Each gets one zlib stream and its exact size, keeps what it can between calls, and
//! verifies the Adler-32, as the reader does.

use flate2::{Decompress, FlushDecompress, Status};
use miniz_oxide::inflate::TINFLStatus;
use miniz_oxide::inflate::core::{DecompressorOxide, inflate_flags};

/// Inflates streams whose size is known.
pub trait Inflater {
    /// The crate and how it is called.
    fn name(&self) -> &'static str;
    /// The `size` bytes packed in a zlib stream; `None` when it does not hold exactly these.
    fn inflate(&mut self, packed: &[u8], size: usize) -> Option<&[u8]>;
}

/// All of them.
#[must_use]
pub fn all() -> Vec<Box<dyn Inflater>> {
    vec![
        Box::new(ZuneInflate::default()),
        Box::new(Flate2::default()),
        Box::new(ZlibRs::default()),
        Box::new(Fdeflate::default()),
        Box::new(MinizOxide::default()),
    ]
}

/// Grows a buffer when needed and lends its first `size` bytes.
fn room(buffer: &mut Vec<u8>, size: usize) -> &mut [u8] {
    if buffer.len() < size {
        buffer.resize(size, 0);
    }
    &mut buffer[..size]
}

/// zune-inflate makes a vector of its own each time; the exact size is its hint and limit.
#[derive(Default)]
struct ZuneInflate {
    out: Vec<u8>,
}

impl Inflater for ZuneInflate {
    fn name(&self) -> &'static str {
        "zune-inflate"
    }

    fn inflate(&mut self, packed: &[u8], size: usize) -> Option<&[u8]> {
        let options = zune_inflate::DeflateOptions::default()
            .set_limit(size)
            .set_size_hint(size);
        let mut decoder = zune_inflate::DeflateDecoder::new_with_options(packed, options);
        self.out = decoder.decode_zlib().ok()?;
        (self.out.len() == size).then_some(&self.out)
    }
}

/// flate2 over zlib-rs, its state kept.
struct Flate2 {
    state: Decompress,
    out: Vec<u8>,
}

impl Default for Flate2 {
    fn default() -> Self {
        Self {
            state: Decompress::new(true),
            out: Vec::new(),
        }
    }
}

impl Inflater for Flate2 {
    fn name(&self) -> &'static str {
        "flate2 (zlib-rs), state kept"
    }

    fn inflate(&mut self, packed: &[u8], size: usize) -> Option<&[u8]> {
        self.state.reset(true);
        let out = room(&mut self.out, size);
        let status = self.state.decompress(packed, out, FlushDecompress::Finish).ok()?;
        (status == Status::StreamEnd && self.state.total_out() == size as u64).then_some(out)
    }
}

/// zlib-rs called as one function.
#[derive(Default)]
struct ZlibRs {
    out: Vec<u8>,
}

impl Inflater for ZlibRs {
    fn name(&self) -> &'static str {
        "zlib-rs, one call"
    }

    fn inflate(&mut self, packed: &[u8], size: usize) -> Option<&[u8]> {
        let config = zlib_rs::InflateConfig::default();
        let out = room(&mut self.out, size);
        let (found, code) = zlib_rs::decompress_slice(out, packed, config);
        (code == zlib_rs::ReturnCode::Ok && found.len() == size).then_some(found)
    }
}

/// fdeflate, a new state each time: it cannot be reset.
#[derive(Default)]
struct Fdeflate {
    out: Vec<u8>,
}

impl Inflater for Fdeflate {
    fn name(&self) -> &'static str {
        "fdeflate"
    }

    fn inflate(&mut self, packed: &[u8], size: usize) -> Option<&[u8]> {
        let mut state = fdeflate::Decompressor::new();
        let out = room(&mut self.out, size);
        let (_, written) = state.read(packed, out, 0, true).ok()?;
        (state.is_done() && written == size).then_some(out)
    }
}

/// `miniz_oxide`, its state kept, into a buffer that does not wrap.
#[derive(Default)]
struct MinizOxide {
    state: Box<DecompressorOxide>,
    out: Vec<u8>,
}

impl Inflater for MinizOxide {
    fn name(&self) -> &'static str {
        "miniz_oxide, state kept"
    }

    fn inflate(&mut self, packed: &[u8], size: usize) -> Option<&[u8]> {
        self.state.init();
        let out = room(&mut self.out, size);
        let flags = inflate_flags::TINFL_FLAG_PARSE_ZLIB_HEADER
            | inflate_flags::TINFL_FLAG_COMPUTE_ADLER32
            | inflate_flags::TINFL_FLAG_USING_NON_WRAPPING_OUTPUT_BUF;
        let (status, _, written) =
            miniz_oxide::inflate::core::decompress(&mut self.state, packed, out, 0, flags);
        (status == TINFLStatus::Done && written == size).then_some(out)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `zlib.compress(b"dried blood spot " * 4)` of Python 3.11.
    const PACKED: [u8; 28] = [
        120, 156, 75, 41, 202, 76, 77, 81, 72, 202, 201, 207, 79, 81, 40, 46, 200, 47, 81, 72, 33, 93, 0, 0,
        99, 173, 24, 249,
    ];

    #[test]
    fn every_inflater_gives_the_bytes_and_refuses_damage() {
        let plain = b"dried blood spot ".repeat(4);
        for mut inflater in all() {
            let name = inflater.name();
            for _ in 0..2 {
                assert_eq!(
                    inflater.inflate(&PACKED, plain.len()),
                    Some(plain.as_slice()),
                    "{name}"
                );
            }
            let mut damaged = PACKED;
            damaged[PACKED.len() - 1] ^= 1;
            assert_eq!(
                inflater.inflate(&damaged, plain.len()),
                None,
                "{name}: wrong Adler-32"
            );
            assert_eq!(
                inflater.inflate(&PACKED, plain.len() + 1),
                None,
                "{name}: too short"
            );
            assert_eq!(
                inflater.inflate(&PACKED, plain.len() - 1),
                None,
                "{name}: too long"
            );
            assert_eq!(
                inflater.inflate(&PACKED, plain.len()),
                Some(plain.as_slice()),
                "{name} recovers"
            );
        }
    }
}
