//! zlib streams (RFC 1950, RFC 1951) into a buffer of known size.
//!
//! The arrays of a chromatogram are a few kilobytes each and their size is known before: no window, no state
//! between calls, no allocation, tables reused. That is where the time of a general decoder goes; this one
//! needs less (see `benches/`). It is plain safe Rust, bounded by `limit`, and fuzzed
//! against an independent decoder.

use crate::error::InflateFault;

/// Bits looked up at once for a literal or length; longer codes go through a second table.
const LITERAL_BITS: u32 = 10;
/// Bits looked up at once for a distance.
const DISTANCE_BITS: u32 = 8;
const PRECODE_BITS: u32 = 7;
/// Room behind the limit, so that a match may be copied before the limit is looked at.
pub(crate) const SLACK: usize = 320;

// A table entry: bits 0-7 bits to take away (code and extra bits), 8-12 bits of the code alone or of the second
// table's index, 13-15 flags, 16-30 literal, base or second table's start, 31 literal flag.
const LITERAL: u32 = 1 << 31;
const EXCEPTION: u32 = 1 << 15;
const SECOND_TABLE: u32 = 1 << 14;
const END_OF_BLOCK: u32 = 1 << 13;

// Second tables never need more than the first again plus one entry a symbol (Kraft), rounded up.
const LITERAL_TABLE: usize = 1 << 12;
const DISTANCE_TABLE: usize = 1 << 10;

/// The look-up tables of one block, kept between calls.
#[derive(Debug, Clone)]
pub(crate) struct Codes {
    literals: Box<[u32; LITERAL_TABLE]>,
    distances: Box<[u32; DISTANCE_TABLE]>,
    precode: [u32; 1 << PRECODE_BITS],
    lengths: [u8; 320],
}

impl Default for Codes {
    fn default() -> Self {
        Self {
            literals: Box::new([0; LITERAL_TABLE]),
            distances: Box::new([0; DISTANCE_TABLE]),
            precode: [0; 1 << PRECODE_BITS],
            lengths: [0; 320],
        }
    }
}

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

impl Codes {
    fn tables(&self) -> Tables<'_> {
        (&self.literals, &self.distances)
    }

    fn fixed(&mut self) -> Result<(), InflateFault> {
        self.lengths[..144].fill(8);
        self.lengths[144..256].fill(9);
        self.lengths[256..280].fill(7);
        self.lengths[280..288].fill(8);
        self.lengths[288..320].fill(5);
        self.build(288, 32)
    }

    /// Reads the code lengths of a block (RFC 1951, 3.2.7) and builds its tables.
    fn dynamic(&mut self, input: &mut Bits<'_>) -> Result<(), InflateFault> {
        const ORDER: [usize; 19] = [16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1, 15];
        let literals = 257 + input.take(5) as usize;
        let distances = 1 + input.take(5) as usize;
        let precodes = 4 + input.take(4) as usize;
        let mut precode_lengths = [0_u8; 19];
        for &symbol in &ORDER[..precodes] {
            input.refill();
            precode_lengths[symbol] = input.take(3) as u8;
        }
        build(
            &mut self.precode,
            PRECODE_BITS,
            &precode_lengths,
            &PRECODE_RESULTS,
        )?;
        let total = literals + distances;
        let mut filled = 0;
        while filled < total {
            input.refill();
            let entry = self.precode[input.peek(PRECODE_BITS) as usize];
            input.drop_bits(entry & 0xff);
            let symbol = (entry >> 16) as u8;
            let (value, run) = match symbol {
                0..=15 => {
                    self.lengths[filled] = symbol;
                    filled += 1;
                    continue;
                }
                16 if filled == 0 => return Err(InflateFault::Invalid),
                16 => (self.lengths[filled - 1], 3 + input.take(2) as usize),
                17 => (0, 3 + input.take(3) as usize),
                _ => (0, 11 + input.take(7) as usize),
            };
            self.lengths
                .get_mut(filled..(filled + run).min(total))
                .ok_or(InflateFault::Invalid)?
                .fill(value);
            filled += run;
        }
        if filled != total || self.lengths[256] == 0 {
            return Err(InflateFault::Invalid);
        }
        self.build(literals, distances)
    }

    fn build(&mut self, literals: usize, distances: usize) -> Result<(), InflateFault> {
        let (literal_lengths, rest) = self.lengths.split_at(literals);
        build(
            &mut self.literals[..],
            LITERAL_BITS,
            literal_lengths,
            &LITERAL_RESULTS,
        )?;
        build(
            &mut self.distances[..],
            DISTANCE_BITS,
            &rest[..distances],
            &DISTANCE_RESULTS,
        )
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

type Tables<'t> = (&'t [u32; LITERAL_TABLE], &'t [u32; DISTANCE_TABLE]);

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

/// The bit stream, least significant bit first. Past the end it yields zeros; [`Bits::byte_position`] notices.
#[derive(Clone, Copy)]
struct Bits<'a> {
    source: &'a [u8],
    /// Next byte to load; runs past the end together with the zeros.
    at: usize,
    bits: u64,
    count: u32,
}

impl<'a> Bits<'a> {
    fn new(source: &'a [u8]) -> Self {
        Self {
            source,
            at: 0,
            bits: 0,
            count: 0,
        }
    }

    /// Makes at least 56 bits available.
    #[inline(always)]
    fn refill(&mut self) {
        if let Some(word) = self.source.get(self.at..).and_then(<[u8]>::first_chunk::<8>) {
            // Bits above `count` may be set twice, with the same values.
            self.bits |= u64::from_le_bytes(*word) << self.count;
            self.at += ((63 - self.count) >> 3) as usize;
            self.count |= 56;
        } else {
            while self.count < 56 {
                let byte = self.source.get(self.at).copied().unwrap_or(0);
                self.bits |= u64::from(byte) << self.count;
                self.at += 1;
                self.count += 8;
            }
        }
    }

    #[inline(always)]
    fn peek(&self, count: u32) -> u32 {
        (self.bits & ((1 << count) - 1)) as u32
    }

    #[inline(always)]
    fn drop_bits(&mut self, count: u32) {
        self.bits >>= count;
        self.count = self.count.wrapping_sub(count);
    }

    #[inline(always)]
    fn take(&mut self, count: u32) -> u32 {
        let value = self.peek(count);
        self.drop_bits(count);
        value
    }

    /// Takes a code with its extra bits away and returns the extra bits.
    #[inline(always)]
    fn extra(&mut self, entry: u32) -> u32 {
        let (all, code) = (entry & 0xff, entry >> 8 & 0x1f);
        let value = self.peek(all) >> code;
        self.drop_bits(all);
        value
    }

    /// The first byte of which no bit has been taken.
    fn byte_position(&self) -> Result<usize, InflateFault> {
        let position = self.at - (self.count / 8) as usize;
        if position <= self.source.len() {
            Ok(position)
        } else {
            Err(InflateFault::EarlyEnd)
        }
    }

    fn restart(&mut self, at: usize) {
        (self.at, self.bits, self.count) = (at, 0, 0);
    }
}

/// Builds a look-up table of `1 << bits` entries, second tables behind it (canonical codes, RFC 1951, 3.2.2).
fn build(table: &mut [u32], bits: u32, lengths: &[u8], results: &[u32]) -> Result<(), InflateFault> {
    let mut counts = [0_u16; 16];
    for &length in lengths {
        counts[usize::from(length & 15)] += 1;
    }
    counts[0] = 0;
    let mut starts = [0_u16; 17];
    let mut space = 0_u32;
    for length in 1..16 {
        starts[length + 1] = starts[length] + counts[length];
        space += u32::from(counts[length]) << (15 - length);
    }
    let symbols = usize::from(starts[16]);
    let mut sorted = [0_u16; 288];
    for (symbol, &length) in lengths.iter().enumerate() {
        if length != 0 {
            let place = &mut starts[usize::from(length & 15)];
            sorted[usize::from(*place)] = symbol as u16;
            *place += 1;
        }
    }
    let sorted = &sorted[..symbols];
    if space < 1 << 15 {
        // Incomplete: allowed are no code at all, or one code of one bit (RFC 1951, 3.2.7).
        let fill = match sorted {
            [] => EXCEPTION,
            [symbol] if counts[1] == 1 => entry(results[usize::from(*symbol)], 1),
            _ => return Err(InflateFault::Invalid),
        };
        table[..1 << bits].fill(EXCEPTION);
        for even in table[..1 << bits].iter_mut().step_by(2) {
            *even = fill;
        }
        return Ok(());
    }
    if space > 1 << 15 {
        return Err(InflateFault::Invalid);
    }
    let mut symbols = sorted.iter().map(|&symbol| results[usize::from(symbol)]);
    // Codes are counted up in bit-reversed order. The part of the table filled so far doubles with each length.
    let mut code = 0_usize;
    let mut end = 1_usize;
    for length in 1..=bits {
        table.copy_within(..end, end);
        end <<= 1;
        for result in symbols.by_ref().take(usize::from(counts[length as usize])) {
            table[code] = entry(result, length);
            code = next_code(code, end - 1);
        }
    }
    let mut prefix = usize::MAX;
    let (mut second, mut second_bits, mut free) = (0, 0, end);
    for length in bits + 1..16 {
        let mut left = u32::from(counts[length as usize]);
        while left > 0 {
            if code & (end - 1) != prefix {
                // A new second table, just wide enough for all codes with this prefix.
                prefix = code & (end - 1);
                second_bits = length - bits;
                let mut used = left;
                while used < 1 << second_bits {
                    second_bits += 1;
                    used = (used << 1) + u32::from(counts[(bits + second_bits) as usize]);
                }
                second = free;
                free += 1 << second_bits;
                if free > table.len() {
                    return Err(InflateFault::Invalid);
                }
                table[prefix] = (second as u32) << 16 | EXCEPTION | SECOND_TABLE | second_bits << 8 | bits;
            }
            let Some(result) = symbols.next() else {
                return Err(InflateFault::Invalid);
            };
            let value = entry(result, length - bits);
            for place in table[second + (code >> bits)..second + (1 << second_bits)]
                .iter_mut()
                .step_by(1 << (length - bits))
            {
                *place = value;
            }
            code = next_code(code, (1 << length) - 1);
            left -= 1;
        }
    }
    Ok(())
}

/// The code after `code` of the same length, both bit-reversed; 0 after the last.
#[inline]
fn next_code(code: usize, ones: usize) -> usize {
    let zeros = code ^ ones;
    if zeros == 0 {
        return 0;
    }
    let bit = 1 << zeros.ilog2();
    code & (bit - 1) | bit
}

/// A result with the bits of its code added to both counts.
#[inline]
const fn entry(result: u32, length: u32) -> u32 {
    result + (length << 8) + length
}

const LITERAL_RESULTS: [u32; 288] = {
    let mut results = [EXCEPTION; 288];
    let mut symbol = 0;
    while symbol < 256 {
        results[symbol] = LITERAL | (symbol as u32) << 16;
        symbol += 1;
    }
    results[256] = EXCEPTION | END_OF_BLOCK;
    // RFC 1951, 3.2.5: lengths 3 to 10 one by one, then four codes for each number of extra bits, 258 last.
    let mut base = 3;
    while symbol < 284 {
        symbol += 1;
        let extra = if symbol < 265 { 0 } else { (symbol - 261) / 4 } as u32;
        results[symbol] = base << 16 | extra;
        base += 1 << extra;
    }
    results[285] = 258 << 16;
    results
};

const DISTANCE_RESULTS: [u32; 32] = {
    let mut results = [EXCEPTION; 32];
    let mut symbol = 0;
    let mut base = 1;
    while symbol < 30 {
        let extra = if symbol < 4 { 0 } else { symbol / 2 - 1 } as u32;
        results[symbol] = base << 16 | extra;
        base += 1 << extra;
        symbol += 1;
    }
    results
};

const PRECODE_RESULTS: [u32; 19] = {
    let mut results = [0; 19];
    let mut symbol = 0;
    while symbol < 19 {
        results[symbol] = (symbol as u32) << 16;
        symbol += 1;
    }
    results
};

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
