//! Frames onto disk: FITS through CFITSIO, never over a file that is there.
//!
//! A frame is written inside a temporary folder beside its target and moved into place when whole. The disk-file call
//! of CFITSIO takes every character of a path as it is.

use std::ffi::{CString, c_int, c_void};
use std::path::Path;

use fitsio::sys;
use ndarray::Array2;

use super::SimulateError;

// CFITSIO's type codes (its user guide, chapter "CFITSIO conventions").
const USHORT_IMG: c_int = 20;
const FLOAT_IMG: c_int = -32;
const TUSHORT: c_int = 20;
const TFLOAT: c_int = 42;
/// Most digits after the point of a real value; CFITSIO then drops trailing zeros.
const REAL_DIGITS: c_int = -12;

/// The value of a header card.
#[derive(Debug, Clone, PartialEq)]
pub enum CardValue {
    /// Text; CFITSIO doubles its quotes.
    Text(String),
    /// A whole number.
    Whole(i64),
    /// A real number.
    Real(f64),
}

/// A header card to be written.
#[derive(Debug, Clone, PartialEq)]
pub struct HeaderCard {
    /// Keyword, eight characters at most.
    pub keyword: String,
    /// Value.
    pub value: CardValue,
    /// Text after the slash.
    pub comment: String,
}

impl HeaderCard {
    /// A card with text.
    pub fn text(keyword: &str, value: &str, comment: &str) -> Self {
        Self::new(keyword, CardValue::Text(value.to_owned()), comment)
    }

    /// A card with a whole number.
    pub fn whole(keyword: &str, value: i64, comment: &str) -> Self {
        Self::new(keyword, CardValue::Whole(value), comment)
    }

    /// A card with a real number.
    pub fn real(keyword: &str, value: f64, comment: &str) -> Self {
        Self::new(keyword, CardValue::Real(value), comment)
    }

    fn new(keyword: &str, value: CardValue, comment: &str) -> Self {
        Self { keyword: keyword.to_owned(), value, comment: comment.to_owned() }
    }
}

/// Writes 16-bit numbers as BITPIX 16 with BZERO 32768 (FITS standard 4.0, section 4.4.2.5).
///
/// # Errors
///
/// The file exists, the folder cannot be written, or CFITSIO refuses.
pub fn write_frame(path: &Path, image: &Array2<u16>, cards: &[HeaderCard]) -> Result<(), SimulateError> {
    place(path, |draft| write_image(draft, USHORT_IMG, TUSHORT, image, cards))
}

/// Writes single-precision numbers.
///
/// # Errors
///
/// As [`write_frame`].
pub fn write_frame_f32(path: &Path, image: &Array2<f32>, cards: &[HeaderCard]) -> Result<(), SimulateError> {
    place(path, |draft| write_image(draft, FLOAT_IMG, TFLOAT, image, cards))
}

fn io(path: &Path) -> impl Fn(std::io::Error) -> SimulateError + use<> {
    let path = path.to_owned();
    move |source| SimulateError::Io { path: path.clone(), source }
}

/// Has a file written in a temporary folder beside `path`, then moves it into place unless something is there.
fn place(path: &Path, write: impl FnOnce(&Path) -> Result<(), SimulateError>) -> Result<(), SimulateError> {
    if path.symlink_metadata().is_ok() {
        return Err(SimulateError::Exists { path: path.to_owned() });
    }
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let room = tempfile::Builder::new().prefix(".draft-").tempdir_in(folder).map_err(io(folder))?;
    let draft = room.path().join("frame.fits");
    write(&draft)?;
    let draft = tempfile::TempPath::try_from_path(draft).map_err(io(path))?;
    draft.persist_noclobber(path).map_err(|e| match e.error.kind() {
        std::io::ErrorKind::AlreadyExists => SimulateError::Exists { path: path.to_owned() },
        _ => SimulateError::Io { path: path.to_owned(), source: e.error },
    })
}

/// A CFITSIO handle on a new file.
struct Draft<'a> {
    handle: *mut sys::fitsfile,
    path: &'a Path,
}

fn write_image<T: Clone>(
    path: &Path,
    bitpix: c_int,
    code: c_int,
    image: &Array2<T>,
    cards: &[HeaderCard],
) -> Result<(), SimulateError> {
    let mut draft = Draft::create(path)?;
    let (height, width) = image.dim();
    let mut axes = [width as std::os::raw::c_long, height as std::os::raw::c_long];
    let mut status = 0;
    // SAFETY: the handle is open; `axes` has two entries, as told.
    unsafe { sys::ffcrim(draft.handle, bitpix, 2, axes.as_mut_ptr(), &mut status) };
    draft.check(status, "the axes")?;
    for card in cards {
        draft.put(card)?;
    }
    let pixels = image.as_standard_layout();
    // SAFETY: `pixels` is contiguous with width times height elements of the type that `code` names; CFITSIO reads them.
    unsafe {
        let first = pixels.as_ptr().cast_mut().cast::<c_void>();
        sys::ffppr(draft.handle, code, 1, (width * height) as sys::LONGLONG, first, &mut status);
    }
    draft.check(status, "pixels")?;
    draft.close()
}

impl<'a> Draft<'a> {
    fn create(path: &'a Path) -> Result<Self, SimulateError> {
        let absolute = std::path::absolute(path).map_err(io(path))?;
        let name = c_string(path, "the path", absolute.as_os_str().as_encoded_bytes())?;
        let (mut handle, mut status) = (std::ptr::null_mut(), 0);
        // SAFETY: `name` is a terminated string that outlives the call.
        unsafe { sys::ffdkinit(&mut handle, name.as_ptr(), &mut status) };
        let draft = Self { handle, path };
        draft.check(status, "a new file")?;
        Ok(draft)
    }

    fn put(&mut self, card: &HeaderCard) -> Result<(), SimulateError> {
        let keyword = c_string(self.path, &card.keyword, card.keyword.as_bytes())?;
        let comment = c_string(self.path, &card.keyword, card.comment.as_bytes())?;
        let (key, note, mut status) = (keyword.as_ptr(), comment.as_ptr(), 0);
        // SAFETY: the handle is open and all strings are terminated and outlive the calls.
        unsafe {
            match &card.value {
                CardValue::Text(text) => {
                    let text = c_string(self.path, &card.keyword, text.as_bytes())?;
                    sys::ffpkys(self.handle, key, text.as_ptr(), note, &mut status)
                }
                CardValue::Whole(n) => sys::ffpkyj(self.handle, key, *n as sys::LONGLONG, note, &mut status),
                CardValue::Real(x) => sys::ffpkyd(self.handle, key, *x, REAL_DIGITS, note, &mut status),
            }
        };
        self.check(status, &card.keyword)
    }

    fn close(mut self) -> Result<(), SimulateError> {
        let mut status = 0;
        let handle = std::mem::replace(&mut self.handle, std::ptr::null_mut());
        // SAFETY: the handle is open and is closed once: `drop` finds a null pointer.
        unsafe { sys::ffclos(handle, &mut status) };
        self.check(status, "the end of the file")
    }

    fn check(&self, status: c_int, what: &str) -> Result<(), SimulateError> {
        if status == 0 {
            return Ok(());
        }
        let mut text = [0 as std::os::raw::c_char; 31];
        // SAFETY: CFITSIO writes at most 30 characters and a terminator.
        unsafe { sys::ffgerr(status, text.as_mut_ptr()) };
        let text = text.iter().take_while(|c| **c != 0).map(|c| char::from(*c as u8)).collect();
        Err(SimulateError::Fits { path: self.path.to_owned(), what: what.to_owned(), status, text })
    }
}

impl Drop for Draft<'_> {
    fn drop(&mut self) {
        if !self.handle.is_null() {
            let mut status = 0;
            // SAFETY: the handle was opened by CFITSIO and not closed before.
            unsafe { sys::ffclos(self.handle, &mut status) };
        }
    }
}

fn c_string(path: &Path, what: &str, bytes: &[u8]) -> Result<CString, SimulateError> {
    CString::new(bytes).map_err(|_| SimulateError::Nul { path: path.to_owned(), what: what.to_owned() })
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use flate2::{Compression, GzBuilder};

    use super::*;
    use crate::fits::{ImageFile, Pixels};

    fn image() -> Array2<u16> {
        Array2::from_shape_fn((5, 7), |(y, x)| [0, 1, 32767, 32768, 65535, 500, 4242][x] / (y as u16 + 1))
    }

    fn names(folder: &Path) -> Vec<String> {
        std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect()
    }

    #[test]
    fn numbers_and_cards_survive_the_way_through_a_file() {
        let folder = tempfile::tempdir().unwrap();
        let cards = [
            HeaderCard::text("OBJECT", "Wren's Kettle", "target"),
            HeaderCard::real("CCD-TEMP", 13.4, "degrees"),
            HeaderCard::real("EXPTIME", 60.0, "s"),
            HeaderCard::whole("GAIN", 100, "setting"),
        ];
        // A name that CFITSIO's own grammar would take apart.
        let [plain, packed] = ["a [1:3,2:5](b).fits", "b.fits.gz"].map(|name| folder.path().join(name));
        write_frame(&plain, &image(), &cards).unwrap();
        let mut stream = GzBuilder::new().write(Vec::new(), Compression::fast());
        stream.write_all(&std::fs::read(&plain).unwrap()).unwrap();
        std::fs::write(&packed, stream.finish().unwrap()).unwrap();
        for path in [plain, packed] {
            let mut file = ImageFile::open(&path).unwrap();
            assert!(file.geometry.is_u16 && file.geometry.bitpix == 16);
            assert_eq!(file.pixels().unwrap().planes, [Pixels::U16(image())]);
            let read = file.cards().unwrap();
            assert_eq!(read.text("OBJECT"), Some("Wren's Kettle"));
            assert_eq!((read.number("CCD-TEMP"), read.number("EXPTIME")), (Some(13.4), Some(60.0)));
            assert_eq!(read.number("GAIN"), Some(100.0));
            assert_eq!(read.number("BZERO"), Some(32768.0));
        }
        let real = image().mapv(|p| f32::from(p) - 0.25);
        write_frame_f32(&folder.path().join("c.fits"), &real, &[]).unwrap();
        let mut file = ImageFile::open(&folder.path().join("c.fits")).unwrap();
        assert_eq!(file.pixels().unwrap().planes, [Pixels::F32(real)]);
        assert_eq!(names(folder.path()).len(), 3, "no draft is left behind");
    }

    #[test]
    fn a_file_that_is_there_stays_as_it_is() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.fits");
        std::fs::write(&path, "mine").unwrap();
        let refused = write_frame(&path, &image(), &[]);
        assert!(matches!(refused, Err(SimulateError::Exists { .. })));
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "mine");
        assert_eq!(names(folder.path()), ["a.fits"]);
    }

    #[test]
    fn a_refused_card_leaves_nothing_behind() {
        let folder = tempfile::tempdir().unwrap();
        let refused = write_frame(&folder.path().join("a.fits"), &image(), &[HeaderCard::text("A\0B", "x", "")]);
        assert!(matches!(refused, Err(SimulateError::Nul { .. })));
        assert!(names(folder.path()).is_empty());
    }
}
