//! Stars of one frame: sky, detection, profile fits, frame values.
//!
//! Positions are in pixels of the file, 0-based, integer at pixel centres.
#![doc = include_str!("README.md")]

pub(crate) mod detection;
pub mod field;
mod measure;
pub(crate) mod profile;
pub(crate) mod rejection;
mod search;
mod sky;
mod summary;
mod trailed;
mod weighted;

pub use detection::detect::{Peak, detect};
pub use measure::{FrameStars, MeasureOptions, Place, Star, StarFlag, measure};
pub use profile::equations::FitNoise;
pub use profile::fit::{Stamp, StarFit, fit_star};
pub use profile::moffat::Shape;
pub use profile::recorded::recorded_fwhm;
pub use search::{SCOUTS, stamp_half_px};
pub use sky::{SkyMap, map_sky};
