//! DNG files (Adobe's Digital Negative, a TIFF): the sensor's own codes of the active area, the levels that turn them into signal, and what
//! the camera noted about the exposure.
//!
//! The codes are given as stored, but for a LinearizationTable: no black level is subtracted, no opcode list, crop or orientation applied.
//! Source: Digital Negative (DNG) Specification 1.7.1.0 (Adobe, September 2023); TIFF 6.0; Exif 2.32.

mod as_fits;
mod directory;
mod error;
mod lossless;
mod meta;
mod pixels;
mod raw;
#[cfg(test)]
mod tests;

pub(crate) use as_fits::as_fits;
pub use directory::looks_like_dng;
pub use error::DngError;
pub use meta::Capture;
pub use raw::{Black, Dng, Masked, Mosaic};

use crate::facts::dng_tags as tags;
use directory::Tiff;

/// The newest version of the specification that the reader is written to.
const NEWEST: (u32, u32) = (1, 7);

/// Reads a DNG file held in memory.
///
/// Of several raw images the largest of full size is read. Images of more than one sample a pixel (LinearRaw in
/// colours), lossy and floating-point ones are refused.
///
/// # Errors
/// [`DngError`] says whether the file is no DNG, has no raw image, stores it in a way that is not read, or is damaged.
pub fn read(bytes: &[u8]) -> Result<Dng, DngError> {
    let tiff = Tiff::new(bytes)?;
    let directories = tiff.directories()?;
    let first = &directories[0];
    if !first.has(tags::DNG_VERSION) {
        return Err(DngError::NotDng);
    }
    let version = |index| first.field(tags::DNG_BACKWARD_VERSION).and_then(|field| field.whole(index)).unwrap_or(0);
    if (version(0), version(1)) > NEWEST {
        return Err(DngError::unsupported(format!("a file for readers of DNG {}.{} on", version(0), version(1))));
    }
    let chosen = raw::choose(&directories)?;
    let exif = first.field(tags::EXIF_IFD).and_then(|field| field.whole(0)).and_then(|at| tiff.directory(at).ok());
    raw::read(tiff, chosen, meta::capture(first, exif.as_ref()))
}
