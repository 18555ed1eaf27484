//! zlib streams (RFC 1950, RFC 1951) into a buffer of known size.
//!
//! The arrays of a chromatogram are a few kilobytes each and their size is known before: no window, no state
//! between calls, no allocation, tables reused. That is where the time of a general decoder goes; this one
//! needs less (see `benches/`). It is plain safe Rust, bounded by `limit`, and fuzzed
//! against an independent decoder.

mod bits;
mod codes;

use bits::Bits;
pub(crate) use codes::Codes;
use codes::{
    DISTANCE_BITS, DISTANCE_TABLE, END_OF_BLOCK, EXCEPTION, LITERAL, LITERAL_BITS, LITERAL_TABLE,
    SECOND_TABLE, Tables,
};

use crate::error::InflateFault;

/// Room behind the limit, so that a match may be copied before the limit is looked at.
pub(crate) const SLACK: usize = 320;

/// Tables and output, kept between calls.
#[derive(Debug, Clone, Default)]
pub(crate) struct Inflater {
    codes: Codes,
    out: Vec<u8>,
}

impl Inflater {
    /// Inflates `source`, which must be one whole zlib stream and nothing else, to at most `limit` bytes.
    pub(crate) fn zlib(&mut self, source: &[u8], limit: usize) -> Result<&[u8], InflateFault> {
        let mut input = Bits::new(zlib_body(source)?);
        let needed = limit.saturating_add(SLACK);
        if self.out.len() < needed {
            self.out.resize(needed, 0);
        }
        let length = self.blocks(&mut input, limit)?;
        let out = &self.out[..length];
        close(&input, out, limit)?;
        Ok(out)
    }

    fn blocks(&mut self, input: &mut Bits<'_>, limit: usize) -> Result<usize, InflateFault> {
        let mut length = 0;
        loop {
            input.byte_position()?;
            input.refill();
            let last = input.take(1) == 1;
            match input.take(2) {
                0 => length = self.stored(input, length, limit)?,
                1 => {
                    self.codes.fixed()?;
                    length = self.compressed(input, length, limit)?;
                }
                2 => {
                    self.codes.dynamic(input)?;
                    length = self.compressed(input, length, limit)?;
                }
                _ => return Err(InflateFault::Invalid),
            }
            if length > limit {
                return Err(InflateFault::TooLong { limit });
            }
            if last {
                return Ok(length);
            }
        }
    }

    fn stored(&mut self, input: &mut Bits<'_>, at: usize, limit: usize) -> Result<usize, InflateFault> {
        let start = input.byte_position()?;
        let rest = &input.source[start..];
        let (&[a, b, c, d], rest) = rest.split_first_chunk::<4>().ok_or(InflateFault::EarlyEnd)?;
        let (length, check) = (u16::from_le_bytes([a, b]), u16::from_le_bytes([c, d]));
        if length != !check {
            return Err(InflateFault::Invalid);
        }
        let bytes = rest.get(..usize::from(length)).ok_or(InflateFault::EarlyEnd)?;
        if bytes.len() > limit - at {
            return Err(InflateFault::TooLong { limit });
        }
        self.out[at..at + bytes.len()].copy_from_slice(bytes);
        input.restart(start + 4 + bytes.len());
        Ok(at + bytes.len())
    }

    fn compressed(
        &mut self,
        input: &mut Bits<'_>,
        start: usize,
        limit: usize,
    ) -> Result<usize, InflateFault> {
        let tables = self.codes.tables();
        let out = &mut self.out[..limit + SLACK];
        // A copy on the stack stays in registers; behind the reference every step would go through memory.
        let mut lane = Lane::new(*input, start, tables);
        while turn(&mut lane, tables, out, limit)? {}
        *input = lane.bits;
        Ok(lane.at)
    }
}

/// Inflates many streams, two side by side, each into its buffer less [`SLACK`], which it must fill exactly. `None` when
/// any is not one dynamic block that goes well; then each must be done alone, which also tells what is wrong.
///
/// Decoding is one long chain of look-ups, each waiting for the one before; two chains wait at the same time, which takes
/// about three quarters of the time.
pub(crate) fn zlib_batch(codes: &mut [Codes; 2], streams: &mut [(&[u8], &mut [u8])]) -> Option<()> {
    let [codes_a, codes_b] = codes;
    let mut waiting = streams.iter_mut();
    let mut a = Open::new(waiting.next(), codes_a)?;
    let mut b = Open::new(waiting.next(), codes_b)?;
    loop {
        match (&mut a, &mut b) {
            (Some(x), Some(y)) => {
                let (tables_a, tables_b) = (codes_a.tables(), codes_b.tables());
                // Copies on the stack stay in registers.
                let (mut lane_a, mut lane_b) = (x.lane, y.lane);
                let (out_a, out_b) = (&mut *x.out, &mut *y.out);
                let (limit_a, limit_b) = (out_a.len() - SLACK, out_b.len() - SLACK);
                let a_ended = loop {
                    if !turn(&mut lane_a, tables_a, out_a, limit_a).ok()? {
                        break true;
                    }
                    if !turn(&mut lane_b, tables_b, out_b, limit_b).ok()? {
                        break false;
                    }
                };
                (x.lane, y.lane) = (lane_a, lane_b);
                if a_ended {
                    x.close()?;
                    a = Open::new(waiting.next(), codes_a)?;
                } else {
                    y.close()?;
                    b = Open::new(waiting.next(), codes_b)?;
                }
            }
            (Some(last), None) => return last.run(codes_a.tables()),
            (None, Some(last)) => return last.run(codes_b.tables()),
            (None, None) => return Some(()),
        }
    }
}

/// A stream of a batch under way.
struct Open<'s> {
    lane: Lane<'s>,
    out: &'s mut [u8],
}

impl<'s> Open<'s> {
    /// Opens the next stream, if there is one; `None` when it is not for the fast way.
    fn new(next: Option<&'s mut (&[u8], &mut [u8])>, codes: &mut Codes) -> Option<Option<Self>> {
        let Some((source, out)) = next else {
            return Some(None);
        };
        let mut input = Bits::new(zlib_body(source).ok()?);
        input.refill();
        // The last block (one bit), dynamic codes (two bits).
        if input.take(3) != 0b101 {
            return None;
        }
        codes.dynamic(&mut input).ok()?;
        Some(Some(Self {
            lane: Lane::new(input, 0, codes.tables()),
            out,
        }))
    }

    fn run(&mut self, tables: Tables<'_>) -> Option<()> {
        let limit = self.out.len() - SLACK;
        let mut lane = self.lane;
        while turn(&mut lane, tables, self.out, limit).ok()? {}
        self.lane = lane;
        self.close()
    }

    fn close(&self) -> Option<()> {
        let limit = self.out.len() - SLACK;
        if self.lane.at != limit {
            return None;
        }
        close(&self.lane.bits, &self.out[..limit], limit).ok()
    }
}

/// A block being decoded. Tables, output and limit stay outside, so that all of this can live in registers.
#[derive(Clone, Copy)]
struct Lane<'a> {
    bits: Bits<'a>,
    at: usize,
    /// The next code, looked up but not taken away.
    entry: u32,
}

impl<'a> Lane<'a> {
    fn new(mut bits: Bits<'a>, at: usize, tables: Tables<'_>) -> Self {
        bits.refill();
        let entry = tables.0[bits.peek(LITERAL_BITS) as usize];
        Self { bits, at, entry }
    }
}

/// Decodes up to three literals, or up to two and a match. `false` at the end of the block.
#[inline(always)]
fn turn(
    lane: &mut Lane<'_>,
    (literals, distances): Tables<'_>,
    out: &mut [u8],
    limit: usize,
) -> Result<bool, InflateFault> {
    let Lane { bits, at, entry } = lane;
    if *at > limit {
        return Err(InflateFault::TooLong { limit });
    }
    bits.refill();
    // At least 56 bits: three short literals, or two and the longest match's length code.
    if *entry & LITERAL != 0 {
        for count in 1..=3 {
            bits.drop_bits(*entry & 0xff);
            // The next look-up starts before this literal is stored.
            let literal = (*entry >> 16) as u8;
            *entry = literals[bits.peek(LITERAL_BITS) as usize];
            out[*at] = literal;
            *at += 1;
            if *entry & LITERAL == 0 {
                break;
            }
            if count == 3 {
                return Ok(true);
            }
        }
    }
    if *entry & EXCEPTION != 0 {
        if *entry & SECOND_TABLE != 0 {
            bits.drop_bits(LITERAL_BITS);
            let index = (*entry >> 16) + bits.peek(*entry >> 8 & 0x1f);
            *entry = literals[index as usize % LITERAL_TABLE];
            if *entry & LITERAL != 0 {
                bits.drop_bits(*entry & 0xff);
                out[*at] = (*entry >> 16) as u8;
                *at += 1;
                *entry = literals[bits.peek(LITERAL_BITS) as usize];
                return Ok(true);
            }
        }
        if *entry & EXCEPTION != 0 {
            if *entry & END_OF_BLOCK == 0 {
                return Err(InflateFault::Invalid);
            }
            bits.drop_bits(*entry & 0xff);
            bits.byte_position()?;
            return Ok(false);
        }
    }
    let length = (*entry >> 16) as usize + bits.extra(*entry) as usize;
    // A distance takes at most 28 bits, and the next literal is looked up behind it.
    if bits.count < 28 + LITERAL_BITS {
        bits.refill();
    }
    let mut distance = distances[bits.peek(DISTANCE_BITS) as usize];
    if distance & EXCEPTION != 0 {
        if distance & SECOND_TABLE == 0 {
            return Err(InflateFault::Invalid);
        }
        bits.drop_bits(DISTANCE_BITS);
        let index = (distance >> 16) + bits.peek(distance >> 8 & 0x1f);
        distance = distances[index as usize % DISTANCE_TABLE];
        if distance & EXCEPTION != 0 {
            return Err(InflateFault::Invalid);
        }
    }
    let distance = (distance >> 16) as usize + bits.extra(distance) as usize;
    if distance > *at {
        return Err(InflateFault::Invalid);
    }
    *entry = literals[bits.peek(LITERAL_BITS) as usize];
    copy_match(out, *at, distance, length);
    *at += length;
    Ok(true)
}

/// The bytes behind a zlib header.
fn zlib_body(source: &[u8]) -> Result<&[u8], InflateFault> {
    let (&[method, flags], body) = source.split_first_chunk::<2>().ok_or(InflateFault::EarlyEnd)?;
    let header = u16::from_be_bytes([method, flags]);
    if method & 0x0f != 8 || method >> 4 > 7 || !header.is_multiple_of(31) || flags & 0x20 != 0 {
        return Err(InflateFault::Header);
    }
    Ok(body)
}

/// Checks what must hold at the end of a stream.
fn close(input: &Bits<'_>, out: &[u8], limit: usize) -> Result<(), InflateFault> {
    if out.len() > limit {
        return Err(InflateFault::TooLong { limit });
    }
    let tail = &input.source[input.byte_position()?..];
    let stated = tail.first_chunk::<4>().ok_or(InflateFault::EarlyEnd)?;
    if u32::from_be_bytes(*stated) != simd_adler32::adler32(&out) {
        return Err(InflateFault::Adler);
    }
    match tail.len() - 4 {
        0 => Ok(()),
        bytes => Err(InflateFault::Leftover { bytes }),
    }
}

/// Copies `length` bytes from `distance` back. May scribble up to seven bytes further, inside the slack.
#[inline(always)]
fn copy_match(out: &mut [u8], at: usize, distance: usize, length: usize) {
    if distance >= 8 {
        let mut to = at;
        loop {
            let word: [u8; 8] = *out[to - distance..]
                .first_chunk()
                .expect("behind the write position");
            *out[to..].first_chunk_mut().expect("inside the slack") = word;
            to += 8;
            if to >= at + length {
                break;
            }
        }
    } else if distance == 1 {
        let byte = out[at - 1];
        out[at..at + length].fill(byte);
    } else {
        for done in at..at + length {
            out[done] = out[done - distance];
        }
    }
}

#[cfg(test)]
mod tests {
    use std::io::{Read, Write};

    use proptest::prelude::*;

    use super::*;

    fn deflate(bytes: &[u8], level: u32) -> Vec<u8> {
        let mut encoder = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::new(level));
        encoder.write_all(bytes).unwrap();
        encoder.finish().unwrap()
    }

    /// What an independent decoder makes of the whole stream; `None` on any error or leftover.
    fn independent(source: &[u8]) -> Option<Vec<u8>> {
        let mut decoder = flate2::read::ZlibDecoder::new(source);
        let mut out = Vec::new();
        decoder.read_to_end(&mut out).ok()?;
        (decoder.total_in() as usize == source.len()).then_some(out)
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn streams_of_every_level_come_back(
            bytes in prop::collection::vec(any::<u8>(), 0..3000),
            alphabet in 1..=255_u8,
            repeats in 1..20_usize,
            level in 0..10_u32,
        ) {
            // Few symbols and repeats make short codes, long codes and overlapping matches.
            let bytes: Vec<u8> = bytes.iter().map(|byte| byte % alphabet).collect::<Vec<_>>().repeat(repeats);
            let packed = deflate(&bytes, level);
            let mut inflater = Inflater::default();
            prop_assert_eq!(inflater.zlib(&packed, bytes.len()), Ok(&bytes[..]));
            let half = &bytes[bytes.len() / 2..];
            let packed_half = deflate(half, level);
            let (mut one, mut two, mut three) =
                (vec![0; bytes.len() + SLACK], vec![0; half.len() + SLACK], vec![0; half.len() + SLACK]);
            let mut streams =
                [(&packed[..], &mut one[..]), (&packed_half, &mut two), (&packed_half, &mut three)];
            if zlib_batch(&mut Default::default(), &mut streams).is_some() {
                prop_assert_eq!(&one[..bytes.len()], &bytes[..]);
                prop_assert_eq!(&two[..half.len()], half);
                prop_assert_eq!(&three[..half.len()], half);
            }
            if let Some(short) = bytes.len().checked_sub(1) {
                prop_assert_eq!(inflater.zlib(&packed, short), Err(InflateFault::TooLong { limit: short }));
            }
            let long = [&packed[..], &[0]].concat();
            prop_assert_eq!(inflater.zlib(&long, bytes.len()), Err(InflateFault::Leftover { bytes: 1 }));
            for cut in 0..packed.len().min(40) {
                prop_assert!(inflater.zlib(&packed[..cut], bytes.len()).is_err());
            }
        }

        #[test]
        fn damaged_streams_are_judged_as_an_independent_decoder_judges_them(
            bytes in prop::collection::vec(0..20_u8, 1..2000),
            flips in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..4),
            level in 0..10_u32,
        ) {
            let mut packed = deflate(&bytes, level);
            for (place, byte) in flips {
                let place = place.index(packed.len());
                packed[place] = byte;
            }
            let whole = deflate(&bytes, 6);
            let (mut one, mut two) = (vec![0; bytes.len() + SLACK], vec![0; bytes.len() + SLACK]);
            let mut streams = [(&packed[..], &mut one[..]), (&whole, &mut two)];
            if zlib_batch(&mut Default::default(), &mut streams).is_some() {
                prop_assert_eq!(independent(&packed), Some(one[..bytes.len()].to_vec()));
                prop_assert_eq!(&two[..bytes.len()], &bytes[..]);
            }
            let found = Inflater::default().zlib(&packed, 1 << 16).ok().map(<[u8]>::to_vec);
            prop_assert_eq!(found, independent(&packed).filter(|out| out.len() <= 1 << 16));
        }
    }

    #[test]
    fn fixed_codes_and_stored_blocks_are_read() {
        // RFC 1951, 3.2.6: "abc" in fixed codes (from an independent encoder), and a stored block.
        let fixed = [0x78, 0x9c, 0x4b, 0x4c, 0x4a, 0x06, 0x00, 0x02, 0x4d, 0x01, 0x27];
        assert_eq!(Inflater::default().zlib(&fixed, 3), Ok(&b"abc"[..]));
        let stored = [
            0x78, 0x01, 0x01, 3, 0, 0xfc, 0xff, b'a', b'b', b'c', 0x02, 0x4d, 0x01, 0x27,
        ];
        assert_eq!(Inflater::default().zlib(&stored, 3), Ok(&b"abc"[..]));
    }
}
