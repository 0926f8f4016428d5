//! Which peaks are no stars, and which stars are no measure.

pub(crate) mod clipped;
pub(crate) mod hot_pixels;
pub(crate) mod locus;
pub(crate) mod lone;
pub(crate) mod nebulae;
pub(crate) mod neighbours;
pub(crate) mod ridges;
pub(crate) mod rings;
pub(crate) mod sharp;
pub(crate) mod star_image;
