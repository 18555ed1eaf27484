//! Huffman codes (ITU-T T.81, Annex C and F.2.2.3), with tables that read several codes at a glance.

use super::bits::{Bits, Exhausted};

/// Bits looked up at once.
const LOOK: u32 = 11;

/// A table of codes.
#[derive(Debug, Clone)]
pub(super) struct Huffman {
    /// By the next [`LOOK`] bits: length of the code (upper byte) and its symbol; 0: longer.
    quick: Vec<u16>,
    /// One past the largest code of each length, left-aligned to 16 bits; by length.
    limits: [u32; 18],
    /// What to add to a code of each length to find its symbol.
    offsets: [i32; 17],
    symbols: Vec<u8>,
    /// By the next [`LOOK`] bits, for runs of AC codes that lie wholly within: bits (lowest byte), places passed (second),
    /// and in the third 1 when the last of them ends the block; 0: none.
    several: Vec<u32>,
    /// By the next [`LOOK`] bits, for one AC code with its value: value (upper half), zeros before it (second byte),
    /// bits (lowest byte); 0: none.
    valued: Vec<u32>,
}

impl Huffman {
    /// Builds the tables of code counts by length (1 to 16) and symbols; `None` when they make no code.
    pub(super) fn new(counts: &[u8; 16], symbols: &[u8]) -> Option<Self> {
        let mut quick = vec![0u16; 1 << LOOK];
        let mut limits = [0u32; 18];
        let mut offsets = [0i32; 17];
        let mut code = 0u32;
        let mut index = 0usize;
        for length in 1..=16u32 {
            let count = u32::from(counts[length as usize - 1]);
            offsets[length as usize] = index as i32 - code as i32;
            for _ in 0..count {
                let symbol = *symbols.get(index)?;
                if code >= 1 << length {
                    return None;
                }
                if length <= LOOK {
                    let shift = LOOK - length;
                    let from = (code << shift) as usize;
                    quick[from..from + (1 << shift)].fill((length as u16) << 8 | u16::from(symbol));
                }
                code += 1;
                index += 1;
            }
            limits[length as usize] = code << (16 - length);
            code <<= 1;
        }
        limits[17] = u32::MAX;
        let mut table = Self {
            quick,
            limits,
            offsets,
            symbols: symbols[..index].to_vec(),
            several: Vec::new(),
            valued: Vec::new(),
        };
        table.look_ahead();
        Some(table)
    }

    fn look_ahead(&mut self) {
        let mut several = vec![0u32; 1 << LOOK];
        let mut valued = vec![0u32; 1 << LOOK];
        for (pattern, (several, valued)) in several.iter_mut().zip(&mut valued).enumerate() {
            let mut used = 0u32;
            let mut places = 0u32;
            let mut ends = 0u32;
            loop {
                let rest = (pattern << used) & ((1 << LOOK) - 1);
                let entry = self.quick[rest];
                let (length, symbol) = (u32::from(entry >> 8), u32::from(entry & 255));
                let (run, size) = (symbol >> 4, symbol & 15);
                if length == 0 || used + length + size > LOOK {
                    break;
                }
                if size == 0 && run != 15 {
                    // End of block; other sizes of zero mean nothing in sequential mode and end it as well.
                    used += length;
                    ends = 1;
                    break;
                }
                if used == 0 && size > 0 {
                    let raw = ((rest << length) & ((1 << LOOK) - 1)) >> (LOOK - size);
                    let value = if raw < 1 << (size - 1) {
                        raw as i32 - (1 << size) + 1
                    } else {
                        raw as i32
                    };
                    *valued = (value as i16 as u16 as u32) << 16 | run << 8 | (length + size);
                }
                used += length + size;
                places += run + 1;
            }
            if used > 0 {
                *several = ends << 16 | places << 8 | used;
            }
        }
        self.several = several;
        self.valued = valued;
    }

    /// Takes one code.
    #[inline]
    pub(super) fn symbol(&self, bytes: &[u8], bits: &mut Bits) -> Result<u8, Exhausted> {
        bits.refill(bytes);
        let entry = self.quick[bits.peek(LOOK)];
        if entry != 0 {
            bits.take(u32::from(entry >> 8))?;
            return Ok(entry as u8);
        }
        self.long_symbol(bits)
    }

    #[cold]
    fn long_symbol(&self, bits: &mut Bits) -> Result<u8, Exhausted> {
        let next = bits.peek(16) as u32;
        for length in LOOK + 1..=16 {
            if next < self.limits[length as usize] {
                let code = (next >> (16 - length)) as i32;
                bits.take(length)?;
                let index = code + self.offsets[length as usize];
                return self.symbols.get(index as usize).copied().ok_or(Exhausted);
            }
        }
        Err(Exhausted)
    }

    /// Passes over the AC coefficients of a block.
    #[inline]
    pub(super) fn skip_block(&self, bytes: &[u8], bits: &mut Bits) -> Result<(), Exhausted> {
        let mut place = 1u32;
        while place < 64 {
            bits.refill(bytes);
            let entry = self.several[bits.peek(LOOK)];
            let (used, places, ends) = (entry & 255, entry >> 8 & 255, entry >> 16);
            // An end of block can only follow while a place is left for it.
            if entry != 0 && place + places + ends <= 64 {
                bits.take(used)?;
                if ends == 1 {
                    return Ok(());
                }
                place += places;
                continue;
            }
            let symbol = u32::from(self.symbol(bytes, bits)?);
            let (run, size) = (symbol >> 4, symbol & 15);
            if size == 0 && run != 15 {
                return Ok(());
            }
            bits.take(size)?;
            place += run + 1;
        }
        Ok(())
    }

    /// Takes the AC coefficients of a block; gives the last place, in zigzag order, that is not zero.
    #[inline]
    pub(super) fn read_block(
        &self,
        bytes: &[u8],
        bits: &mut Bits,
        mut put: impl FnMut(usize, i32),
    ) -> Result<usize, Exhausted> {
        let mut place = 1usize;
        let mut last = 0;
        while place < 64 {
            bits.refill(bytes);
            let entry = self.valued[bits.peek(LOOK)];
            let value = if entry != 0 {
                bits.take(entry & 255)?;
                place += (entry >> 8 & 255) as usize;
                i32::from((entry >> 16) as u16 as i16)
            } else {
                let symbol = u32::from(self.symbol(bytes, bits)?);
                let (run, size) = (symbol >> 4, symbol & 15);
                if size == 0 {
                    if run != 15 {
                        return Ok(last);
                    }
                    place += 16;
                    continue;
                }
                place += run as usize;
                bits.extended(size)?
            };
            if place > 63 {
                return Ok(last);
            }
            put(place, value);
            last = place;
            place += 1;
        }
        Ok(last)
    }
}
