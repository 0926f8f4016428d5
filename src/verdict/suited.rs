//! Pixel sizes and focal lengths that would suit the measured star width, each with its field of view.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::sampling::{OVER_SAMPLED_PX, WELL_SAMPLED_PX};
use crate::facts::Quantity;
use crate::facts::answers::{AnswersMethod, AnswersMissing};
use crate::units::ARCSEC_PER_RADIAN;

/// Samplings told, px per FWHM: the ends of what holds all detail at no waste, and the middle, where even the sharper of
/// frames keep two pixels.
pub const SUITED_PX: [f64; 3] = [WELL_SAMPLED_PX, 3.0, OVER_SAMPLED_PX];

/// What the choices are computed from.
#[derive(Debug, Clone, Copy)]
pub struct SuitedInput<'a> {
    /// FWHM before the pixel, px of the frame.
    pub fwhm_px: &'a Quantity,
    /// Image scale, arcsec/px.
    pub image_scale: &'a Quantity,
    /// Pitch of a recorded pixel, um.
    pub pixel_um: &'a Quantity,
    /// Focal length, mm.
    pub focal_mm: &'a Quantity,
    /// Columns and rows of a frame.
    pub size_px: [usize; 2],
}

/// Gear that would give one sampling of the stars as they were measured.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Suited {
    /// Sampling that the row gives.
    #[schemars(extend("unit" = "px"))]
    pub px_per_fwhm: f64,
    /// Image scale that gives it.
    #[schemars(extend("unit" = "arcsec/px"))]
    pub image_scale_arcsec_per_px: Quantity,
    /// Factor on the present focal length that would do it: below 1 a reducer.
    #[schemars(extend("unit" = "1"))]
    pub focal_factor: Quantity,
    /// The focal length itself.
    #[schemars(extend("unit" = "mm"))]
    pub focal_length_mm: Quantity,
    /// Recorded pixel that would do it at the present focal length.
    #[schemars(extend("unit" = "µm"))]
    pub pixel_um: Quantity,
    /// Width and height of the field with as many pixels as now, the same for either way.
    #[schemars(extend("unit" = "arcmin"))]
    pub field_arcmin: [Quantity; 2],
}

/// One row for each of [`SUITED_PX`].
///
/// The width on the sky stays what it was: seeing, tracking and optics as measured. With `f` px per FWHM now and `n` wanted the
/// focal length changes by `n/f`, or the pixel by `f/n` (derived).
pub fn suited(input: &SuitedInput) -> Vec<Suited> {
    SUITED_PX.map(|wanted| row(input, wanted)).into()
}

fn row(input: &SuitedInput, wanted: f64) -> Suited {
    let method = AnswersMethod::SuitedTo { px_per_fwhm: wanted };
    let coarser = Quantity { method: method.clone().into(), ..input.fwhm_px.scaled(wanted.recip()) };
    let coarser = match input.fwhm_px.value {
        Some(f) if f <= 0.0 => Quantity::not_measurable(AnswersMissing::StarsNoWiderThanThePixel),
        _ => coarser,
    };
    let focal_factor = inverse(&coarser);
    let scale = input.image_scale.times(&coarser, method.clone());
    Suited {
        px_per_fwhm: wanted,
        focal_length_mm: input.focal_mm.times(&focal_factor, method.clone()),
        pixel_um: input.pixel_um.times(&coarser, method),
        field_arcmin: input.size_px.map(|n| field_arcmin(n, &scale)),
        image_scale_arcsec_per_px: scale,
        focal_factor,
    }
}

/// `1/q`, with the same relative uncertainty.
fn inverse(q: &Quantity) -> Quantity {
    match q.pair() {
        Some((v, sigma)) => {
            let sigma = q.sigma.map(|_| sigma / (v * v));
            Quantity::with(q.source, v.recip(), sigma, q.method.clone(), q.n)
        }
        None => q.clone(),
    }
}

/// Field of `pixels` in a row, arcmin, at a scale in arcsec/px: `2 atan(n s / 2)` of the tangent projection.
pub fn field_of(pixels: f64, scale: f64) -> f64 {
    2.0 * (0.5 * pixels * scale / ARCSEC_PER_RADIAN).atan() * ARCSEC_PER_RADIAN / 60.0
}

fn field_arcmin(pixels: usize, scale: &Quantity) -> Quantity {
    let Some((s, sigma)) = scale.pair() else { return Quantity::not_measurable(scale.because()) };
    let half = 0.5 * pixels as f64 * s / ARCSEC_PER_RADIAN;
    let slope = pixels as f64 / 60.0 / (1.0 + half * half);
    let sigma = scale.sigma.map(|_| slope * sigma);
    Quantity::with(scale.source, field_of(pixels as f64, s), sigma, AnswersMethod::FieldOfView, scale.n)
}

/// Image scales that the trade recommends whatever the seeing, arcsec/px (common practice, no source).
pub const COMMON_BAND_ARCSEC_PER_PX: [f64; 2] = [1.0, 2.0];

/// Where a scale stands beside the band of common practice.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BesideBand {
    Below,
    Within,
    Above,
}

/// Where a scale stands beside [`COMMON_BAND_ARCSEC_PER_PX`].
pub fn beside_common_band(arcsec_per_px: f64) -> BesideBand {
    let [low, high] = COMMON_BAND_ARCSEC_PER_PX;
    match arcsec_per_px {
        s if s < low => BesideBand::Below,
        s if s > high => BesideBand::Above,
        _ => BesideBand::Within,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::{Method, Missing};

    /// Check values are printed with seven digits.
    const PRINTED: f64 = 1e-6;

    fn of(fwhm_px: f64) -> Vec<Suited> {
        suited(&SuitedInput {
            fwhm_px: &Quantity::measured(fwhm_px, 0.1, Method::NotMeasurable, 9),
            image_scale: &Quantity::measured(1.463_313, 0.0, Method::NotMeasurable, 1),
            pixel_um: &Quantity::header(3.76, "XPIXSZ"),
            focal_mm: &Quantity::header(530.0, "FOCALLEN"),
            size_px: [6248, 4176],
        })
    }

    #[test]
    fn the_present_gear_is_the_row_that_it_already_gives() {
        // Check values C1.1 and C1.2: 3.76 um at 530 mm, 6248 x 4176 px: 2.539245 and 1.697318 degrees.
        let now = &of(3.0)[1];
        assert!((now.image_scale_arcsec_per_px.value.unwrap() / 1.463_313 - 1.0).abs() < PRINTED);
        for (field, degrees) in now.field_arcmin.iter().zip([2.539_245, 1.697_318]) {
            assert!((field.value.unwrap() / 60.0 / degrees - 1.0).abs() < PRINTED, "{field:?}");
        }
        assert_eq!((now.focal_factor.value, now.pixel_um.value), (Some(1.0), Some(3.76)));
    }

    #[test]
    fn stars_of_six_pixels_want_a_reducer_or_larger_pixels() {
        // By hand: a third of the focal length, or pixels three times as wide, leave 2 px.
        let coarse = &of(6.0)[0];
        assert!((coarse.focal_length_mm.value.unwrap() - 530.0 / 3.0).abs() < 1e-9);
        assert!((coarse.pixel_um.value.unwrap() - 3.0 * 3.76).abs() < 1e-9);
        // 0.1 px of 6.
        assert!((coarse.focal_factor.sigma.unwrap() / coarse.focal_factor.value.unwrap() - 0.1 / 6.0).abs() < 1e-12);
        let field = coarse.field_arcmin[0].value.unwrap() / 60.0;
        assert!(field > 7.4 && field < 3.0 * 2.539_66, "a tangent is less than three times the field: {field}");
    }

    #[test]
    fn without_a_scale_the_factor_alone_is_told() {
        let unknown = Quantity::not_measurable(Missing::Unstated);
        let rows = suited(&SuitedInput {
            fwhm_px: &Quantity::measured(2.5, 0.1, Method::NotMeasurable, 9),
            image_scale: &unknown,
            pixel_um: &unknown,
            focal_mm: &unknown,
            size_px: [100, 80],
        });
        assert!(rows.iter().all(|r| r.focal_factor.is_known() && r.field_arcmin[0].because() == unknown.because()));
    }

    #[test]
    fn the_ends_of_the_band_are_within_it() {
        use BesideBand::*;
        for (scale, place) in [(0.8, Below), (1.0, Within), (2.0, Within), (2.1, Above)] {
            assert_eq!(beside_common_band(scale), place);
        }
    }
}
