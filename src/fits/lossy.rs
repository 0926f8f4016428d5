//! Whether the pixels were rounded when they were compressed, and by how much.

use std::ffi::CStr;
use std::os::raw::c_int;

use fitsio::sys;

use super::image::ImageFile;
use crate::stats::median;

/// Column (or card) of the tile-compression convention that holds the step of each tile (standard, section 10.2).
const SCALE_COLUMN: &CStr = c"ZSCALE";
/// CFITSIO's flag for names whose case does not matter.
const ANY_CASE: c_int = 0;

impl ImageFile {
    /// Step to which compression rounded the pixels, ADU: the median over the tiles (standard 4.0, section 10.2).
    ///
    /// `None` where nothing was rounded: whole numbers, and floating-point ones that were packed without a loss. The
    /// rounding adds `step^2/12` to the variance of the pixels.
    pub fn rounded_to_adu(&mut self) -> Option<f64> {
        if !self.geometry.tile_compressed || self.geometry.bitpix >= 0 {
            return None;
        }
        let (mut status, mut column, mut rows) = (0, 0, 0);
        // SAFETY: the handle is open, the name terminated, and the outputs are plain integers.
        unsafe {
            let name = SCALE_COLUMN.as_ptr().cast_mut();
            sys::ffgcno(self.as_raw(), ANY_CASE, name, &mut column, &mut status);
            sys::ffgnrw(self.as_raw(), &mut rows, &mut status);
        }
        if status != 0 {
            let stated = self.cards().ok()?.number("ZSCALE")?;
            return Some(stated).filter(|step| *step > 0.0);
        }
        // A row for each row of the image at most (checked when it was opened): a file may claim anything.
        let rows = usize::try_from(rows).ok()?.min(self.geometry.height * self.geometry.planes);
        let mut steps = vec![0.0f64; rows];
        let mut any_null = 0;
        // SAFETY: `steps` has as many entries as are asked for.
        unsafe {
            sys::ffgcvd(
                self.as_raw(),
                column,
                1,
                1,
                rows as sys::LONGLONG,
                0.0,
                steps.as_mut_ptr(),
                &mut any_null,
                &mut status,
            );
        }
        // A tile that was packed without a loss has no step.
        steps.retain(|step| *step > 0.0 && step.is_finite());
        if status == 0 { median(&steps) } else { None }
    }
}
