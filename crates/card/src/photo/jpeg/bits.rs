//! Bits of entropy-coded data, most significant first, with the zero bytes stuffed after 0xFF taken out.

/// The data ended, or a marker stood where data was expected.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Exhausted;

/// A place in the data.
#[derive(Debug, Clone, Copy)]
pub(super) struct Bits {
    position: u32,
    /// Valid bits of `held`.
    count: u32,
    /// Bits not yet taken, from the top; below them zeros.
    held: u64,
}

impl Bits {
    pub(super) fn new(position: u32) -> Self {
        Self {
            position,
            count: 0,
            held: 0,
        }
    }

    /// Makes at least 32 bits available where the data has them.
    #[inline]
    pub(super) fn refill(&mut self, bytes: &[u8]) {
        if self.count >= 32 {
            return;
        }
        let at = self.position as usize;
        if let Some(four) = bytes.get(at..at + 4) {
            let word = u32::from_be_bytes([four[0], four[1], four[2], four[3]]);
            // No byte is 0xFF: no byte of the complement is zero.
            if (!word).wrapping_sub(0x0101_0101) & word & 0x8080_8080 == 0 {
                self.held |= u64::from(word) << (32 - self.count);
                self.count += 32;
                self.position += 4;
                return;
            }
        }
        self.refill_slowly(bytes);
    }

    #[cold]
    #[inline(never)]
    fn refill_slowly(&mut self, bytes: &[u8]) {
        while self.count <= 56 {
            let at = self.position as usize;
            let Some(&byte) = bytes.get(at) else { return };
            if byte == 0xff {
                if bytes.get(at + 1) != Some(&0) {
                    return;
                }
                self.position += 1;
            }
            self.position += 1;
            self.held |= u64::from(byte) << (56 - self.count);
            self.count += 8;
        }
    }

    /// The next `n` bits without taking them; zeros beyond the end. `n` from 1 to 32.
    #[inline]
    pub(super) fn peek(&self, n: u32) -> usize {
        (self.held >> (64 - n)) as usize
    }

    /// Takes `n` bits, at most 32.
    #[inline]
    pub(super) fn take(&mut self, n: u32) -> Result<(), Exhausted> {
        if n > self.count {
            return Err(Exhausted);
        }
        self.held <<= n;
        self.count -= n;
        Ok(())
    }

    /// Takes `size` bits as a signed value (ITU-T T.81, F.2.2.1 EXTEND); `size` at most 16.
    #[inline]
    pub(super) fn extended(&mut self, size: u32) -> Result<i32, Exhausted> {
        if size == 0 {
            return Ok(0);
        }
        let value = self.peek(size) as i32;
        self.take(size)?;
        Ok(if value < 1 << (size - 1) {
            value - (1 << size) + 1
        } else {
            value
        })
    }

    /// Goes on after the next restart marker.
    pub(super) fn restart(&mut self, bytes: &[u8]) -> Result<(), Exhausted> {
        let mut at = self.position as usize;
        // The padding before a marker is less than a byte, and was held; extra fill bytes 0xFF are legal.
        while bytes.get(at) == Some(&0xff) && bytes.get(at + 1) == Some(&0xff) {
            at += 1;
        }
        match (bytes.get(at), bytes.get(at + 1)) {
            (Some(0xff), Some(0xd0..=0xd7)) if self.count < 8 => {
                *self = Self::new((at + 2) as u32);
                Ok(())
            }
            _ => Err(Exhausted),
        }
    }
}
