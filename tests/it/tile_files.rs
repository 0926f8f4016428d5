//! Tile-compressed files, written by CFITSIO.

use std::ffi::{CString, c_int};
use std::path::Path;

use fitsio::sys;
use ndarray::Array2;

// Codes of CFITSIO's user guide, chapters "CFITSIO conventions" and "compressed images".
pub const RICE: c_int = 11;
pub const GZIP: c_int = 21;
pub const GZIP_2: c_int = 22;
pub const PLIO: c_int = 31;
pub const HCOMPRESS: c_int = 41;
const FLOAT_IMG: c_int = -32;
const TFLOAT: c_int = 42;
/// CFITSIO's codes for rounding without dither and with the dither of the standard, section 10.2.1.
pub const NO_DITHER: c_int = -1;
pub const SUBTRACTIVE_DITHER: c_int = 1;
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

/// First of the seeds that the convention allows (standard 4.0, section 10.2: ZDITHER0 is 1 to 10000).
const DITHER_SEED: c_int = 1;

/// Writes floating-point pixels rounded to steps of `step`; `None` keeps them as they are.
pub fn write_floats(path: &Path, coding: c_int, image: &Array2<f32>, step: Option<f32>, dither: c_int) {
    let name = CString::new(path.as_os_str().as_encoded_bytes()).unwrap();
    let (height, width) = image.dim();
    let mut axes = [width as std::os::raw::c_long, height as std::os::raw::c_long];
    let (mut file, mut status) = (std::ptr::null_mut(), 0);
    let kind = c"IMAGETYP= 'LIGHT'";
    // NaN equals nothing, so a number stands for it while CFITSIO looks for undefined pixels.
    let mut undefined = -1e30f32;
    let image = image.mapv(|v| if v.is_nan() { undefined } else { v });
    // SAFETY: as above; the null value is a number of the pixels' type that outlives the call.
    unsafe {
        sys::ffdkinit(&mut file, name.as_ptr(), &mut status);
        sys::ffcrim(file, BYTE_IMG, 0, std::ptr::null_mut(), &mut status);
        sys::fits_set_compression_type(file, coding, &mut status);
        // A negative level is a step in the pixels' own unit, 0 no rounding at all.
        sys::fits_set_quantize_level(file, step.map_or(0.0, |s| -s), &mut status);
        sys::fits_set_quantize_dither(file, dither, &mut status);
        // The same numbers in every run; left to itself CFITSIO takes them from the clock.
        sys::fits_set_dither_seed(file, DITHER_SEED, &mut status);
        sys::ffcrim(file, FLOAT_IMG, 2, axes.as_mut_ptr(), &mut status);
        sys::ffprec(file, kind.as_ptr(), &mut status);
        let pixels = image.as_slice().unwrap().as_ptr().cast_mut().cast();
        sys::ffppn(file, TFLOAT, 1, image.len() as sys::LONGLONG, pixels, (&raw mut undefined).cast(), &mut status);
        sys::ffclos(file, &mut status);
    }
    assert_eq!(status, 0, "writing {}", path.display());
}
