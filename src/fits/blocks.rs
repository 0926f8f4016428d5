//! The units in which FITS files are written.

/// FITS writes in blocks of this many bytes (standard, section 3.1).
pub(crate) const BLOCK_BYTES: usize = 2880;
/// Bytes of a header card (standard, section 3.3.1).
pub(crate) const CARD_BYTES: usize = 80;
