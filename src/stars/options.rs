//! What a measurement of stars is told beforehand.

use super::profile::shared::Diffraction;
use crate::frame::Lattice;

/// What is known of the camera before its stars are measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeasureOptions {
    /// Which pixels count.
    pub lattice: Lattice,
    /// Conversion gain, e-/ADU; without it all pixels of a star weigh alike.
    pub e_per_adu: Option<f64>,
    /// Level at which pixels saturate, ADU.
    pub saturation_adu: Option<f64>,
    /// Diffraction of the telescope, where its aperture and the image scale are known.
    pub diffraction: Option<Diffraction>,
}
