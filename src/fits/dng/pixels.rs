//! From a raw image's strips or tiles to one array of codes.

use super::directory::{Directory, Field, Order, Tiff};
use super::error::DngError;
use super::lossless;
use crate::facts::dng_tags as tags;
use std::io::Read;

/// Pixels of the largest image that is read.
const MOST_PIXELS: usize = 400_000_000;
/// Deflate makes at most this many bytes of one.
const DEFLATE_RATIO: usize = 1032;

/// How a chunk (strip or tile) is coded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Coding {
    Plain,
    LosslessJpeg,
    /// Deflate; `true` where each sample is stored as its difference from the one to its left.
    Deflate(bool),
}

/// Where and how the samples of a one-plane image are stored.
#[derive(Debug)]
pub(crate) struct Stored<'a> {
    tiff: Tiff<'a>,
    /// Width and height of the stored image, masked border included.
    pub(crate) width: usize,
    pub(crate) height: usize,
    /// Bits that a sample takes in the file.
    pub(crate) bits: u32,
    coding: Coding,
    chunk_width: usize,
    chunk_height: usize,
    offsets: Field<'a>,
    counts: Field<'a>,
}

impl<'a> Stored<'a> {
    /// From the directory of the raw image. What is stored in a way that is not read is [`DngError::Unsupported`],
    /// sizes that contradict each other or the file's length are [`DngError::Damaged`].
    pub(crate) fn new(tiff: Tiff<'a>, raw: &Directory<'a>) -> Result<Stored<'a>, DngError> {
        let missing = |what: &str| DngError::damaged(format!("the raw image has no {what}"));
        let (width, height) = (raw.whole_or(tags::IMAGE_WIDTH, 0)?, raw.whole_or(tags::IMAGE_LENGTH, 0)?);
        let (width, height) = (width as usize, height as usize);
        if width == 0 || height == 0 {
            return Err(missing("width or height"));
        }
        if width.checked_mul(height).is_none_or(|pixels| pixels > MOST_PIXELS) {
            return Err(DngError::unsupported(format!(
                "an image of {width} × {height} pixels (more than 400 million)"
            )));
        }
        plain_order(raw)?;
        let bits = sample_bits(raw)?;
        let tiled = raw.has(tags::TILE_OFFSETS);
        let (chunk_width, chunk_height) = if tiled {
            (raw.whole_or(tags::TILE_WIDTH, 0)? as usize, raw.whole_or(tags::TILE_LENGTH, 0)? as usize)
        } else {
            (width, (raw.whole_or(tags::ROWS_PER_STRIP, u32::MAX)? as usize).min(height))
        };
        if chunk_width == 0 || chunk_height == 0 {
            return Err(missing("tile or strip size"));
        }
        let (place, size) = match tiled {
            true => (tags::TILE_OFFSETS, tags::TILE_BYTE_COUNTS),
            false => (tags::STRIP_OFFSETS, tags::STRIP_BYTE_COUNTS),
        };
        let offsets = raw.needed(place)?.ok_or_else(|| missing("strip or tile offsets"))?;
        let counts = raw.needed(size)?.ok_or_else(|| missing("strip or tile byte counts"))?;
        let coding = coding(raw, bits)?;
        let stored = Stored { tiff, width, height, bits, coding, chunk_width, chunk_height, offsets, counts };
        stored.check_sizes()?;
        Ok(stored)
    }

    /// How many chunks lie side by side and how many rows of them there are.
    fn grid(&self) -> (usize, usize) {
        (self.width.div_ceil(self.chunk_width), self.height.div_ceil(self.chunk_height))
    }

    /// Refuses an image that its chunks cannot hold, before anything is allocated for it.
    fn check_sizes(&self) -> Result<(), DngError> {
        let (across, down) = self.grid();
        let chunks = across * down;
        if self.chunk_width.checked_mul(self.chunk_height).is_none_or(|pixels| pixels > MOST_PIXELS) {
            return Err(DngError::damaged("the tiles are larger than any image that is read"));
        }
        if self.offsets.len() < chunks || self.counts.len() < chunks {
            return Err(DngError::damaged(format!("{chunks} strips or tiles are needed, fewer are listed")));
        }
        let mut total = 0usize;
        for index in 0..chunks {
            total = total.saturating_add(self.chunk(index)?.len());
        }
        let pixels = self.width * self.height;
        let held = match self.coding {
            Coding::Plain => total.saturating_mul(8) / self.bits as usize,
            Coding::LosslessJpeg => total.saturating_mul(8),
            Coding::Deflate(_) => total.saturating_mul(DEFLATE_RATIO).saturating_mul(8) / self.bits as usize,
        };
        if total > self.tiff.bytes.len() || held < pixels {
            return Err(DngError::damaged("the strips or tiles are too short for the image, or overlap"));
        }
        Ok(())
    }

    /// The stored bytes of chunk `index`.
    fn chunk(&self, index: usize) -> Result<&'a [u8], DngError> {
        let range = self.offsets.whole(index).zip(self.counts.whole(index));
        let bytes = range.and_then(|(start, count)| {
            let start = start as usize;
            self.tiff.bytes.get(start..start.checked_add(count as usize)?)
        });
        bytes.ok_or_else(|| DngError::damaged(format!("strip or tile {index} does not lie within the file")))
    }

    /// Decodes the whole stored image, row after row.
    pub(crate) fn decode(&self) -> Result<Vec<u16>, DngError> {
        let mut image = vec![0u16; self.width * self.height];
        let (across, down) = self.grid();
        for index in 0..across * down {
            let (left, top) = (index % across * self.chunk_width, index / across * self.chunk_height);
            let columns = self.chunk_width.min(self.width - left);
            let rows = self.chunk_height.min(self.height - top);
            let samples = self.decode_chunk(self.chunk(index)?, rows)?;
            if samples.len() < (rows - 1) * self.chunk_width + columns {
                return Err(DngError::damaged(format!("strip or tile {index} holds too few samples")));
            }
            for (row, line) in samples.chunks(self.chunk_width).take(rows).enumerate() {
                let start = (top + row) * self.width + left;
                image[start..start + columns].copy_from_slice(&line[..columns]);
            }
        }
        Ok(image)
    }

    /// Decodes the first `rows` rows of a chunk, each `chunk_width` samples long. A lossless JPEG's samples are taken as
    /// one sequence: its lines and components may divide the rows otherwise than the image does.
    fn decode_chunk(&self, data: &[u8], rows: usize) -> Result<Vec<u16>, DngError> {
        let row_bytes = (self.chunk_width * self.bits as usize).div_ceil(8);
        match self.coding {
            Coding::LosslessJpeg => lossless::decode(data, self.chunk_width * self.chunk_height),
            Coding::Plain => {
                if data.len() < rows * row_bytes {
                    return Err(DngError::damaged("an uncompressed strip or tile is too short"));
                }
                Ok(self.unpack(data, rows, row_bytes))
            }
            Coding::Deflate(differences) => {
                let wanted = rows * row_bytes;
                if wanted / DEFLATE_RATIO > data.len() {
                    return Err(DngError::damaged("a deflated strip or tile is too short"));
                }
                let mut bytes = Vec::new();
                let inflated = flate2::read::ZlibDecoder::new(data).take(wanted as u64).read_to_end(&mut bytes);
                if inflated.is_err() || bytes.len() < wanted {
                    return Err(DngError::damaged("a deflated strip or tile cannot be inflated in full"));
                }
                let mut samples = self.unpack(&bytes, rows, row_bytes);
                if differences {
                    samples.chunks_exact_mut(self.chunk_width).for_each(|line| sum_up(line, self.bits));
                }
                Ok(samples)
            }
        }
    }

    /// Unpacks `rows` rows of `row_bytes` bytes: 8- and 16-bit samples as they stand (in the file's byte order), others
    /// from the most significant bit on, whatever the file's byte order, as the DNG specification asks.
    fn unpack(&self, data: &[u8], rows: usize, row_bytes: usize) -> Vec<u16> {
        let order = self.tiff.order;
        let mut samples = Vec::with_capacity(rows * self.chunk_width);
        for line in data.chunks_exact(row_bytes).take(rows) {
            match self.bits {
                8 => samples.extend(line.iter().map(|&byte| u16::from(byte))),
                16 if order == Order::Little => {
                    samples.extend(line.chunks_exact(2).map(|pair| u16::from_le_bytes([pair[0], pair[1]])));
                }
                16 => samples.extend(line.chunks_exact(2).map(|pair| order.u16(pair))),
                bits => samples.extend(unpack_line(line, bits).take(self.chunk_width)),
            }
        }
        samples
    }
}

/// The `bits`-bit numbers (1 to 16 bits) packed in a row's bytes, most significant bit first.
fn unpack_line(line: &[u8], bits: u32) -> impl Iterator<Item = u16> {
    let mut bytes = line.iter();
    let (mut held, mut count) = (0u32, 0u32);
    std::iter::from_fn(move || {
        while count < bits {
            held = held << 8 | u32::from(*bytes.next()?);
            count += 8;
        }
        count -= bits;
        Some((held >> count & ((1 << bits) - 1)) as u16)
    })
}

/// Undoes TIFF predictor 2 on a row: adds to each sample the one before it, in the width of a sample.
fn sum_up(line: &mut [u16], bits: u32) {
    let mask = ((1u32 << bits) - 1) as u16;
    let mut before = 0u16;
    for sample in line {
        before = before.wrapping_add(*sample) & mask;
        *sample = before;
    }
}

/// Refuses samples that are stored in blocks or interleaved fields, as [`DngError::Unsupported`].
fn plain_order(raw: &Directory) -> Result<(), DngError> {
    for tag in [tags::SUB_TILE_BLOCK_SIZE, tags::ROW_INTERLEAVE_FACTOR, tags::COLUMN_INTERLEAVE_FACTOR] {
        if raw.needed(tag)?.is_some_and(|field| field.numbers().any(|factor| factor != 1.0)) {
            return Err(DngError::unsupported("a raw image stored in sub-tiles or interleaved rows or columns"));
        }
    }
    Ok(())
}

/// Bits per sample of the raw image, 2 to 16 unsigned ones of a single plane; all else is [`DngError::Unsupported`].
fn sample_bits(raw: &Directory) -> Result<u32, DngError> {
    let planes = raw.whole_or(tags::SAMPLES_PER_PIXEL, 1)?;
    if planes != 1 {
        return Err(DngError::unsupported(format!(
            "a raw image of {planes} samples a pixel (already interpolated to colours, not the sensor's own codes)"
        )));
    }
    match raw.whole_or(tags::SAMPLE_FORMAT, 1)? {
        1 => {}
        3 => return Err(DngError::unsupported("floating-point samples")),
        other => return Err(DngError::unsupported(format!("sample format {other}"))),
    }
    if raw.whole_or(tags::FILL_ORDER, 1)? != 1 {
        return Err(DngError::unsupported("samples packed from the least significant bit (FillOrder 2)"));
    }
    match raw.whole_or(tags::BITS_PER_SAMPLE, 1)? {
        bits @ 2..=16 => Ok(bits),
        bits => Err(DngError::unsupported(format!("{bits} bits per sample"))),
    }
}

/// How the raw image is coded; compressions that are not read are [`DngError::Unsupported`].
fn coding(raw: &Directory, bits: u32) -> Result<Coding, DngError> {
    let predictor = raw.whole_or(tags::PREDICTOR, 1)?;
    match raw.whole_or(tags::COMPRESSION, 1)? {
        1 => Ok(Coding::Plain),
        7 => Ok(Coding::LosslessJpeg),
        8 | 32946 if predictor == 1 => Ok(Coding::Deflate(false)),
        8 | 32946 if predictor == 2 && matches!(bits, 8 | 16) => Ok(Coding::Deflate(true)),
        8 | 32946 => Err(DngError::unsupported(format!("Deflate with predictor {predictor} of {bits}-bit samples"))),
        34892 => Err(DngError::unsupported("lossy JPEG: the sensor's codes are not kept")),
        52546 => Err(DngError::unsupported("JPEG XL")),
        other => Err(DngError::unsupported(format!("TIFF compression {other}"))),
    }
}
