//! Tile-compressed files, written by CFITSIO.

use std::ffi::{CString, c_int};
use std::path::Path;

use fitsio::sys;
use ndarray::Array2;

// Codes of CFITSIO's user guide, chapters "CFITSIO conventions" and "compressed images".
pub const RICE: c_int = 11;
pub const GZIP: c_int = 21;
const USHORT_IMG: c_int = 20;
const TUSHORT: c_int = 20;
const BYTE_IMG: c_int = 8;

/// Writes a blank primary HDU with the cards `primary`, then the compressed image with the cards `own`.
pub fn write(path: &Path, coding: c_int, image: &Array2<u16>, primary: &[&str], own: &[&str], with_sums: bool) {
    let name = CString::new(path.as_os_str().as_encoded_bytes()).unwrap();
    let (height, width) = image.dim();
    let mut axes = [width as std::os::raw::c_long, height as std::os::raw::c_long];
    let (mut file, mut status) = (std::ptr::null_mut(), 0);
    let card = |file, card: &str, status: &mut c_int| {
        let card = CString::new(card).unwrap();
        // SAFETY: the handle is open; the string is terminated and outlives the call.
        unsafe { sys::ffprec(file, card.as_ptr(), status) };
    };
    // SAFETY: strings are terminated, `axes` has two entries, the pixels are contiguous and as many as the axes say.
    unsafe {
        sys::ffdkinit(&mut file, name.as_ptr(), &mut status);
        sys::ffcrim(file, BYTE_IMG, 0, std::ptr::null_mut(), &mut status);
        primary.iter().for_each(|c| card(file, c, &mut status));
        sys::fits_set_compression_type(file, coding, &mut status);
        sys::ffcrim(file, USHORT_IMG, 2, axes.as_mut_ptr(), &mut status);
        own.iter().for_each(|c| card(file, c, &mut status));
        let pixels = image.as_slice().unwrap().as_ptr().cast_mut().cast();
        sys::ffppr(file, TUSHORT, 1, image.len() as sys::LONGLONG, pixels, &mut status);
        if with_sums {
            sys::ffpcks(file, &mut status);
        }
        sys::ffclos(file, &mut status);
    }
    assert_eq!(status, 0, "writing {}", path.display());
}
