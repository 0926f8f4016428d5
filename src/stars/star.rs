//! The stars of one frame and what they say together.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::profile::fit::StarFit;
use crate::facts::Quantity;
use crate::image::ImageParts;

/// Why a detected peak was not used for the frame's values.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StarFlag {
    /// One pixel stands alone: no star image is that sharp.
    HotPixel,
    /// A pixel of the core has reached the saturation level.
    Saturated,
    /// Part of a line far longer than a star, as a satellite draws.
    Streak,
    /// A nebula's: a smooth surface or a ridge shows as much.
    Nebula,
    /// Another star is too near.
    Blended,
    /// The stamp leaves the frame.
    Edge,
    /// Too faint for a useful fit.
    Faint,
    /// Bright enough, but enough brighter stars were fitted.
    NotNeeded,
    /// The fit found no minimum.
    FitFailed,
    /// Much sharper than the frame's stars.
    TooSharp,
    /// Much wider than the frame's stars.
    Extended,
}

/// A star whose fit counts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Star {
    /// Height of its peak over the filtered noise.
    pub significance: f64,
    /// The fit.
    pub fit: StarFit,
}

/// Where a peak that may be a star lies, fitted or not.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Place {
    /// Column and row, px of the file, 0-based.
    pub x_px: f64,
    pub y_px: f64,
    /// One standard error along an axis, px.
    pub sigma_px: f64,
    /// Flux of the fit, ADU; `None` where none counts, or where the star's core is clipped.
    pub flux_adu: Option<f64>,
}

/// The image that a frame's brightest isolated stars share.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CommonImage {
    /// The model that describes it, in half widths of the whole; `None` where none does and the stars speak for themselves.
    pub parts: Option<ImageParts>,
    /// Mean residual of the stars against the model that comes nearest, root mean square; null where none could be fitted.
    #[schemars(extend("unit" = "% of the peak"))]
    pub misfit_percent: Option<f64>,
    /// Light in rings about the centre, outwards.
    pub rings: Vec<ImageRing>,
}

/// Mean recorded light of a frame's stars at a distance from their centres, in units of the peak before the pixel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ImageRing {
    /// Mean distance of its pixels.
    #[schemars(extend("unit" = "px"))]
    pub radius_px: f64,
    /// Light, in units of the peak before the pixel.
    #[schemars(extend("unit" = "1"))]
    pub light: f64,
    /// One-sigma error of the light.
    #[schemars(extend("unit" = "1"))]
    pub sigma: f64,
    /// Light of the model.
    #[schemars(extend("unit" = "1"))]
    pub model: f64,
}

/// Blocks along a side of the frame, and in all: small enough to see a half-open shutter, large enough for a nebula.
pub(crate) const SKY_BLOCKS_A_SIDE: usize = 4;
pub(crate) const SKY_BLOCKS: usize = SKY_BLOCKS_A_SIDE * SKY_BLOCKS_A_SIDE;

/// What one frame's stars say.
///
/// # Examples
///
/// A simulated frame of read noise alone has no star, so no width either, and says why:
///
/// ```
/// use skygrain::fits::Pixels;
/// use skygrain::frame::Lattice;
/// use skygrain::simulate::{Detector, FrameRecipe, render};
/// use skygrain::stars::{FrameStars, MeasureOptions, measure};
///
/// let pixels = Pixels::U16(render(&FrameRecipe::unlit(Detector::even(200, 200), 1)).0);
/// let options = MeasureOptions { lattice: Lattice::All, e_per_adu: None, saturation_adu: None, diffraction: None };
/// let found: FrameStars = measure(&pixels, &options).expect("the frame has pixels");
/// assert!(found.stars.is_empty() && found.fwhm_px.value.is_none() && found.fwhm_px.missing.is_some());
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FrameStars {
    /// Median sky level, ADU (bias included).
    pub sky_adu: f64,
    /// One-sigma uncertainty of that level, ADU.
    pub sky_error_adu: f64,
    /// Noise of one sky pixel, ADU.
    pub sky_sigma_adu: f64,
    /// Sky level of the blocks of the frame, four a row from the first pixel on, ADU.
    pub sky_blocks_adu: [f64; SKY_BLOCKS],
    /// Detected stars: everything but hot pixels, streaks and peaks too sharp to be one.
    pub star_count: usize,
    /// Peaks that were not used, by reason; saturated ones are counted also where they had to be used.
    pub flags: BTreeMap<StarFlag, usize>,
    /// Stars that were.
    pub stars: Vec<Star>,
    /// Places of the brightest peaks that may be stars, brightest first, whether their fits count or not.
    pub places: Vec<Place>,
    /// FWHM before the pixel, geometric mean of both axes, px.
    pub fwhm_px: Quantity,
    /// The same by the red and the blue sites of a mosaic whose red ones are known.
    pub site_fwhm_px: Option<[Quantity; 2]>,
    /// FWHM before the pixel along the shorter axis, px: of a trailed frame, what seeing and focus gave.
    pub minor_fwhm_px: Quantity,
    /// FWHM after the pixel, px.
    pub recorded_fwhm_px: Quantity,
    /// 1 - minor/major, noise bias taken out.
    pub ellipticity: Quantity,
    /// Position angle of the common elongation, degrees from +x towards +y of the file, 0 to 180.
    pub position_angle_deg: Quantity,
    /// Moffat beta of the image's wings.
    pub moffat_beta: Quantity,
    /// The image that the stars share; `None` with fewer than three.
    pub image: Option<CommonImage>,
    /// Relative error of all widths alike, from what the common image leaves open: part of `fwhm_px`, not of the single stars' errors.
    pub common_ln_width_sigma: f64,
    /// All stars are drawn out in one direction so far that a line may describe them.
    pub trailed: bool,
    /// Length of the line that they are drawn out over, px.
    pub trail_length_px: Quantity,
    /// The stars are rings: far out of focus, and no width is measured.
    pub defocused: bool,
    /// Median flux of the brightest fitted stars, ADU: it falls when cloud comes.
    pub bright_flux_adu: Option<f64>,
    /// Level at which its own bright pixels pile up, ADU; `None` where they do not.
    pub clip_level_adu: Option<f64>,
}
