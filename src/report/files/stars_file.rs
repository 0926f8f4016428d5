//! `stars.fits`: one binary table of all fitted stars, through CFITSIO.

use std::ffi::{CString, c_char, c_int, c_void};
use std::io::Read as _;
use std::path::{Path, PathBuf};

use fitsio::sys;
use thiserror::Error;

use super::star_rows::StarRow;
use crate::report::model::{FrameRow, FrameStatus, Report};
use crate::whole_file::{remedy, temporary_folder_in};

// CFITSIO's codes (its user guide, chapter "CFITSIO conventions").
const BINARY_TABLE: c_int = 2;
const TSTRING: c_int = 16;
const TINT: c_int = 31;
const TDOUBLE: c_int = 82;

/// A column: name, form, unit, meaning.
type Column = (&'static str, &'static str, &'static str, &'static str);

const CARD: usize = 80;
/// Bytes that hold the primary header and that of the table.
const HEADERS_LOOKED_AT: u64 = 10 * 2880;

const COLUMNS: [Column; 19] = [
    ("FRAME", "1J", "", "row of the frame in frames.csv and report.json, from 0"),
    ("X", "1D", "pix", "column; the first pixel's centre is 1"),
    ("Y", "1D", "pix", "row; the first pixel's centre is 1"),
    ("X_ERR", "1D", "pix", "standard uncertainty"),
    ("Y_ERR", "1D", "pix", "standard uncertainty"),
    ("RA", "1D", "deg", "right ascension; NaN without TAN solution"),
    ("DEC", "1D", "deg", "declination; NaN without TAN solution"),
    ("FWHM", "1D", "pix", "before the pixel, geometric mean of axes"),
    ("FWHM_ERR", "1D", "pix", "from the star's own noise"),
    ("MAJOR", "1D", "pix", "FWHM along the long axis"),
    ("MINOR", "1D", "pix", "FWHM along the short axis"),
    ("ANGLE", "1D", "deg", "of the long axis, from +x towards +y"),
    ("BETA", "1D", "", "exponent of the Moffat profile"),
    ("FLUX", "1D", "adu", "above the background"),
    ("PEAK", "1D", "adu", "of the profile before the pixel"),
    ("SIGNIF", "1D", "", "height over the filtered noise"),
    ("CHI2", "1D", "", "squared residuals per degree of freedom"),
    ("FLAGS", "1J", "", "1 frame left out, 2 frame's beta, 4 CHI2 > 2"),
    // Last, so that the numbers stand together.
    ("PATH", "", "", "the frame's file"),
];
/// Columns of numbers between the frame's row and the flags.
const NUMBERS: usize = COLUMNS.len() - 3;

/// Why no table of stars was written.
#[derive(Debug, Error)]
pub enum StarsFileError {
    /// The operating system refused; an earlier table, if any, is whole.
    #[error("cannot write {}: {source}; an earlier one is as it was{}", path.display(), remedy(source))]
    Io { path: PathBuf, source: std::io::Error },
    /// CFITSIO refused.
    #[error("cannot write {}: CFITSIO status {status} at {what}; an earlier one is as it was", path.display())]
    Fits { path: PathBuf, what: &'static str, status: c_int },
}

/// Whether a file is a table of stars of ours, which may be replaced.
pub fn is_stars_file(path: &Path) -> bool {
    let mut head = Vec::new();
    let read = std::fs::File::open(path).and_then(|f| f.take(HEADERS_LOOKED_AT).read_to_end(&mut head));
    let holds = |start: &[u8]| head.chunks(CARD).any(|card| card.starts_with(start));
    read.is_ok() && head.starts_with(b"SIMPLE  =") && holds(b"EXTNAME = 'STARS ") && holds(b"CREATOR = 'skygrain ")
}

/// Writes all fitted stars, in the order of the frames and of their brightness, into a folder beside `path` and moves
/// the whole file into place. Returns the number of stars.
///
/// # Errors
///
/// The file cannot be written; an earlier one is then whole.
pub fn write_stars(report: &Report, path: &Path) -> Result<usize, StarsFileError> {
    let io = |source| StarsFileError::Io { path: path.to_owned(), source };
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    // An absolute path: CFITSIO takes a leading blank or tilde for more than it is.
    let folder = std::path::absolute(folder).map_err(io)?;
    let within = temporary_folder_in(&folder).map_err(io)?;
    let draft = within.path().join("stars.fits");
    let rows = fill(report, path, &draft)?;
    std::fs::rename(&draft, path).map_err(io)?;
    Ok(rows)
}

/// An open file that is closed whatever happens.
struct Table<'a> {
    handle: *mut sys::fitsfile,
    /// The path that errors name.
    path: &'a Path,
}

impl Table<'_> {
    fn check(&self, status: c_int, what: &'static str) -> Result<(), StarsFileError> {
        if status == 0 { Ok(()) } else { Err(StarsFileError::Fits { path: self.path.to_owned(), what, status }) }
    }

    /// Writes a stretch of a column; `values` point to `count` values of the type that `code` names.
    fn put(
        &self,
        code: c_int,
        column: usize,
        row: usize,
        count: usize,
        values: *mut c_void,
    ) -> Result<(), StarsFileError> {
        let mut status = 0;
        // SAFETY: the handle is open, and the caller's pointer leads to `count` values that live through the call.
        unsafe { sys::ffpcl(self.handle, code, column as c_int, row as i64, 1, count as i64, values, &mut status) };
        self.check(status, "a column")
    }
}

impl Drop for Table<'_> {
    fn drop(&mut self) {
        let mut status = 0;
        if !self.handle.is_null() {
            // SAFETY: the handle was opened by CFITSIO and is closed once.
            unsafe { sys::ffclos(self.handle, &mut status) };
        }
    }
}

fn text(words: &str) -> CString {
    // A table holds printable ASCII (standard, section 7.3.3.1 and 4.2.1).
    let ascii: String = words.chars().map(|c| if matches!(c, ' '..='~') { c } else { '?' }).collect();
    CString::new(ascii).expect("no NUL is printable")
}

fn fill(report: &Report, path: &Path, draft: &Path) -> Result<usize, StarsFileError> {
    let with_stars = || report.frames.iter().enumerate().filter(|(_, f)| !f.stars.is_empty());
    let rows: usize = with_stars().map(|(_, f)| f.stars.len()).sum();
    let longest = with_stars().map(|(_, f)| f.path.chars().count()).max().unwrap_or(1).max(1);
    let name = CString::new(draft.as_os_str().as_encoded_bytes()).expect("a path that was opened has no NUL");
    let mut table = Table { handle: std::ptr::null_mut(), path };
    let mut status = 0;
    // SAFETY: a terminated string that outlives the call; the disk-file call takes the name literally.
    unsafe { sys::ffdkinit(&mut table.handle, name.as_ptr(), &mut status) };
    table.check(status, "the file")?;
    let forms: Vec<String> =
        COLUMNS.iter().map(|c| if c.1.is_empty() { format!("{longest}A") } else { c.1.to_owned() }).collect();
    let texts = |pick: &dyn Fn(usize) -> CString| -> Vec<CString> { (0..COLUMNS.len()).map(pick).collect() };
    let (names, forms, units) =
        (texts(&|i| text(COLUMNS[i].0)), texts(&|i| text(&forms[i])), texts(&|i| text(COLUMNS[i].2)));
    let pointers = |list: &[CString]| -> Vec<*mut c_char> { list.iter().map(|t| t.as_ptr().cast_mut()).collect() };
    let (mut n, mut f, mut u) = (pointers(&names), pointers(&forms), pointers(&units));
    // SAFETY: three arrays of as many terminated strings as there are columns, none of which CFITSIO writes to.
    unsafe {
        sys::ffcrtb(
            table.handle,
            BINARY_TABLE,
            rows as i64,
            COLUMNS.len() as c_int,
            n.as_mut_ptr(),
            f.as_mut_ptr(),
            u.as_mut_ptr(),
            c"STARS".as_ptr(),
            &mut status,
        );
    }
    table.check(status, "the table")?;
    for (i, column) in COLUMNS.iter().enumerate() {
        let (key, words) = (text(&format!("TCOMM{}", i + 1)), text(column.3));
        // SAFETY: terminated strings that outlive the call.
        unsafe { sys::ffpkys(table.handle, key.as_ptr(), words.as_ptr(), c"".as_ptr(), &mut status) };
    }
    let creator = text(&format!("skygrain {}", report.program_version));
    // SAFETY: as above.
    unsafe { sys::ffpkys(table.handle, c"CREATOR".as_ptr(), creator.as_ptr(), c"".as_ptr(), &mut status) };
    table.check(status, "the header")?;
    let mut row = 1;
    for (index, frame) in with_stars() {
        put_frame(&table, index, frame, row)?;
        row += frame.stars.len();
    }
    // Closing writes what CFITSIO still holds, so its failure is a failure of the file.
    let handle = std::mem::replace(&mut table.handle, std::ptr::null_mut());
    // SAFETY: the handle is open and is not used again.
    unsafe { sys::ffclos(handle, &mut status) };
    table.check(status, "closing")?;
    Ok(rows)
}

fn put_frame(table: &Table<'_>, index: usize, frame: &FrameRow, row: usize) -> Result<(), StarsFileError> {
    let count = frame.stars.len();
    let mut indices = vec![index as c_int; count];
    table.put(TINT, 1, row, count, indices.as_mut_ptr().cast())?;
    for i in 0..NUMBERS {
        let mut values: Vec<f64> = frame.stars.iter().map(|s| numbers(s)[i]).collect();
        table.put(TDOUBLE, i + 2, row, count, values.as_mut_ptr().cast())?;
    }
    let left_out = frame.status != FrameStatus::Used;
    let mut flags: Vec<c_int> = frame.stars.iter().map(|s| s.flags(left_out)).collect();
    table.put(TINT, NUMBERS + 2, row, count, flags.as_mut_ptr().cast())?;
    let name = text(&frame.path);
    let mut names = vec![name.as_ptr().cast_mut(); count];
    table.put(TSTRING, NUMBERS + 3, row, count, names.as_mut_ptr().cast())
}

/// The numbers of one row, in the order of the columns.
fn numbers(s: &StarRow) -> [f64; NUMBERS] {
    let [ra, dec] = s.sky_deg.unwrap_or([f64::NAN; 2]);
    [
        s.x_px,
        s.y_px,
        s.sigma_x_px,
        s.sigma_y_px,
        ra,
        dec,
        s.fwhm_px,
        s.sigma_fwhm_px,
        s.major_fwhm_px,
        s.minor_fwhm_px,
        s.angle_deg,
        s.beta,
        s.flux_adu,
        s.peak_adu,
        s.significance,
        s.chi2_per_dof,
    ]
}
