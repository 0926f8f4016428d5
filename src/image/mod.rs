//! The star image before the pixel as a function: its parts in the frequency domain, and its table over the distance.
#![doc = include_str!("README.md")]

pub(crate) mod elementary;
pub(crate) mod quadrature;
pub(crate) mod radial;
pub mod transfer;
mod whole;

pub use radial::{ImageParts, RadialTable};
pub use transfer::{Aperture, DIFFRACTION_FWHM};
pub use whole::StarImage;
