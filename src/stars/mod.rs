//! Stars of one frame: sky, detection, profile fits, frame values.
//!
//! Positions are in pixels of the file, 0-based, integer at pixel centres.
#![doc = include_str!("README.md")]

mod colour_sites;
pub(crate) mod detection;
pub mod field;
mod measure;
mod options;
pub(crate) mod profile;
pub(crate) mod rejection;
mod search;
mod sky;
mod standing;
mod star;
mod summary;
mod trailed;
mod weighted;

pub use detection::detect::{Peak, detect};
pub use measure::measure;
pub use options::MeasureOptions;
pub use profile::equations::{FitNoise, Profile};
pub use profile::fit::{StarFit, fit_star};
pub use profile::moffat::Shape;
pub use profile::shared::Diffraction;
pub use profile::stamp::Stamp;
pub use search::{SCOUTS, stamp_half_px};
pub use sky::{SkyMap, map_sky};
pub(crate) use standing::{BrightPixel, bright_pixels, standing_pixels};
pub use star::{CommonImage, FrameStars, ImageRing, Star, StarFlag};
pub(crate) use star::{Place, SKY_BLOCKS};
