//! What one plane of pixels, or the difference of two, tells: cells, codes, spread; and how frames are read for it.

pub(crate) mod codes;
pub(crate) mod copies;
pub(crate) mod load;
pub(crate) mod spread;
pub(crate) mod tile_sums;
pub(crate) mod tiles;
pub(crate) mod windowed;
