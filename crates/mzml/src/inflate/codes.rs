//! Huffman codes of a deflate block (RFC 1951, 3.2) as look-up tables.

use super::bits::Bits;
use crate::error::InflateFault;

/// Bits looked up at once for a literal or length; longer codes go through a second table.
pub(super) const LITERAL_BITS: u32 = 10;
/// Bits looked up at once for a distance.
pub(super) const DISTANCE_BITS: u32 = 8;
const PRECODE_BITS: u32 = 7;

// A table entry: bits 0-7 bits to take away (code and extra bits), 8-12 bits of the code alone or of the second
// table's index, 13-15 flags, 16-30 literal, base or second table's start, 31 literal flag.
pub(super) const LITERAL: u32 = 1 << 31;
pub(super) const EXCEPTION: u32 = 1 << 15;
pub(super) const SECOND_TABLE: u32 = 1 << 14;
pub(super) const END_OF_BLOCK: u32 = 1 << 13;

// Second tables never need more than the first again plus one entry a symbol (Kraft), rounded up.
pub(super) const LITERAL_TABLE: usize = 1 << 12;
pub(super) const DISTANCE_TABLE: usize = 1 << 10;

/// Tables for literals with lengths, and for distances.
pub(super) type Tables<'t> = (&'t [u32; LITERAL_TABLE], &'t [u32; DISTANCE_TABLE]);

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

impl Codes {
    pub(super) fn tables(&self) -> Tables<'_> {
        (&self.literals, &self.distances)
    }

    pub(super) fn fixed(&mut self) -> Result<(), InflateFault> {
        self.lengths[..144].fill(8);
        self.lengths[144..256].fill(9);
        self.lengths[256..280].fill(7);
        self.lengths[280..288].fill(8);
        self.lengths[288..320].fill(5);
        self.build(288, 32)
    }

    /// Reads the code lengths of a block (RFC 1951, 3.2.7) and builds its tables.
    pub(super) fn dynamic(&mut self, input: &mut Bits<'_>) -> Result<(), InflateFault> {
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
        let filled = self.code_lengths(input, total)?;
        if filled != total || self.lengths[256] == 0 {
            return Err(InflateFault::Invalid);
        }
        self.build(literals, distances)
    }

    /// Reads the lengths of `total` codes; gives how many were stated.
    fn code_lengths(&mut self, input: &mut Bits<'_>, total: usize) -> Result<usize, InflateFault> {
        // A copy stays in registers.
        let mut bits = *input;
        let (precode, lengths) = (&self.precode, &mut self.lengths);
        let mut filled = 0;
        while filled < total {
            bits.refill();
            // Four codes of at most seven bits, each with at most seven more.
            for _ in 0..4 {
                let entry = precode[bits.peek(PRECODE_BITS) as usize];
                bits.drop_bits(entry & 0xff);
                let symbol = (entry >> 16) as u8;
                if symbol < 16 {
                    lengths[filled] = symbol;
                    filled += 1;
                } else {
                    let (value, run) = match symbol {
                        16 if filled == 0 => return Err(InflateFault::Invalid),
                        16 => (lengths[filled - 1], 3 + bits.take(2) as usize),
                        17 => (0, 3 + bits.take(3) as usize),
                        _ => (0, 11 + bits.take(7) as usize),
                    };
                    lengths
                        .get_mut(filled..(filled + run).min(total))
                        .ok_or(InflateFault::Invalid)?
                        .fill(value);
                    filled += run;
                }
                if filled >= total {
                    break;
                }
            }
        }
        *input = bits;
        Ok(filled)
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

/// Builds a look-up table of `1 << bits` entries, second tables behind it (canonical codes, RFC 1951, 3.2.2).
fn build(table: &mut [u32], bits: u32, lengths: &[u8], results: &[u32]) -> Result<(), InflateFault> {
    let Sorted {
        counts,
        space,
        symbols,
        sorted,
    } = sort(lengths);
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
    // The part of the table filled so far doubles with each length. Codes are counted up and stand in the table with their bits
    // reversed, each for itself: stepping through reversed codes would make each wait for the one before.
    let mut straight = 0_usize;
    let mut end = 1_usize;
    for length in 1..=bits {
        if straight > 0 {
            table.copy_within(..end, end);
        }
        end <<= 1;
        straight <<= 1;
        for result in symbols.by_ref().take(usize::from(counts[length as usize])) {
            table[reversed(straight, length)] = entry(result, length);
            straight += 1;
        }
    }
    // Where codes are left, the next, reversed; a zero behind its last bit changes nothing.
    let mut code = reversed(straight, bits) & (end - 1);
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

/// The lowest `length` bits in reverse order.
#[inline]
const fn reversed(code: usize, length: u32) -> usize {
    (code as u16).reverse_bits() as usize >> (16 - length)
}

/// The symbols that have a code, in the order of their codes.
struct Sorted {
    /// Symbols of each length.
    counts: [u16; 16],
    /// What the codes take of all sequences of 15 bits.
    space: u32,
    symbols: usize,
    sorted: [u16; MOST_SORTED],
}

/// At least the 288 symbols, and a power of two.
const MOST_SORTED: usize = 512;

/// Sorts symbols by length of code, then by number. Most lengths are alike, and counting up the same number again and again
/// makes each step wait for the one before, so four quarters of the symbols are counted and placed side by side.
fn sort(lengths: &[u8]) -> Sorted {
    const QUARTERS: usize = 4;
    let quarter = lengths.len().div_ceil(QUARTERS).max(1);
    let mut chunks = lengths.chunks(quarter);
    let parts: [&[u8]; QUARTERS] = std::array::from_fn(|_| chunks.next().unwrap_or_default());
    let mut places = [[0_u16; 16]; QUARTERS];
    for nth in 0..quarter {
        for (part, counts) in parts.iter().zip(&mut places) {
            if let Some(length) = part.get(nth) {
                counts[usize::from(length & 15)] += 1;
            }
        }
    }
    let mut counts = [0_u16; 16];
    let (mut space, mut start) = (0, 0);
    // Symbols without a code come last, so that placing them takes no branch.
    for length in (1..16).chain([0]) {
        let first = start;
        for part in &mut places {
            let here = part[length];
            part[length] = start;
            start += here;
        }
        if length > 0 {
            counts[length] = start - first;
            space += u32::from(counts[length]) << (15 - length);
        }
    }
    let symbols = counts.iter().map(|count| usize::from(*count)).sum();
    let mut sorted = [0_u16; MOST_SORTED];
    for nth in 0..quarter {
        for (number, (part, places)) in parts.iter().zip(&mut places).enumerate() {
            if let Some(length) = part.get(nth) {
                let place = &mut places[usize::from(length & 15)];
                sorted[usize::from(*place) % MOST_SORTED] = (number * quarter + nth) as u16;
                *place += 1;
            }
        }
    }
    Sorted {
        counts,
        space,
        symbols,
        sorted,
    }
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
