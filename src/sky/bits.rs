//! Numbers in as few bits as they need: fixed widths, and Rice codes for small numbers with a long tail.

/// Bits that one look ahead surely holds: eight bytes less the bits of the first that are spent.
const SURE_BITS: u32 = 57;

/// Appends bits, most significant first.
#[derive(Debug, Default)]
pub(crate) struct BitWriter {
    bytes: Vec<u8>,
    /// Bits of the last byte that are taken, 0 to 7.
    taken: u32,
}

impl BitWriter {
    /// The lowest `width` bits of `value`.
    pub fn fixed(&mut self, value: u32, width: u32) {
        for k in (0..width).rev() {
            self.bit(value >> k & 1 == 1);
        }
    }

    /// A Rice code (Rice & Plaunt 1971): `value >> low` zeros, a one, then the lowest `low` bits.
    pub fn rice(&mut self, value: u32, low: u32) {
        for _ in 0..value >> low {
            self.bit(false);
        }
        self.bit(true);
        self.fixed(value, low);
    }

    fn bit(&mut self, set: bool) {
        if self.taken == 0 {
            self.bytes.push(0);
        }
        if let Some(last) = self.bytes.last_mut() {
            *last |= u8::from(set) << (7 - self.taken);
        }
        self.taken = (self.taken + 1) % 8;
    }

    /// The bytes; what is left of the last one is zero.
    pub fn finish(self) -> Vec<u8> {
        self.bytes
    }
}

/// Reads what [`BitWriter`] wrote.
#[derive(Debug)]
pub(crate) struct BitReader<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl<'a> BitReader<'a> {
    pub fn new(bytes: &'a [u8]) -> Self {
        Self { bytes, at: 0 }
    }

    /// The next bits, from the top of the word on; zeros beyond the end.
    fn ahead(&self) -> u64 {
        let from = self.at / 8;
        let word = match self.bytes.get(from..from + 8) {
            Some(eight) => u64::from_be_bytes(eight.try_into().unwrap_or_default()),
            None => {
                let rest = self.bytes.get(from..).unwrap_or_default();
                let padded: [u8; 8] = std::array::from_fn(|k| rest.get(k).copied().unwrap_or(0));
                u64::from_be_bytes(padded)
            }
        };
        word << (self.at % 8)
    }

    /// A number of `width` bits, 1 to 32. `None` beyond the end.
    pub fn fixed(&mut self, width: u32) -> Option<u32> {
        let value = (self.ahead() >> (64 - width)) as u32;
        self.at += width as usize;
        (self.at <= 8 * self.bytes.len()).then_some(value)
    }

    /// A Rice code. `None` beyond the end.
    pub fn rice(&mut self, low: u32) -> Option<u32> {
        let mut high = 0;
        loop {
            let zeros = self.ahead().leading_zeros();
            if zeros < SURE_BITS {
                high += zeros;
                self.at += zeros as usize + 1;
                break;
            }
            if self.at >= 8 * self.bytes.len() {
                return None;
            }
            high += SURE_BITS - 1;
            self.at += SURE_BITS as usize - 1;
        }
        let rest = if low == 0 { 0 } else { self.fixed(low)? };
        (self.at <= 8 * self.bytes.len()).then_some(high << low | rest)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_written_is_read_and_the_end_is_noticed() {
        let mut writer = BitWriter::default();
        // The second needs more zeros than one look ahead holds.
        for (value, low) in [(5, 3), (700, 2), (0, 0), (9, 0)] {
            writer.rice(value, low);
            writer.fixed(value, 12);
        }
        let bytes = writer.finish();
        let mut reader = BitReader::new(&bytes);
        for (value, low) in [(5, 3), (700, 2), (0, 0), (9, 0)] {
            assert_eq!((reader.rice(low), reader.fixed(12)), (Some(value), Some(value)));
        }
        assert_eq!(reader.rice(3), None);
        assert_eq!(reader.fixed(32), None);
    }

    // Rice & Plaunt 1971 with two low bits: 6 = 1 * 4 + 2 is one zero, a one, and 10.
    #[test]
    fn a_rice_code_has_the_published_bits() {
        let mut writer = BitWriter::default();
        writer.rice(6, 2);
        assert_eq!(writer.finish(), [0b0110_0000]);
    }
}
