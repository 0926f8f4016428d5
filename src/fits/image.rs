//! Opening one file and reading its first image with pixels.

use std::ffi::CString;
use std::os::raw::{c_char, c_int};
use std::path::{Path, PathBuf};

use fitsio::sys;
use ndarray::Array2;

use super::{Cards, FitsError};

/// Bytes that CFITSIO takes for a file name (FLEN_FILENAME less the terminator).
const LONGEST_PATH: usize = 1024;
/// Largest number of axes looked at; trailing axes of length 1 are squeezed.
const MOST_AXES: usize = 8;
/// FITS writes in blocks of this many bytes (standard, section 3.1).
const BLOCK_BYTES: u64 = 2880;
// CFITSIO's type codes (its user guide, chapter "CFITSIO conventions").
const IMAGE_HDU: c_int = 0;
const USHORT_IMG: c_int = 20;
const BYTE_IMG: c_int = 8;
const TUSHORT: c_int = 20;
const TFLOAT: c_int = 42;

/// Shape and coding of an image.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
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

/// One plane of pixels, physical values (BSCALE and BZERO applied). Row 0 is the first row of the file.
#[derive(Debug, Clone, PartialEq)]
pub enum Pixels {
    /// Unsigned 16-bit numbers as recorded.
    U16(Array2<u16>),
    /// Everything else; undefined pixels are NaN.
    F32(Array2<f32>),
}

impl Pixels {
    /// (rows, columns).
    pub fn dim(&self) -> (usize, usize) {
        match self {
            Self::U16(a) => a.dim(),
            Self::F32(a) => a.dim(),
        }
    }

    /// Value at column `x`, row `y`, ADU.
    pub fn at(&self, x: usize, y: usize) -> f64 {
        match self {
            Self::U16(a) => f64::from(a[[y, x]]),
            Self::F32(a) => f64::from(a[[y, x]]),
        }
    }

    /// Copies one row into `into`, ADU.
    pub fn copy_row(&self, y: usize, into: &mut [f32]) {
        match self {
            Self::U16(a) => {
                for (to, from) in into.iter_mut().zip(a.row(y)) {
                    *to = f32::from(*from);
                }
            }
            Self::F32(a) => {
                for (to, from) in into.iter_mut().zip(a.row(y)) {
                    *to = *from;
                }
            }
        }
    }
}

/// All planes of an image.
#[derive(Debug, Clone, PartialEq)]
pub struct Image {
    /// One plane, or three.
    pub planes: Vec<Pixels>,
}

/// A read-only CFITSIO handle, closed when dropped. The `fitsio` wrapper cannot hold one on a path that is not UTF-8.
struct Handle(*mut sys::fitsfile);

impl Handle {
    fn as_raw(&mut self) -> *mut sys::fitsfile {
        self.0
    }
}

impl Drop for Handle {
    fn drop(&mut self) {
        let mut status = 0;
        // SAFETY: the handle was opened by CFITSIO and is closed once, here.
        unsafe { sys::ffclos(self.0, &mut status) };
    }
}

/// An open file that stands on its first image with pixels. Closed when dropped.
pub struct ImageFile {
    file: Handle,
    path: PathBuf,
    /// Shape and coding.
    pub geometry: Geometry,
    has_blank: bool,
}

impl ImageFile {
    /// Opens a file by its literal name and moves to the first image with pixels.
    ///
    /// # Errors
    ///
    /// Not openable, no image, unknown axes, or shorter than its header promises.
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
        let mut opened = Self { file, path: path.to_owned(), geometry, has_blank: false };
        opened.check_length()?;
        let cards = opened.hdu_cards()?;
        opened.has_blank = cards.get("BLANK").is_some() || cards.get("ZBLANK").is_some();
        Ok(opened)
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
            self.move_to(self.geometry.hdu)?;
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
        let (rows, plane) = (self.geometry.height, self.geometry.planes);
        let planes = (0..plane).map(|k| self.rows(k, 0, rows)).collect::<Result<_, _>>()?;
        Ok(Image { planes })
    }

    /// Reads `count` rows of plane `plane` (0-based) from row `first` (0-based) on.
    ///
    /// # Errors
    ///
    /// As [`ImageFile::pixels`].
    pub fn rows(&mut self, plane: usize, first: usize, count: usize) -> Result<Pixels, FitsError> {
        let shape = (count, self.geometry.width);
        let len = count * self.geometry.width;
        if self.geometry.is_u16 && !self.has_blank {
            let mut buffer = vec![0u16; len];
            self.read(TUSHORT, plane, first, buffer.as_mut_ptr().cast(), len)?;
            Ok(Pixels::U16(Array2::from_shape_vec(shape, buffer).expect("length is rows times columns")))
        } else {
            let mut buffer = vec![0f32; len];
            self.read(TFLOAT, plane, first, buffer.as_mut_ptr().cast(), len)?;
            Ok(Pixels::F32(Array2::from_shape_vec(shape, buffer).expect("length is rows times columns")))
        }
    }

    fn read(
        &mut self,
        code: c_int,
        plane: usize,
        first_row: usize,
        to: *mut std::os::raw::c_void,
        len: usize,
    ) -> Result<(), FitsError> {
        let mut status = 0;
        let mut any_null = 0;
        let mut start = [1, first_row as std::os::raw::c_long + 1, plane as std::os::raw::c_long + 1];
        let mut nan = f32::NAN;
        let null: *mut std::os::raw::c_void = if code == TFLOAT { (&raw mut nan).cast() } else { std::ptr::null_mut() };
        // SAFETY: `to` points to `len` elements of the type that `code` names; `start` has an entry for each axis read.
        unsafe {
            sys::ffgpxv(
                self.file.as_raw(),
                code,
                start.as_mut_ptr(),
                len as sys::LONGLONG,
                null,
                to,
                &mut any_null,
                &mut status,
            );
        }
        self.check(status, "pixels")
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

    /// A plain file must hold the bytes that its header promises; compressed ones show it when they are read.
    fn check_length(&mut self) -> Result<(), FitsError> {
        if self.geometry.tile_compressed || is_gzip(&self.path) {
            return Ok(());
        }
        let (mut status, mut start, mut end) = (0, 0, 0);
        // SAFETY: the handle is open; unwanted outputs are null.
        unsafe {
            sys::ffghadll(self.file.as_raw(), std::ptr::null_mut(), &mut start, &mut end, &mut status);
        }
        self.check(status, "the data's place")?;
        let g = self.geometry;
        let bytes = (g.width * g.height * g.planes) as u64 * u64::from(g.bitpix.unsigned_abs() / 8);
        let promised = start as u64 + bytes;
        let have = std::fs::metadata(&self.path).map_or(0, |m| m.len());
        debug_assert!(end as u64 >= start as u64 && BLOCK_BYTES > 0);
        if have < promised {
            return Err(FitsError::Incomplete { path: self.path.clone(), have, promised });
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

fn is_gzip(path: &Path) -> bool {
    use std::io::Read;
    let mut magic = [0u8; 2];
    std::fs::File::open(path).and_then(|mut f| f.read_exact(&mut magic)).is_ok() && magic == [0x1f, 0x8b]
}

fn open_literally(path: &Path) -> Result<Handle, FitsError> {
    // A leading blank or tilde would be interpreted; an absolute path has neither.
    let absolute =
        std::path::absolute(path).map_err(|e| FitsError::Open { path: path.to_owned(), reason: e.to_string() })?;
    let bytes = absolute.as_os_str().as_encoded_bytes();
    if bytes.len() > LONGEST_PATH {
        return Err(FitsError::PathTooLong { path: path.to_owned(), limit: LONGEST_PATH });
    }
    std::fs::File::open(&absolute).map_err(|e| FitsError::Open { path: path.to_owned(), reason: e.to_string() })?;
    let name = CString::new(bytes)
        .map_err(|_| FitsError::Open { path: path.to_owned(), reason: "its path holds a NUL".to_owned() })?;
    let (mut handle, mut status) = (std::ptr::null_mut(), 0);
    // SAFETY: `name` is a terminated string that outlives the call; mode 0 is read-only.
    unsafe { sys::ffdkopn(&mut handle, name.as_ptr(), 0, &mut status) };
    if status != 0 || handle.is_null() {
        return Err(FitsError::Open { path: path.to_owned(), reason: open_reason(status) });
    }
    Ok(Handle(handle))
}

fn open_reason(status: c_int) -> String {
    match status {
        // Codes from CFITSIO's user guide, appendix "error status codes".
        210 => "its header has no END card; the file is damaged or still being written".to_owned(),
        413 | 414 => "its gzip stream is damaged or incomplete; copy it again".to_owned(),
        _ => format!("CFITSIO status {status}: {}", status_text(status)),
    }
}

fn status_text(status: c_int) -> String {
    let mut text = [0 as c_char; 31];
    // SAFETY: CFITSIO writes at most 30 characters and a terminator.
    unsafe { sys::ffgerr(status, text.as_mut_ptr()) };
    text.iter().take_while(|c| **c != 0).map(|c| char::from(*c as u8)).collect()
}

/// Moves to the first HDU that is an image with at least two axes of pixels.
fn first_image(file: &mut Handle, path: &Path) -> Result<(usize, Vec<i64>, i32), FitsError> {
    let mut hdu = 1;
    loop {
        let (mut status, mut kind, mut bitpix, mut naxis) = (0, 0, 0, 0);
        let mut axes = [0 as std::os::raw::c_long; MOST_AXES];
        // SAFETY: the handle is open; `axes` has as many entries as CFITSIO is told.
        unsafe {
            sys::ffmahd(file.as_raw(), hdu as c_int, &mut kind, &mut status);
            if status == 0 && kind == IMAGE_HDU {
                sys::ffgipr(file.as_raw(), MOST_AXES as c_int, &mut bitpix, &mut naxis, axes.as_mut_ptr(), &mut status);
            }
        }
        if status != 0 {
            return Err(FitsError::NoImage { path: path.to_owned(), hdus: hdu - 1 });
        }
        let used = &axes[..(naxis.max(0) as usize).min(MOST_AXES)];
        if kind == IMAGE_HDU && used.len() >= 2 && used.iter().all(|n| *n > 0) {
            return Ok((hdu, used.to_vec(), bitpix));
        }
        hdu += 1;
    }
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
