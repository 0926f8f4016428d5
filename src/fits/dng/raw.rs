//! Chooses a DNG's raw image and reads it with the levels and the colour pattern that belong to it.

use super::directory::{Directory, Tiff};
use super::error::DngError;
use super::meta::Capture;
use super::pixels::Stored;
use crate::facts::dng_tags as tags;

/// PhotometricInterpretation of a colour filter array.
const CFA: u32 = 32803;
/// PhotometricInterpretation of LinearRaw: one plane where the sensor has no colour filters.
const LINEAR_RAW: u32 = 34892;
/// The largest repeat cell of black levels or colours, along either side.
const LARGEST_CELL: usize = 64;
/// Masked areas that are read.
const MOST_MASKED_AREAS: usize = 16;

/// A DNG's raw frame.
#[derive(Debug, Clone, PartialEq)]
pub struct Dng {
    /// Columns of the active area.
    pub width: usize,
    /// Rows of the active area.
    pub height: usize,
    /// The codes of the active area, row after row, after the linearisation table where there is one.
    pub pixels: Vec<u16>,
    /// Whether a linearisation table was applied: then the codes are not the converter's own steps.
    pub linearised: bool,
    /// Which colours the pixels see.
    pub mosaic: Mosaic,
    /// Bits that a sample takes in the file, which may be more than the converter has.
    pub bits_per_sample: u32,
    /// The black level; none where the file does not give it (the specification's default is 0).
    pub black: Option<Black>,
    /// The code at which a pixel is full; none where the file does not give it (the specification's default is
    /// 2^`bits_per_sample` − 1).
    pub white_level: Option<f64>,
    /// The masked pixels outside the active area, where the file names such areas.
    pub masked: Option<Masked>,
    /// The camera and the exposure.
    pub capture: Capture,
}

/// Which colours the pixels see.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Mosaic {
    /// A repeating 2 × 2 cell of 'R', 'G' and 'B', row after row from the active area's first pixel.
    Bayer([u8; 4]),
    /// Another repeating cell: its rows, its columns, and a letter for each of its pixels, row after row from the active
    /// area's first pixel: R, G, B, C(yan), M(agenta), Y(ellow), W(hite), or '?'.
    Other {
        /// Rows of the cell.
        rows: usize,
        /// Columns of the cell.
        columns: usize,
        /// Its letters.
        letters: Vec<u8>,
    },
    /// No colour filters.
    Monochrome,
}

impl Mosaic {
    /// The letters of a 2 × 2 cell of 'R', 'G' and 'B' at the active area's first pixel; none for other sensors.
    pub fn cfa(&self) -> Option<[u8; 4]> {
        match self {
            Mosaic::Bayer(cell) => Some(*cell),
            _ => None,
        }
    }
}

/// The black level that the file declares, in codes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Black {
    /// Mean over the repeat cell and the offsets by row and column.
    pub mean: f64,
    /// The same for the four sites of a 2 × 2 cell, row after row from the active area's first pixel.
    pub sites: [f64; 4],
    /// Whether the file also gives offsets by row or column (BlackLevelDeltaV, BlackLevelDeltaH): only their mean is in
    /// the levels above.
    pub varies: bool,
}

/// The masked (optically black) pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Masked {
    /// Their mean code.
    pub mean: f64,
    /// How many there are.
    pub pixels: usize,
}

/// A rectangle of the stored image: rows `top` to below `bottom`, columns `left` to below `right`.
#[derive(Debug, Clone, Copy)]
struct Area {
    top: usize,
    left: usize,
    bottom: usize,
    right: usize,
}

impl Area {
    /// Rectangle `index` of a field that lists top, left, bottom and right; none where it is empty or leaves the image.
    fn new(field: &super::directory::Field, index: usize, stored: &Stored) -> Option<Area> {
        let side = |side| field.whole(index * 4 + side).map(|value| value as usize);
        let area = Area { top: side(0)?, left: side(1)?, bottom: side(2)?, right: side(3)? };
        let within = area.bottom <= stored.height && area.right <= stored.width;
        (within && area.top < area.bottom && area.left < area.right).then_some(area)
    }

    /// The area's rows in an image of the given width.
    fn rows(self, image: &[u16], width: usize) -> impl Iterator<Item = &[u16]> {
        image.chunks_exact(width).take(self.bottom).skip(self.top).map(move |row| &row[self.left..self.right])
    }
}

/// The directory of the raw image: the largest of those that are not reduced, masks or previews. None is
/// [`DngError::NoRawImage`].
pub(crate) fn choose<'d, 'a>(directories: &'d [Directory<'a>]) -> Result<&'d Directory<'a>, DngError> {
    let number = |directory: &Directory, tag, default| {
        directory.field(tag).map_or(Some(default), |field| field.whole(0)).unwrap_or(u32::MAX)
    };
    let raw = directories.iter().filter(|directory| {
        number(directory, tags::NEW_SUBFILE_TYPE, 0) == 0
            && matches!(number(directory, tags::PHOTOMETRIC, 0), CFA | LINEAR_RAW)
    });
    let size = |directory: &&Directory| {
        u64::from(number(directory, tags::IMAGE_WIDTH, 0)) * u64::from(number(directory, tags::IMAGE_LENGTH, 0))
    };
    // The first of the largest: max_by_key would give the last.
    raw.rev().max_by_key(size).ok_or(DngError::NoRawImage)
}

/// Reads the raw image of a directory.
pub(crate) fn read(tiff: Tiff, raw: &Directory, capture: Capture) -> Result<Dng, DngError> {
    let mosaic = mosaic(raw)?;
    let stored = Stored::new(tiff, raw)?;
    let active = match raw.needed(tags::ACTIVE_AREA)? {
        Some(field) => Area::new(&field, 0, &stored)
            .ok_or_else(|| DngError::damaged("the active area is empty or larger than the image"))?,
        None => Area { top: 0, left: 0, bottom: stored.height, right: stored.width },
    };
    let (width, height) = (active.right - active.left, active.bottom - active.top);
    let black = black(raw, width, height)?;
    let white_level = raw.field(tags::WHITE_LEVEL).and_then(|field| field.number(0)).filter(|&level| level > 0.0);
    let mut image = stored.decode()?;
    let linearised = linearise(raw, &mut image)?;
    let masked = masked(raw, &stored, &image);
    let pixels = if image.len() == width * height {
        image
    } else {
        let mut pixels = Vec::with_capacity(width * height);
        active.rows(&image, stored.width).for_each(|row| pixels.extend_from_slice(row));
        pixels
    };
    let bits_per_sample = stored.bits;
    Ok(Dng { width, height, pixels, linearised, mosaic, bits_per_sample, black, white_level, masked, capture })
}

/// Applies the linearisation table to the image; codes past its end take its last value. Tells whether there is one.
fn linearise(raw: &Directory, image: &mut [u16]) -> Result<bool, DngError> {
    let Some(field) = raw.needed(tags::LINEARIZATION_TABLE)? else { return Ok(false) };
    let whole = |index| field.whole(index).and_then(|value| u16::try_from(value).ok());
    let table: Option<Vec<u16>> = (0..field.len().min(1 << 16)).map(whole).collect();
    let table = table.filter(|table| !table.is_empty());
    let table = table.ok_or_else(|| DngError::damaged("the linearisation table is empty or not of 16-bit numbers"))?;
    let last = table.len() - 1;
    image.iter_mut().for_each(|code| *code = table[usize::from(*code).min(last)]);
    Ok(true)
}

/// The mean of the masked areas that lie within the image; none without such.
fn masked(raw: &Directory, stored: &Stored, image: &[u16]) -> Option<Masked> {
    let field = raw.field(tags::MASKED_AREAS)?;
    let (mut sum, mut pixels) = (0u64, 0usize);
    for area in (0..(field.len() / 4).min(MOST_MASKED_AREAS)).filter_map(|index| Area::new(&field, index, stored)) {
        for row in area.rows(image, stored.width) {
            sum += row.iter().map(|&code| u64::from(code)).sum::<u64>();
            pixels += row.len();
        }
    }
    (pixels > 0).then(|| Masked { mean: sum as f64 / pixels as f64, pixels })
}

/// The two sides of a repeat cell, rows first; `default` where the tag is missing.
fn cell(raw: &Directory, tag: u16, default: usize) -> Result<(usize, usize), DngError> {
    let Some(field) = raw.needed(tag)? else { return Ok((default, default)) };
    match (field.whole(0), field.whole(1)) {
        (Some(rows), Some(columns)) => Some((rows as usize, columns as usize)),
        _ => None,
    }
    .filter(|&(rows, columns)| (1..=LARGEST_CELL).contains(&rows) && (1..=LARGEST_CELL).contains(&columns))
    .ok_or_else(|| DngError::damaged(format!("tag {tag} gives no usable cell size")))
}

/// The colour pattern. A staggered one is [`DngError::Unsupported`], one without its letters [`DngError::Damaged`].
fn mosaic(raw: &Directory) -> Result<Mosaic, DngError> {
    if raw.whole_or(tags::PHOTOMETRIC, 0)? != CFA {
        return Ok(Mosaic::Monochrome);
    }
    if raw.whole_or(tags::CFA_LAYOUT, 1)? != 1 {
        return Err(DngError::unsupported("a colour filter array that is not rectangular (staggered rows or columns)"));
    }
    let (rows, columns) = cell(raw, tags::CFA_REPEAT_PATTERN_DIM, 2)?;
    let field = raw.needed(tags::CFA_PATTERN)?.filter(|field| field.len() == rows * columns);
    let field = field.ok_or_else(|| DngError::damaged("the colour pattern is missing or of the wrong length"))?;
    let letter = |code: f64| b"RGBCMYW".get(code as usize).copied().unwrap_or(b'?');
    let letters: Vec<u8> = field.numbers().map(letter).collect();
    match <[u8; 4]>::try_from(letters.as_slice()) {
        Ok(four) if (rows, columns) == (2, 2) && four.iter().all(|letter| b"RGB".contains(letter)) => {
            Ok(Mosaic::Bayer(four))
        }
        _ => Ok(Mosaic::Other { rows, columns, letters }),
    }
}

/// The declared black level of an active area of the given size; none without the tag.
fn black(raw: &Directory, width: usize, height: usize) -> Result<Option<Black>, DngError> {
    let Some(levels) = raw.needed(tags::BLACK_LEVEL)? else { return Ok(None) };
    let (rows, columns) = cell(raw, tags::BLACK_LEVEL_REPEAT_DIM, 1)?;
    let levels: Vec<f64> = levels.numbers().take(rows * columns).collect();
    if levels.len() < rows * columns {
        return Err(DngError::damaged("the black levels are fewer than their cell has pixels"));
    }
    let (mut mean, mut varies) = (0.0, false);
    for (tag, length) in [(tags::BLACK_LEVEL_DELTA_H, width), (tags::BLACK_LEVEL_DELTA_V, height)] {
        if let Some(deltas) = raw.field(tag).filter(|field| field.len() == length) {
            mean += deltas.numbers().sum::<f64>() / length as f64;
            varies |= deltas.numbers().any(|delta| delta != 0.0);
        }
    }
    let mut sites = [mean; 4];
    // Twice the cell along either side holds each of its levels at every site that it falls on.
    for (row, column) in (0..2 * rows).flat_map(|row| (0..2 * columns).map(move |column| (row, column))) {
        let level = levels[row % rows * columns + column % columns];
        sites[row % 2 * 2 + column % 2] += level / (rows * columns) as f64;
    }
    let mean = sites.iter().sum::<f64>() / 4.0;
    Ok(Some(Black { mean, sites, varies }))
}
