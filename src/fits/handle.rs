//! Opening by the literal name, and closing.

use std::ffi::{CString, c_void};
use std::io::{Seek, SeekFrom};
use std::os::raw::{c_char, c_int};
use std::path::Path;

use fitsio::sys;

use super::FitsError;
use super::blocks::BLOCK_BYTES;
use super::dng::{as_fits, read};
use super::mend::mended;
use super::promise::{check_extension, check_plain, end_in, unpack_gzip};

/// Bytes that CFITSIO takes for a file name (FLEN_FILENAME less the terminator).
const LONGEST_PATH: usize = 1024;

/// Largest DNG that is read, bytes: several times the largest frame of any sensor on sale.
const LARGEST_DNG_BYTES: u128 = 1 << 30;

/// A read-only CFITSIO handle, closed when dropped. The `fitsio` wrapper cannot hold one on a path that is not UTF-8.
pub(crate) struct Handle {
    raw: *mut sys::fitsfile,
    unpacked: Option<Box<Unpacked>>,
}

/// An unpacked file, with the address and length that CFITSIO keeps pointers to.
struct Unpacked {
    bytes: Vec<u8>,
    start: *mut c_void,
    size: usize,
}

impl Handle {
    pub(crate) fn as_raw(&mut self) -> *mut sys::fitsfile {
        self.raw
    }

    /// Length of the file, unpacked where it is a gzip stream, bytes.
    pub(crate) fn file_bytes(&self, path: &Path) -> u64 {
        match &self.unpacked {
            Some(unpacked) => unpacked.bytes.len() as u64,
            None => std::fs::metadata(path).map_or(0, |m| m.len()),
        }
    }

    /// Checks the header behind the HDU that the file stands on, before CFITSIO reads it.
    ///
    /// # Errors
    ///
    /// Those of [`check_extension`].
    pub(crate) fn check_next_header(&mut self, path: &Path) -> Result<(), FitsError> {
        let refuse = |e: std::io::Error| FitsError::Open { path: path.to_owned(), reason: e.to_string() };
        let (mut status, mut next) = (0, 0);
        let unwanted = std::ptr::null_mut();
        // SAFETY: the handle is open; unwanted outputs are null.
        unsafe { sys::ffghadll(self.raw, unwanted, unwanted, &mut next, &mut status) };
        let next = next.max(0) as u64;
        match &self.unpacked {
            Some(unpacked) => {
                let start = unpacked.bytes.len().min(next as usize);
                check_extension(&mut &unpacked.bytes[start..], path)
            }
            None => {
                let mut file = std::fs::File::open(path).map_err(refuse)?;
                file.seek(SeekFrom::Start(next)).map_err(refuse)?;
                check_extension(&mut file, path)
            }
        }
    }
}

impl Drop for Handle {
    fn drop(&mut self) {
        let mut status = 0;
        // SAFETY: the handle was opened by CFITSIO and is closed once, here, before the memory it may read goes.
        unsafe { sys::ffclos(self.raw, &mut status) };
    }
}

/// Opens a file after its first header was checked against what it can hold.
///
/// A gzip stream is unpacked here: CFITSIO believes the length that the stream's last four bytes name, which in a
/// truncated copy is anything up to 4 GiB.
pub(crate) fn open_literally(path: &Path) -> Result<Handle, FitsError> {
    let refuse = |reason: String| FitsError::Open { path: path.to_owned(), reason };
    match magic(path).map_err(|e| refuse(e.to_string()))?.as_slice() {
        [0x1f, 0x8b, ..] => return open_in_memory(path, unpack_gzip(path)?),
        [b'I', b'I', 42, 0] | [b'M', b'M', 0, 42] => return open_in_memory(path, dng_as_fits(path)?),
        _ => {}
    }
    check_plain(path)?;
    // A leading blank or tilde would be interpreted; an absolute path has neither.
    let absolute = std::path::absolute(path).map_err(|e| refuse(e.to_string()))?;
    let bytes = absolute.as_os_str().as_encoded_bytes();
    if bytes.len() > LONGEST_PATH {
        return Err(FitsError::PathTooLong { path: path.to_owned(), limit: LONGEST_PATH });
    }
    let name = CString::new(bytes).map_err(|_| refuse("its path holds a NUL".to_owned()))?;
    let (mut raw, mut status) = (std::ptr::null_mut(), 0);
    // SAFETY: `name` is a terminated string that outlives the call; mode 0 is read-only.
    unsafe { sys::ffdkopn(&mut raw, name.as_ptr(), 0, &mut status) };
    let handle = (!raw.is_null()).then_some(Handle { raw, unpacked: None });
    // CFITSIO reads whole blocks, and fails on a last one whose padding was never written.
    let padded = absolute.metadata().is_ok_and(|m| m.len() % BLOCK_BYTES as u64 == 0);
    if let Some(handle) = handle.filter(|_| status == 0 && padded) {
        return Ok(handle);
    }
    // The cards may only stand in an order that CFITSIO does not take; its data are all there, as was checked.
    let mut bytes = std::fs::read(path).map_err(|e| refuse(e.to_string()))?;
    bytes.resize(bytes.len().next_multiple_of(BLOCK_BYTES), 0);
    open_in_memory(path, bytes)
}

/// Opens bytes as they are, else with their mandatory cards mended.
fn open_in_memory(path: &Path, bytes: Vec<u8>) -> Result<Handle, FitsError> {
    open_unpacked(bytes).or_else(|(status, bytes)| {
        let refuse = |status| FitsError::Open { path: path.to_owned(), reason: open_reason(status) };
        let mended = end_in(&bytes).and_then(|end| mended(&bytes, end)).ok_or_else(|| refuse(status))?;
        open_unpacked(mended).map_err(|(status, _)| refuse(status))
    })
}

/// Hands bytes to CFITSIO; gives them back with its status where it refuses them.
fn open_unpacked(mut bytes: Vec<u8>) -> Result<Handle, (c_int, Vec<u8>)> {
    let (start, size) = (bytes.as_mut_ptr().cast(), bytes.len());
    let mut unpacked = Box::new(Unpacked { bytes, start, size });
    let (mut raw, mut status) = (std::ptr::null_mut(), 0);
    // SAFETY: CFITSIO keeps the pointers to `start` and `size`, which live in the box until the handle is closed; in
    // read-only mode (0) it neither writes to the memory nor asks for more, so no function for that is given.
    unsafe {
        sys::ffomem(&mut raw, c"unpacked".as_ptr(), 0, &mut unpacked.start, &mut unpacked.size, 0, None, &mut status);
    }
    if status != 0 || raw.is_null() {
        return Err((status, unpacked.bytes));
    }
    Ok(Handle { raw, unpacked: Some(unpacked) })
}

/// A DNG as the FITS file that its camera would have written.
fn dng_as_fits(path: &Path) -> Result<Vec<u8>, FitsError> {
    let open = |e: std::io::Error| FitsError::Open { path: path.to_owned(), reason: e.to_string() };
    let promised = u128::from(std::fs::metadata(path).map_err(open)?.len());
    if promised > LARGEST_DNG_BYTES {
        return Err(FitsError::TooLarge { path: path.to_owned(), promised, limit: LARGEST_DNG_BYTES });
    }
    let refuse = |reason: String| FitsError::Dng { path: path.to_owned(), reason };
    let dng = read(&std::fs::read(path).map_err(open)?).map_err(|e| refuse(e.to_string()))?;
    as_fits(&dng).ok_or_else(|| {
        refuse("its colour filters are no 2 x 2 cell of red, green and blue: such a mosaic is not measured".to_owned())
    })
}

/// The first four bytes, or as many as there are.
fn magic(path: &Path) -> std::io::Result<Vec<u8>> {
    use std::io::Read;
    let mut magic = Vec::with_capacity(4);
    std::fs::File::open(path)?.take(4).read_to_end(&mut magic)?;
    Ok(magic)
}

fn open_reason(status: c_int) -> String {
    match status {
        // Code from CFITSIO's user guide, appendix "error status codes".
        210 => "its header has no END card; the file is damaged or still being written".to_owned(),
        _ => format!("CFITSIO status {status}: {}", status_text(status)),
    }
}

pub(crate) fn status_text(status: c_int) -> String {
    let mut text = [0 as c_char; 31];
    // SAFETY: CFITSIO writes at most 30 characters and a terminator.
    unsafe { sys::ffgerr(status, text.as_mut_ptr()) };
    text.iter().take_while(|c| **c != 0).map(|c| char::from(*c as u8)).collect()
}
