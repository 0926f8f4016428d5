//! Stars of one frame: sky, detection, profile fits, frame values.
//!
//! Positions are in pixels of the file, 0-based, integer at pixel centres.

mod beta;
mod clipped;
mod detect;
mod elementary;
mod equations;
pub mod field;
mod fit;
mod hot_pixels;
mod kernel;
mod limits;
mod lone;
mod measure;
mod moffat;
mod neighbours;
mod recorded;
mod ridges;
mod ring;
mod rings;
mod search;
mod sharp;
mod sky;
mod summary;
mod trailed;
mod view;
mod weighted;

pub use detect::{Peak, detect};
pub use equations::FitNoise;
pub use fit::{Stamp, StarFit, fit_star};
pub use measure::{FrameStars, MeasureOptions, Place, Star, StarFlag, measure};
pub use moffat::Shape;
pub use recorded::recorded_fwhm;
pub use search::{SCOUTS, stamp_half_px};
pub use sky::{SkyMap, map_sky};
