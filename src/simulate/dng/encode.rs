//! Codes lossless JPEG images for the DNGs that tests write: one fixed Huffman table, so sound but hardly small.

/// Codes of each length, 1 to 16 bits: 17 in all, the small differences first and none all ones.
const COUNTS: [u8; 16] = [0, 0, 6, 0, 7, 1, 0, 0, 0, 0, 0, 3, 0, 0, 0, 0];

/// The shape of a lossless JPEG image and how it is coded.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Shape {
    /// Samples of a line of each component.
    pub(crate) width: usize,
    /// Components, 1 to 4, interleaved in the samples.
    pub(crate) components: usize,
    /// Predictor, 1 to 7.
    pub(crate) predictor: u8,
    /// Bits of a sample.
    pub(crate) precision: u8,
    /// Lines between restart markers; 0 for none.
    pub(crate) restart_lines: usize,
}

/// Bits in the making, with a zero byte after each 0xFF.
#[derive(Default)]
struct Bits {
    out: Vec<u8>,
    held: u64,
    count: u32,
}

impl Bits {
    fn put(&mut self, value: u32, bits: u32) {
        self.held = self.held << bits | u64::from(value & ((1 << bits) - 1));
        self.count += bits;
        while self.count >= 8 {
            self.count -= 8;
            let byte = (self.held >> self.count) as u8;
            self.out.push(byte);
            if byte == 0xFF {
                self.out.push(0);
            }
        }
    }

    /// Fills the last byte with ones.
    fn align(&mut self) {
        if self.count > 0 {
            self.put(0xFF, 8 - self.count);
        }
    }
}

/// Codes samples (line after line, components side by side) as one lossless JPEG image.
pub(crate) fn encode(samples: &[u16], shape: Shape) -> Vec<u8> {
    let row = shape.width * shape.components;
    let mut bits = Bits { out: headers(shape, samples.len() / row), ..Bits::default() };
    let codes = codes();
    for (line, here) in samples.chunks_exact(row).enumerate() {
        let restarted = shape.restart_lines > 0 && line > 0 && line % shape.restart_lines == 0;
        if restarted {
            bits.align();
            bits.out.extend([0xFF, 0xD0 + ((line / shape.restart_lines - 1) % 8) as u8]);
        }
        let above = if line == 0 || restarted { None } else { Some(&samples[(line - 1) * row..line * row]) };
        for (index, sample) in here.iter().enumerate() {
            let predicted = predict(index, here, above, shape);
            put_difference(&mut bits, &codes, sample.wrapping_sub(predicted) as i16);
        }
    }
    bits.align();
    bits.out.extend([0xFF, 0xD9]);
    bits.out
}

/// What sample `index` of a line is predicted to be (T.81, H.1.2).
fn predict(index: usize, here: &[u16], above: Option<&[u16]>, shape: Shape) -> u16 {
    let Some(left_at) = index.checked_sub(shape.components) else {
        return above.map_or(1 << (shape.precision - 1), |above| above[index]);
    };
    let left = i32::from(here[left_at]);
    let Some(above) = above else { return left as u16 };
    let (up, corner) = (i32::from(above[index]), i32::from(above[left_at]));
    let predicted = match shape.predictor {
        1 => left,
        2 => up,
        3 => corner,
        4 => left + up - corner,
        5 => left + ((up - corner) >> 1),
        6 => up + ((left - corner) >> 1),
        _ => (left + up) >> 1,
    };
    predicted as u16
}

/// Code and length of each difference category.
fn codes() -> Vec<(u32, u32)> {
    let mut codes = Vec::new();
    let mut next = 0;
    for (length, count) in (1u32..).zip(COUNTS) {
        for _ in 0..count {
            codes.push((next, length));
            next += 1;
        }
        next <<= 1;
    }
    codes
}

fn put_difference(bits: &mut Bits, codes: &[(u32, u32)], difference: i16) {
    let category = 16 - difference.unsigned_abs().leading_zeros();
    let (code, length) = codes[category as usize];
    bits.put(code, length);
    if (1..16).contains(&category) {
        let low = i32::from(difference) - i32::from(difference < 0);
        bits.put(low as u32, category);
    }
}

/// The marker segments before the coded data.
fn headers(shape: Shape, height: usize) -> Vec<u8> {
    let count = shape.components as u8;
    let two = |value: usize| (value as u16).to_be_bytes();
    let mut out = vec![0xFF, 0xD8, 0xFF, 0xC4];
    out.extend(two(2 + 17 + 17));
    out.push(0);
    out.extend(COUNTS);
    out.extend(0..17);
    out.extend([0xFF, 0xC3]);
    out.extend(two(8 + 3 * shape.components));
    out.push(shape.precision);
    out.extend(two(height));
    out.extend(two(shape.width));
    out.push(count);
    out.extend((0..count).flat_map(|id| [id, 0x11, 0]));
    if shape.restart_lines > 0 {
        out.extend([0xFF, 0xDD, 0, 4]);
        out.extend(two(shape.restart_lines * shape.width));
    }
    out.extend([0xFF, 0xDA]);
    out.extend(two(6 + 2 * shape.components));
    out.push(count);
    out.extend((0..count).flat_map(|id| [id, 0]));
    out.extend([shape.predictor, 0, 0]);
    out
}
