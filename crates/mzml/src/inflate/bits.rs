//! The bit stream of deflate data.

use crate::error::InflateFault;

/// The bit stream, least significant bit first. Past the end it yields zeros; [`Bits::byte_position`] notices.
#[derive(Clone, Copy)]
pub(super) struct Bits<'a> {
    pub(super) source: &'a [u8],
    /// Next byte to load; runs past the end together with the zeros.
    at: usize,
    bits: u64,
    pub(super) count: u32,
}

impl<'a> Bits<'a> {
    pub(super) fn new(source: &'a [u8]) -> Self {
        Self {
            source,
            at: 0,
            bits: 0,
            count: 0,
        }
    }

    /// Makes at least 56 bits available.
    #[inline(always)]
    pub(super) fn refill(&mut self) {
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
    pub(super) fn peek(&self, count: u32) -> u32 {
        (self.bits & ((1 << count) - 1)) as u32
    }

    #[inline(always)]
    pub(super) fn drop_bits(&mut self, count: u32) {
        self.bits >>= count;
        self.count = self.count.wrapping_sub(count);
    }

    #[inline(always)]
    pub(super) fn take(&mut self, count: u32) -> u32 {
        let value = self.peek(count);
        self.drop_bits(count);
        value
    }

    /// Takes a code with its extra bits away and returns the extra bits.
    #[inline(always)]
    pub(super) fn extra(&mut self, entry: u32) -> u32 {
        let (all, code) = (entry & 0xff, entry >> 8 & 0x1f);
        let value = self.peek(all) >> code;
        self.drop_bits(all);
        value
    }

    /// The first byte of which no bit has been taken.
    pub(super) fn byte_position(&self) -> Result<usize, InflateFault> {
        let position = self.at - (self.count / 8) as usize;
        if position <= self.source.len() {
            Ok(position)
        } else {
            Err(InflateFault::EarlyEnd)
        }
    }

    pub(super) fn restart(&mut self, at: usize) {
        (self.at, self.bits, self.count) = (at, 0, 0);
    }
}
