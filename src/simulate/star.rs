//! A star as it falls on the detector, and the kinds of images that the frames are drawn with.

use serde::Serialize;

use super::transfer::{Turbulence, finite_or_null};

/// What a star image looks like, whatever its width and elongation.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum StarImage {
    /// Moffat's profile; `beta` above 1, infinity for a Gaussian.
    Moffat {
        #[serde(serialize_with = "finite_or_null")]
        beta: f64,
    },
    /// A long exposure through air and aperture, blurred. The star's widths stretch the whole of it.
    Turbulence(Turbulence),
}

/// A star as it falls on the detector. Pixel centres lie at whole numbers, the first at 0.
///
/// The widths are those of the contour at half of the maximum, before the pixel blurs it: an ellipse for all kinds of images.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SimStar {
    /// Column of the centre, px.
    pub x: f64,
    /// Row of the centre, px.
    pub y: f64,
    /// Charge in the whole image, out to infinity, before vignetting, e-.
    pub flux_e: f64,
    /// Full width at half maximum along the major axis, before the pixel blurs it, px.
    pub fwhm_major_px: f64,
    /// The same along the minor axis, px.
    pub fwhm_minor_px: f64,
    /// Angle of the major axis from +x towards +y, radians.
    pub angle_rad: f64,
    /// Kind of the image.
    pub image: StarImage,
}

impl SimStar {
    /// A round star with Moffat's profile.
    pub fn round(x: f64, y: f64, flux_e: f64, fwhm_px: f64, beta: f64) -> Self {
        Self::of(StarImage::Moffat { beta }, x, y, flux_e, fwhm_px)
    }

    /// A round star of any kind.
    pub fn of(image: StarImage, x: f64, y: f64, flux_e: f64, fwhm_px: f64) -> Self {
        Self { x, y, flux_e, fwhm_major_px: fwhm_px, fwhm_minor_px: fwhm_px, angle_rad: 0.0, image }
    }

    /// Geometric mean of the two widths, px: `2 sqrt(A / pi)` of the area A inside the contour at half of the maximum.
    pub fn fwhm_px(&self) -> f64 {
        (self.fwhm_major_px * self.fwhm_minor_px).sqrt()
    }

    /// 1 - minor/major.
    pub fn ellipticity(&self) -> f64 {
        1.0 - self.fwhm_minor_px / self.fwhm_major_px
    }

    /// Moffat's exponent; `None` for an image of another kind.
    pub fn beta(&self) -> Option<f64> {
        match self.image {
            StarImage::Moffat { beta } => Some(beta),
            StarImage::Turbulence(_) => None,
        }
    }
}
