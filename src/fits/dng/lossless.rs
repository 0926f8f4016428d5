//! Decodes lossless JPEG (ITU-T T.81, process 14: Huffman coding of predicted samples, frame marker SOF3).

use super::error::DngError;

/// Codes up to this many bits are looked up at once.
const FAST_BITS: u32 = 10;

/// The Huffman code of the difference categories, 0 to 16.
#[derive(Debug, Clone)]
struct Code {
    /// By the next `FAST_BITS` bits: (length << 8) | category, or 0 where the code is longer.
    fast: Vec<u16>,
    /// By code length: the first code of that length, its place in `values` and how many there are.
    lengths: [(u32, u32, u32); 17],
    values: Vec<u8>,
}

impl Code {
    /// From a DHT segment's 16 counts and the categories that follow them.
    fn new(counts: &[u8; 16], values: &[u8]) -> Result<Code, DngError> {
        let mut code = Code { fast: vec![0; 1 << FAST_BITS], lengths: [(0, 0, 0); 17], values: values.to_vec() };
        let (mut next, mut place) = (0u32, 0u32);
        for length in 1..=16u32 {
            let count = u32::from(counts[length as usize - 1]);
            if next + count > 1 << length {
                return Err(DngError::damaged("a Huffman table holds more codes than its lengths allow"));
            }
            code.lengths[length as usize] = (next, place, count);
            if length <= FAST_BITS {
                let spread = FAST_BITS - length;
                for (index, value) in (next..next + count).zip(&values[place as usize..]) {
                    let start = (index << spread) as usize;
                    code.fast[start..start + (1 << spread)].fill((length as u16) << 8 | u16::from(*value));
                }
            }
            place += count;
            next = (next + count) << 1;
        }
        Ok(code)
    }
}

/// The entropy-coded bits of a scan, without their stuffed zero bytes. Past the end or before a marker it yields zeros.
struct Bits<'a> {
    data: &'a [u8],
    at: usize,
    held: u64,
    count: u32,
    /// Zero bits made up at the end of `held`.
    padding: u32,
}

impl<'a> Bits<'a> {
    fn new(data: &'a [u8]) -> Bits<'a> {
        Bits { data, at: 0, held: 0, count: 0, padding: 0 }
    }

    /// Holds 32 bits at least.
    fn fill(&mut self) {
        while self.count <= 32 {
            let byte = match self.data.get(self.at) {
                Some(0xFF) if self.data.get(self.at + 1) == Some(&0) => {
                    self.at += 2;
                    0xFF
                }
                Some(&byte) if byte != 0xFF => {
                    self.at += 1;
                    byte
                }
                _ => {
                    self.padding = self.padding.saturating_add(8);
                    0
                }
            };
            self.held = self.held << 8 | u64::from(byte);
            self.count += 8;
        }
    }

    fn peek(&self, bits: u32) -> u32 {
        (self.held >> (self.count - bits)) as u32 & ((1 << bits) - 1)
    }

    /// The next difference: its category by the code, then as many bits. None for bits that are no code.
    fn difference(&mut self, code: &Code) -> Option<i32> {
        self.fill();
        let quick = code.fast[self.peek(FAST_BITS) as usize];
        let category = if quick != 0 {
            self.count -= u32::from(quick >> 8);
            quick & 0xFF
        } else {
            let (length, category) = (FAST_BITS + 1..=16).find_map(|length| {
                let (first, place, count) = code.lengths[length as usize];
                let offset = self.peek(length).wrapping_sub(first);
                (offset < count).then(|| (length, code.values[(place + offset) as usize]))
            })?;
            self.count -= length;
            u16::from(category)
        };
        match category {
            0 => Some(0),
            16 => Some(32768),
            1..=15 => {
                let bits = u32::from(category);
                let value = self.peek(bits) as i32;
                self.count -= bits;
                Some(if value < 1 << (bits - 1) { value - (1 << bits) + 1 } else { value })
            }
            _ => None,
        }
    }

    /// Whether bits were used that the data do not hold.
    fn overrun(&self) -> bool {
        self.padding > self.count
    }

    /// Passes over the restart marker of the given number (0 to 7) at the next byte boundary.
    fn restart(&mut self, number: u8) -> bool {
        let whole_left = self.count.saturating_sub(self.padding) / 8;
        self.held = 0;
        self.count = 0;
        self.padding = 0;
        while self.data.get(self.at) == Some(&0xFF) && self.data.get(self.at + 1) == Some(&0xFF) {
            self.at += 1;
        }
        let found = self.data.get(self.at..self.at + 2) == Some(&[0xFF, 0xD0 + number]);
        self.at += 2;
        found && whole_left == 0
    }
}

/// What the headers say of a frame and its only scan.
#[derive(Debug, Default)]
struct Header {
    precision: u32,
    width: usize,
    height: usize,
    /// Component identifiers in the frame's order.
    identifiers: Vec<u8>,
    tables: [Option<Code>; 4],
    /// Samples of a component between restart markers; 0 without.
    restart: usize,
    /// Tables of the scan's components, predictor 1 to 7 and point transform.
    scan: Option<(Vec<usize>, u8, u32)>,
}

/// Decodes one lossless JPEG image of at most `most` samples, all components counted: line after line, the components
/// of each place side by side.
///
/// # Errors
/// [`DngError::Unsupported`] for another JPEG process, subsampled components or several scans;
/// [`DngError::Damaged`] for everything that contradicts the format or ends early.
pub(crate) fn decode(data: &[u8], most: usize) -> Result<Vec<u16>, DngError> {
    let (header, start) = headers(data)?;
    let components = header.identifiers.len();
    let (tables, predictor, shift) = header.scan.as_ref().ok_or_else(|| DngError::damaged("a JPEG without a scan"))?;
    let row = header.width * components;
    let total = row.checked_mul(header.height).filter(|&total| total <= most && total / 8 <= data.len());
    let total =
        total.ok_or_else(|| DngError::damaged("a JPEG frame larger than its tile or than its data can hold"))?;
    if header.restart % header.width != 0 {
        return Err(DngError::damaged("a JPEG restart interval that is no whole number of lines"));
    }
    let codes = tables.iter().map(|&table| header.tables[table].as_ref()).collect::<Option<Vec<_>>>();
    let codes = codes.ok_or_else(|| DngError::damaged("a JPEG scan names a Huffman table that is missing"))?;
    let mut bits = Bits::new(&data[start..]);
    let mut samples = vec![0u16; total];
    let between = header.restart / header.width;
    let begin = 1u16 << (header.precision - shift - 1);
    for line in 0..header.height {
        let restarted = between > 0 && line > 0 && line % between == 0;
        if restarted && !bits.restart(((line / between - 1) % 8) as u8) {
            return Err(DngError::damaged("a JPEG restart marker is not where it should be"));
        }
        let (above, here) = samples[..(line + 1) * row].split_at_mut(line * row);
        let above = if line == 0 || restarted { None } else { Some(&above[(line - 1) * row..]) };
        let whole = match above {
            None => first_line(&mut bits, &codes, here, begin),
            Some(above) => later_line(&mut bits, &codes, *predictor, above, here),
        };
        if whole.is_none() || bits.overrun() {
            return Err(DngError::damaged("a JPEG image's coded data end early or hold a wrong code"));
        }
    }
    if *shift > 0 {
        samples.iter_mut().for_each(|sample| *sample <<= shift);
    }
    Ok(samples)
}

/// Decodes a line that follows the scan's start or a restart: each sample is predicted by the one to its left.
fn first_line(bits: &mut Bits, codes: &[&Code], here: &mut [u16], begin: u16) -> Option<()> {
    let components = codes.len();
    for index in 0..here.len() {
        let left = if index < components { begin } else { here[index - components] };
        here[index] = left.wrapping_add(bits.difference(codes[index % components])? as u16);
    }
    Some(())
}

/// Decodes any other line by the scan's predictor (T.81, table H.1); its first sample is predicted by the one above.
fn later_line(bits: &mut Bits, codes: &[&Code], predictor: u8, above: &[u16], here: &mut [u16]) -> Option<()> {
    let components = codes.len();
    for component in 0..components {
        here[component] = above[component].wrapping_add(bits.difference(codes[component])? as u16);
    }
    for start in (components..here.len()).step_by(components) {
        for (component, code) in codes.iter().enumerate() {
            let index = start + component;
            let left = i32::from(here[index - components]);
            let (up, corner) = (i32::from(above[index]), i32::from(above[index - components]));
            let predicted = match predictor {
                1 => left,
                2 => up,
                3 => corner,
                4 => left + up - corner,
                5 => left + ((up - corner) >> 1),
                6 => up + ((left - corner) >> 1),
                _ => (left + up) >> 1,
            };
            here[index] = (predicted + bits.difference(code)?) as u16;
        }
    }
    Some(())
}

/// Reads the marker segments up to the first scan; also gives where its coded data start.
fn headers(data: &[u8]) -> Result<(Header, usize), DngError> {
    let short = || DngError::damaged("a JPEG image ends within its headers");
    if data.get(..2) != Some(&[0xFF, 0xD8]) {
        return Err(DngError::damaged("a tile or strip that should hold a JPEG image does not"));
    }
    let mut header = Header::default();
    let mut at = 2;
    loop {
        let [0xFF, marker] = *data.get(at..at + 2).ok_or_else(short)? else {
            return Err(DngError::damaged("a JPEG marker is missing"));
        };
        if marker == 0xFF {
            at += 1;
            continue;
        }
        let length = data.get(at + 2..at + 4).map(|bytes| usize::from(bytes[0]) << 8 | usize::from(bytes[1]));
        let end = at + 2 + length.filter(|&length| length >= 2).ok_or_else(short)?;
        let segment = data.get(at + 4..end).ok_or_else(short)?;
        match marker {
            0xC3 => frame_header(segment, &mut header)?,
            0xC4 => huffman_tables(segment, &mut header)?,
            0xC0..=0xCF => return Err(DngError::unsupported("a JPEG process other than lossless (SOF3)")),
            0xDD => {
                header.restart =
                    segment.get(..2).map(|b| usize::from(b[0]) << 8 | usize::from(b[1])).ok_or_else(short)?
            }
            0xDA => {
                scan_header(segment, &mut header)?;
                return Ok((header, end));
            }
            0xD8 | 0xD9 => return Err(short()),
            _ => {}
        }
        at = end;
    }
}

/// The frame header (SOF3).
fn frame_header(segment: &[u8], header: &mut Header) -> Result<(), DngError> {
    let wrong = || DngError::damaged("a JPEG frame header contradicts itself");
    let [precision, h1, h0, w1, w0, components, ref list @ ..] = *segment else { return Err(wrong()) };
    header.precision = u32::from(precision);
    header.height = usize::from(h1) << 8 | usize::from(h0);
    header.width = usize::from(w1) << 8 | usize::from(w0);
    if !(2..=16).contains(&precision) || header.width == 0 || list.len() != usize::from(components) * 3 {
        return Err(wrong());
    }
    if !(1..=4).contains(&components) || header.height == 0 {
        return Err(DngError::unsupported("a JPEG of more than 4 components or with its height after the scan"));
    }
    if components > 1 && list.chunks_exact(3).any(|component| component[1] != list[1]) {
        return Err(DngError::unsupported("a lossless JPEG with subsampled components"));
    }
    header.identifiers = list.chunks_exact(3).map(|component| component[0]).collect();
    Ok(())
}

/// The Huffman tables of one DHT segment.
fn huffman_tables(mut segment: &[u8], header: &mut Header) -> Result<(), DngError> {
    let wrong = || DngError::damaged("a JPEG Huffman table ends early");
    while let Some((&place, rest)) = segment.split_first() {
        let (counts, rest) = rest.split_first_chunk::<16>().ok_or_else(wrong)?;
        let total = counts.iter().map(|&count| usize::from(count)).sum();
        let (values, rest) = rest.split_at_checked(total).ok_or_else(wrong)?;
        if place < 4 {
            header.tables[usize::from(place)] = Some(Code::new(counts, values)?);
        }
        segment = rest;
    }
    Ok(())
}

/// The scan header (SOS), which must name every component of the frame, in its order.
fn scan_header(segment: &[u8], header: &mut Header) -> Result<(), DngError> {
    let count = usize::from(*segment.first().unwrap_or(&0));
    if header.identifiers.is_empty() || segment.len() != 4 + 2 * count {
        return Err(DngError::damaged("a JPEG scan header contradicts its frame"));
    }
    let (list, last) = segment[1..].split_at(2 * count);
    if !list.chunks_exact(2).map(|component| component[0]).eq(header.identifiers.iter().copied()) {
        return Err(DngError::unsupported("a lossless JPEG whose components lie in several scans"));
    }
    let tables: Vec<usize> = list.chunks_exact(2).map(|component| usize::from(component[1] >> 4)).collect();
    let (predictor, shift) = (last[0], u32::from(last[2] & 15));
    if tables.iter().any(|&table| table > 3) || !(1..=7).contains(&predictor) || shift >= header.precision {
        return Err(DngError::damaged("a JPEG scan header with a table, predictor or shift that the format lacks"));
    }
    header.scan = Some((tables, predictor, shift));
    Ok(())
}
