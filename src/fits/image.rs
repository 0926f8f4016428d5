//! Opening one file and reading its first image with pixels.

use std::os::raw::{c_char, c_int};
use std::path::{Path, PathBuf};

use bytemuck::Pod;
use fitsio::sys;
use ndarray::Array2;
use serde::{Deserialize, Serialize};

use super::apart::Reader;
use super::handle::{Handle, open_literally, status_text};
use super::pixels::{Image, Pixels};
use super::{Cards, FitsError, leading_number};

/// Largest number of axes that an image may have; trailing axes of length 1 are squeezed.
const MOST_AXES: usize = 8;
// CFITSIO's type codes (its user guide, chapter "CFITSIO conventions").
const IMAGE_HDU: c_int = 0;
const USHORT_IMG: c_int = 20;
const BYTE_IMG: c_int = 8;
// Statuses of CFITSIO's user guide, appendix "error status codes".
const END_OF_FILE: c_int = 107;
/// What CFITSIO calls a sum that does not match.
const WRONG_SUM: c_int = -1;
/// BZERO of unsigned 16-bit numbers (standard, section 4.4.2.5).
const UNSIGNED_ZERO: f64 = 32_768.0;
/// Bytes of the largest tile-compressed image that is read, unpacked: its file does not show whether a larger promise
/// can be true. Several times the largest sensor on sale.
const LARGEST_TILED_BYTES: u128 = 2 << 30;
const TUSHORT: c_int = 20;
const TFLOAT: c_int = 42;

/// Shape and coding of an image.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Geometry {
    /// Columns, px.
    pub width: usize,
    /// Rows, px.
    pub height: usize,
    /// 1, or 3 for a cube of colour planes.
    pub planes: usize,
    /// Number of the HDU, 1 for the primary.
    pub hdu: usize,
    /// BITPIX of the pixels once uncompressed.
    pub bitpix: i32,
    /// Whether all pixels fit an unsigned 16-bit number as recorded.
    pub is_u16: bool,
    /// Whether the image is tile-compressed.
    pub tile_compressed: bool,
}

/// An open file that stands on its first image with pixels. Closed when dropped.
pub struct ImageFile {
    file: Handle,
    path: PathBuf,
    /// Shape and coding.
    pub geometry: Geometry,
    has_blank: bool,
    /// BSCALE and BZERO where CFITSIO cannot read the cards that this program can.
    scaling: Option<(f64, f64)>,
    /// Whether the pixels are packed and no sum vouches for them.
    is_unvouched: bool,
    reader: Option<Reader>,
}

/// A number that pixels are read as.
trait Number: Pod {
    /// CFITSIO's type code.
    const CODE: c_int;
}

impl Number for u16 {
    const CODE: c_int = TUSHORT;
}

impl Number for f32 {
    const CODE: c_int = TFLOAT;
}

impl ImageFile {
    /// Opens a file by its literal name and moves to the first image with pixels.
    ///
    /// # Errors
    ///
    /// Not openable, no image, unknown axes, shorter than its headers promise, or pixels without known values.
    pub fn open(path: &Path) -> Result<Self, FitsError> {
        let mut file = open_literally(path)?;
        let (hdu, axes, bitpix) = first_image(&mut file, path)?;
        let (width, height, planes) = shape(path, hdu, &axes)?;
        // SAFETY: the handle is open and owned here; the outputs are plain integers.
        let (equivalent, tile_compressed) = unsafe {
            let (mut status, mut equivalent) = (0, 0);
            sys::ffgiet(file.as_raw(), &mut equivalent, &mut status);
            let mut compressed_status = 0;
            let compressed = sys::fits_is_compressed_image(file.as_raw(), &mut compressed_status) != 0;
            (equivalent, compressed)
        };
        let is_u16 = matches!(equivalent, USHORT_IMG | BYTE_IMG);
        let geometry = Geometry { width, height, planes, hdu, bitpix, is_u16, tile_compressed };
        let mut opened = Self {
            file,
            path: path.to_owned(),
            geometry,
            has_blank: false,
            scaling: None,
            is_unvouched: false,
            reader: None,
        };
        let cards = opened.hdu_cards()?;
        opened.is_unvouched = tile_compressed && cards.get("DATASUM").is_none();
        opened.check_length(&cards)?;
        opened.has_blank = cards.get("BLANK").is_some() || cards.get("ZBLANK").is_some();
        opened.scale_by_the_cards(&cards)?;
        Ok(opened)
    }

    /// Number of images with pixels in the HDUs behind this one. Anything that is no HDU ends the count.
    ///
    /// # Errors
    ///
    /// CFITSIO cannot return to this image.
    pub fn further_images(&mut self) -> Result<usize, FitsError> {
        let mut count = 0;
        for hdu in self.geometry.hdu + 1.. {
            if self.file.check_next_header(&self.path).is_err() {
                break;
            }
            match hdu_at(&mut self.file, hdu) {
                Hdu::Image { .. } => count += 1,
                Hdu::NoImage => {}
                Hdu::End | Hdu::Broken(_) => break,
            }
        }
        self.return_to_the_image()?;
        Ok(count)
    }

    /// All valued cards: those of the image first, then those of the primary HDU.
    ///
    /// # Errors
    ///
    /// CFITSIO cannot read the header.
    pub fn cards(&mut self) -> Result<Cards, FitsError> {
        let mut cards = self.hdu_cards()?;
        if self.geometry.hdu > 1 {
            self.move_to(1)?;
            let primary = self.hdu_cards();
            self.return_to_the_image()?;
            cards.extend_with_fallback(primary?);
        }
        Ok(cards)
    }

    /// Reads every pixel.
    ///
    /// # Errors
    ///
    /// The file ends early, or its compressed stream is damaged.
    pub fn pixels(&mut self) -> Result<Image, FitsError> {
        self.pixels_into(Vec::new())
    }

    /// The same, the whole numbers of the first plane into memory that is no longer needed.
    ///
    /// # Errors
    ///
    /// As [`ImageFile::pixels`].
    pub fn pixels_into(&mut self, mut spare: Vec<u16>) -> Result<Image, FitsError> {
        let (rows, planes) = (self.geometry.height, self.geometry.planes);
        let planes = (0..planes).map(|k| self.rows_into(k, 0, rows, std::mem::take(&mut spare)));
        Ok(Image { planes: planes.collect::<Result<_, _>>()? })
    }

    /// Reads `count` rows of plane `plane` (0-based) from row `first` (0-based) on.
    ///
    /// # Errors
    ///
    /// As [`ImageFile::pixels`].
    pub fn rows(&mut self, plane: usize, first: usize, count: usize) -> Result<Pixels, FitsError> {
        self.rows_into(plane, first, count, Vec::new())
    }

    /// The same, whole numbers into memory that is no longer needed: new memory costs as much as half of the reading.
    ///
    /// # Errors
    ///
    /// As [`ImageFile::rows`].
    pub fn rows_into(
        &mut self,
        plane: usize,
        first: usize,
        count: usize,
        mut spare: Vec<u16>,
    ) -> Result<Pixels, FitsError> {
        let shape = (count, self.geometry.width);
        let len = count * self.geometry.width;
        if self.geometry.is_u16 && !self.has_blank {
            if spare.len() != len {
                spare = vec![0u16; len];
            }
            let mut buffer = spare;
            self.read(plane, first, &mut buffer)?;
            Ok(Pixels::U16(Array2::from_shape_vec(shape, buffer).expect("length is rows times columns")))
        } else {
            let mut buffer = vec![0f32; len];
            self.read(plane, first, &mut buffer)?;
            Ok(Pixels::F32(Array2::from_shape_vec(shape, buffer).expect("length is rows times columns")))
        }
    }

    /// Whether the pixels are packed and no sum vouches for them, so that they are read by a process of its own (see
    /// [`read_apart_with`](super::read_apart_with)).
    pub fn is_unvouched(&self) -> bool {
        self.is_unvouched
    }

    /// Fills `to` with rows of a plane from `first_row` on, here or by a process of its own.
    fn read<T: Number>(&mut self, plane: usize, first_row: usize, to: &mut [T]) -> Result<(), FitsError> {
        if self.is_unvouched && self.reader.is_none() {
            self.reader = Reader::start(&self.path);
        }
        let Some(reader) = &mut self.reader else { return self.read_here(plane, first_row, to) };
        let status = reader.rows(plane, first_row, self.geometry.width, to);
        let (path, hdu) = (&self.path, self.geometry.hdu);
        let status = status.map_err(|_| FitsError::Unpacking { path: path.clone(), hdu })?;
        self.check(status, "pixels")
    }

    fn read_here<T: Number>(&mut self, plane: usize, first_row: usize, to: &mut [T]) -> Result<(), FitsError> {
        let mut status = 0;
        let mut any_null = 0;
        // CFITSIO reads an entry for every axis of the image, squeezed ones included.
        let mut start = [1 as std::os::raw::c_long; MOST_AXES];
        start[1] += first_row as std::os::raw::c_long;
        start[2] += plane as std::os::raw::c_long;
        let mut nan = f32::NAN;
        let null: *mut std::os::raw::c_void =
            if T::CODE == TFLOAT { (&raw mut nan).cast() } else { std::ptr::null_mut() };
        // SAFETY: `to` has the elements of the type that the code names; `start` has an entry for each axis read.
        unsafe {
            sys::ffgpxv(
                self.file.as_raw(),
                T::CODE,
                start.as_mut_ptr(),
                to.len() as sys::LONGLONG,
                null,
                to.as_mut_ptr().cast(),
                &mut any_null,
                &mut status,
            );
        }
        self.check(status, "pixels")
    }

    pub(crate) fn as_raw(&mut self) -> *mut sys::fitsfile {
        self.file.as_raw()
    }

    fn hdu_cards(&mut self) -> Result<Cards, FitsError> {
        let (mut status, mut count, mut more) = (0, 0, 0);
        // SAFETY: the handle is open; the outputs are plain integers.
        unsafe { sys::ffghsp(self.file.as_raw(), &mut count, &mut more, &mut status) };
        self.check(status, "the header")?;
        let mut records = Vec::with_capacity(count as usize);
        for i in 1..=count {
            let mut card = [0 as c_char; 81];
            // SAFETY: CFITSIO writes at most 80 characters and a terminator.
            unsafe { sys::ffgrec(self.file.as_raw(), i, card.as_mut_ptr(), &mut status) };
            self.check(status, "a header card")?;
            // Bytes beyond ASCII stand for themselves (Latin-1), so that columns stay where they are.
            records.push(card.iter().take_while(|c| **c != 0).map(|c| ascii_or_mark(*c as u8)).collect::<String>());
        }
        Ok(Cards::parse(records.iter().map(String::as_str)))
    }

    fn move_to(&mut self, hdu: usize) -> Result<(), FitsError> {
        let mut status = 0;
        // SAFETY: the handle is open; a null pointer means that the type is not wanted.
        unsafe { sys::ffmahd(self.file.as_raw(), hdu as c_int, std::ptr::null_mut(), &mut status) };
        self.check(status, "an HDU")
    }

    /// Goes back to the image and its scaling, which CFITSIO forgets on the way.
    fn return_to_the_image(&mut self) -> Result<(), FitsError> {
        self.move_to(self.geometry.hdu)?;
        let Some((scale, zero)) = self.scaling else { return Ok(()) };
        let mut status = 0;
        // SAFETY: the handle is open and stands on an image.
        unsafe { sys::ffpscl(self.file.as_raw(), scale, zero, &mut status) };
        self.check(status, "the scaling")
    }

    /// CFITSIO takes a scaling card that it cannot read (`1,0`) for absent; such a card is read here or refused.
    fn scale_by_the_cards(&mut self, cards: &Cards) -> Result<(), FitsError> {
        let value = |keyword: &'static str, absent: f64| match cards.get(keyword) {
            None => Ok((absent, true)),
            Some(card) => {
                let plain = !card.quoted && card.value.parse::<f64>().is_ok();
                let usable = leading_number(&card.value).filter(|v| keyword == "BZERO" || *v != 0.0);
                let value = card.value.clone();
                let refuse = FitsError::Scaling { path: self.path.clone(), hdu: self.geometry.hdu, keyword, value };
                usable.map(|v| (v, plain)).ok_or(refuse)
            }
        };
        let ((scale, scale_is_plain), (zero, zero_is_plain)) = (value("BSCALE", 1.0)?, value("BZERO", 0.0)?);
        if scale_is_plain && zero_is_plain {
            return Ok(());
        }
        self.geometry.is_u16 = scale == 1.0 && matches!((self.geometry.bitpix, zero), (16, UNSIGNED_ZERO) | (8, 0.0));
        self.scaling = Some((scale, zero));
        self.return_to_the_image()
    }

    /// The file must hold the bytes that the header of the image promises.
    fn check_length(&mut self, cards: &Cards) -> Result<(), FitsError> {
        let (mut status, mut start) = (0, 0);
        // SAFETY: the handle is open; unwanted outputs are null.
        unsafe {
            sys::ffghadll(self.file.as_raw(), std::ptr::null_mut(), &mut start, std::ptr::null_mut(), &mut status);
        }
        self.check(status, "the data's place")?;
        let g = self.geometry;
        let pixels = [g.width, g.height, g.planes].iter().fold(1u128, |n, axis| n.saturating_mul(*axis as u128));
        let bytes = pixels.saturating_mul(u128::from(g.bitpix.unsigned_abs() / 8));
        let stored = if g.tile_compressed {
            if bytes > LARGEST_TILED_BYTES {
                let path = self.path.clone();
                return Err(FitsError::TooLarge { path, promised: bytes, limit: LARGEST_TILED_BYTES });
            }
            // The table of tiles, then the heap that they point into (standard, section 7.3.2).
            let whole = |keyword| cards.number(keyword).unwrap_or(0.0).max(0.0) as u128;
            whole("NAXIS1").saturating_mul(whole("NAXIS2")).saturating_add(whole("PCOUNT"))
        } else {
            bytes
        };
        let promised = (start.max(0) as u128).saturating_add(stored);
        let have = self.file.file_bytes(&self.path);
        if u128::from(have) < promised {
            return Err(FitsError::Incomplete { path: self.path.clone(), have, promised });
        }
        if g.tile_compressed && !self.is_unvouched { self.check_sum() } else { Ok(()) }
    }

    /// A flipped bit in a compressed tile may spoil its pixels without an error; the sum that packers write shows it.
    fn check_sum(&mut self) -> Result<(), FitsError> {
        let (mut status, mut data, mut hdu) = (0, 0, 0);
        // SAFETY: the handle is open; the outputs are plain integers.
        unsafe { sys::ffvcks(self.file.as_raw(), &mut data, &mut hdu, &mut status) };
        self.check(status, "the data for their sum")?;
        if data == WRONG_SUM {
            return Err(FitsError::DataSum { path: self.path.clone(), hdu: self.geometry.hdu });
        }
        Ok(())
    }

    fn check(&self, status: c_int, what: &'static str) -> Result<(), FitsError> {
        if status == 0 {
            return Ok(());
        }
        let (path, hdu) = (self.path.clone(), self.geometry.hdu);
        Err(FitsError::Read { path, hdu, what, status, text: status_text(status) })
    }
}

/// Blanks stand for control bytes, and a replacement mark for bytes outside ASCII.
fn ascii_or_mark(byte: u8) -> char {
    match byte {
        0x20..=0x7e => char::from(byte),
        0x80..=0xff => '?',
        _ => ' ',
    }
}

/// What stands at a place in a file.
enum Hdu {
    /// An image with at least two axes of pixels.
    Image { axes: Vec<i64>, bitpix: i32 },
    /// Anything else.
    NoImage,
    /// The end of the file.
    End,
    /// Something that CFITSIO cannot read, with its status.
    Broken(c_int),
}

/// Number, axes and BITPIX of the first HDU that is an image with pixels; the file stands on it.
fn first_image(file: &mut Handle, path: &Path) -> Result<(usize, Vec<i64>, i32), FitsError> {
    let mut hdu = 1;
    loop {
        match hdu_at(file, hdu) {
            Hdu::Image { axes, bitpix } => return Ok((hdu, axes, bitpix)),
            Hdu::NoImage => {
                file.check_next_header(path)?;
                hdu += 1;
            }
            Hdu::End => return Err(FitsError::NoImage { path: path.to_owned(), hdus: hdu - 1 }),
            Hdu::Broken(status) => {
                let (path, text) = (path.to_owned(), status_text(status));
                return Err(FitsError::Read { path, hdu, what: "its header", status, text });
            }
        }
    }
}

/// Moves to an HDU and tells what it is.
fn hdu_at(file: &mut Handle, hdu: usize) -> Hdu {
    let (mut status, mut kind, mut bitpix, mut naxis) = (0, 0, 0, 0);
    let mut axes = [0 as std::os::raw::c_long; MOST_AXES];
    // SAFETY: the handle is open; `axes` has as many entries as CFITSIO is told.
    unsafe {
        sys::ffmahd(file.as_raw(), hdu as c_int, &mut kind, &mut status);
        if status == 0 && kind == IMAGE_HDU {
            sys::ffgipr(file.as_raw(), MOST_AXES as c_int, &mut bitpix, &mut naxis, axes.as_mut_ptr(), &mut status);
        }
    }
    match status {
        0 => {}
        END_OF_FILE => return Hdu::End,
        _ => return Hdu::Broken(status),
    }
    let used = &axes[..(naxis.max(0) as usize).min(MOST_AXES)];
    let holds_pixels =
        kind == IMAGE_HDU && used.len() >= 2 && naxis as usize <= MOST_AXES && used.iter().all(|n| *n > 0);
    if holds_pixels { Hdu::Image { axes: used.to_vec(), bitpix } } else { Hdu::NoImage }
}

/// (width, height, planes) with trailing axes of length 1 squeezed.
fn shape(path: &Path, hdu: usize, axes: &[i64]) -> Result<(usize, usize, usize), FitsError> {
    let refuse = || FitsError::Axes { path: path.to_owned(), hdu, axes: axes.to_vec() };
    let trailing = axes.iter().rposition(|n| *n != 1).map_or(2, |i| (i + 1).max(2));
    match axes[..trailing] {
        [w, h] if w >= 3 && h >= 1 => Ok((w as usize, h as usize, 1)),
        [w, h, 3] if w > 3 && h >= 1 => Ok((w as usize, h as usize, 3)),
        _ => Err(refuse()),
    }
}
