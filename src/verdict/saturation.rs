//! Where stars saturate: how many clip now, and the exposure at which the brighter ones would.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::propagation::weakest;
use super::sampling::KnownImage;
use crate::facts::verdict::{VerdictMethod, VerdictMissing};
use crate::facts::{Input, Missing, Quantity};
use crate::stats::{MEDIAN_TO_MEAN_ERROR, mean_and_std, median};

/// Share of the stars bright enough to be fitted that may clip: these lose their colour and their use for photometry
/// (definition, not law).
pub const CLIPPED_SHARE: f64 = 0.1;

/// The stars of one light.
#[derive(Debug, Clone, PartialEq)]
pub struct LightStars {
    /// Peaks of the fitted profiles before the pixel, above the background, and that background, ADU.
    pub peaks_adu: Vec<[f64; 2]>,
    /// Stars whose core has clipped, and all stars.
    pub clipped: usize,
    pub stars: usize,
}

/// What is known of a session.
#[derive(Debug, Clone, Copy)]
pub struct SaturationInput<'a> {
    pub lights: &'a [LightStars],
    pub exposure_s: Option<f64>,
    /// Level at which pixels clip, and the bias level, ADU.
    pub saturation_adu: &'a Quantity,
    pub bias_adu: &'a Quantity,
    /// FWHM before the pixel, px, and exponent: they tell what of a peak one pixel records.
    pub fwhm_px: &'a Quantity,
    pub beta: &'a Quantity,
    /// The image itself, where it is known.
    pub image: KnownImage<'a>,
}

/// Saturated stars of a session.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Saturation {
    /// Stars with a clipped core over all stars.
    #[schemars(extend("unit" = "1"))]
    pub clipped_share: Quantity,
    /// Exposure at which a tenth of the stars bright enough for a fit clip.
    #[schemars(extend("unit" = "s"))]
    pub exposure_for_tenth_clipped_s: Quantity,
}

/// Counts and extrapolates: charge grows with time, so a star whose brightest pixel stands at `p` above the bias clips after
/// `t (S - b)/p`; a star centred on its pixel clips first and is what is computed (derived).
pub fn saturation(input: &SaturationInput) -> Saturation {
    let (clipped, stars) = input.lights.iter().fold((0, 0), |(c, n), l| (c + l.clipped, n + l.stars));
    let clipped_share = if stars == 0 {
        Quantity::not_measurable(VerdictMissing::NoStarsMeasured)
    } else {
        let share = clipped as f64 / stars as f64;
        // Binomial error; one star more or less where none clips.
        let sigma = (share * (1.0 - share) / stars as f64).sqrt().max((stars as f64).recip());
        Quantity::measured(share, sigma, VerdictMethod::ClippedOverAllStars, stars)
    };
    let exposure_for_tenth_clipped_s = clipping_exposure(input).unwrap_or_else(Quantity::not_measurable);
    Saturation { clipped_share, exposure_for_tenth_clipped_s }
}

fn clipping_exposure(input: &SaturationInput) -> Result<Quantity, Missing> {
    let t = input.exposure_s.filter(|t| *t > 0.0).ok_or(Missing::ExposureTime)?;
    let known = |q: &Quantity, what: Input| q.value.ok_or_else(|| Missing::input(what, q.because()));
    let room = known(input.saturation_adu, Input::SaturationLevel)? - known(input.bias_adu, Input::BiasLevel)?;
    let bias = input.bias_adu.value.unwrap_or(0.0);
    let width = known(input.fwhm_px, Input::StarWidth)?;
    let beta = input.beta.value.filter(|b| *b > 1.0).unwrap_or(f64::INFINITY);
    let star = input.image.star(width, beta).ok_or(VerdictMissing::StarsAsWideAsThePixel)?;
    let recorded = star.pixel_flux(0.0, 0.0) / star.density(0.0);
    let of_light = |light: &LightStars| {
        let mut exposures: Vec<f64> = light
            .peaks_adu
            .iter()
            .map(|[peak, background]| t * room / (recorded * peak + background - bias))
            .filter(|s| s.is_finite() && *s > 0.0)
            .collect();
        exposures.sort_by(f64::total_cmp);
        let rank = (CLIPPED_SHARE * (exposures.len() + light.clipped) as f64).ceil() as usize;
        // Clipped stars are the brightest of all.
        exposures.get(rank.checked_sub(light.clipped + 1)?).copied()
    };
    let lights: Vec<&LightStars> = input.lights.iter().filter(|l| !l.peaks_adu.is_empty()).collect();
    let found: Vec<f64> = lights.iter().copied().filter_map(of_light).collect();
    if 2 * found.len() <= lights.len() {
        return Err(match lights.len() {
            0 => VerdictMissing::NoStarsFitted.into(),
            _ => VerdictMissing::TenthClipsAlready.into(),
        });
    }
    let n = found.len() as f64;
    let scatter = mean_and_std(&found).map_or(0.0, |(_, s)| s * MEDIAN_TO_MEAN_ERROR / (n - 1.0).max(1.0).sqrt());
    let value = median(&found).ok_or(VerdictMissing::NoStarsFitted)?;
    let sources = weakest(&[input.saturation_adu, input.bias_adu, input.fwhm_px]);
    let sigma = (found.len() > 1).then_some(scatter);
    Ok(Quantity::with(sources, value, sigma, VerdictMethod::RoomOverBrightestPixel, found.len()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Ten stars of `peaks` times 1000 ADU on a sky 100 above a bias of 500, of which so many more clip.
    fn session(brightest: f64, clipped: usize) -> Saturation {
        let peaks_adu = (1..=10).map(|k| [brightest / f64::from(k), 600.0]).collect();
        saturation(&SaturationInput {
            lights: &[LightStars { peaks_adu, clipped, stars: 40 }],
            exposure_s: Some(60.0),
            saturation_adu: &Quantity::rig(60_500.0, "saturation_adu"),
            bias_adu: &Quantity::header(500.0, "BIASLVL"),
            fwhm_px: &Quantity::measured(2.0, 0.1, VerdictMethod::RecordedOverTrueWidth, 9),
            beta: &Quantity::not_measurable(VerdictMissing::NoStarsFitted),
            image: KnownImage::Exponent,
        })
    }

    #[test]
    fn the_brightest_tenth_sets_the_exposure() {
        // A Gaussian of 2 px FWHM: its central pixel holds 0.1970835 where a point sample is 0.2206356 (check value C1.8).
        let brightest = 12_000.0;
        let pixel = brightest * 0.197_083_5 / 0.220_635_6 + 100.0;
        let got = session(brightest, 0);
        assert!((got.exposure_for_tenth_clipped_s.value.unwrap() / (60.0 * 60_000.0 / pixel) - 1.0).abs() < 1e-6);
        assert_eq!(got.clipped_share.value, Some(0.0));
    }

    #[test]
    fn clipped_stars_count_as_the_brightest() {
        // One of eleven clips: the second is the tenth's end, 2 of 11 rounded up.
        let second = 60.0 * 60_000.0 / (12_000.0 * 0.197_083_5 / 0.220_635_6 + 100.0);
        let got = session(12_000.0, 1);
        assert!((got.exposure_for_tenth_clipped_s.value.unwrap() / second - 1.0).abs() < 1e-6);
        assert_eq!(got.clipped_share.value, Some(1.0 / 40.0));
        let many = session(12_000.0, 5);
        assert_eq!(many.exposure_for_tenth_clipped_s.because(), VerdictMissing::TenthClipsAlready.into());
        assert_eq!(many.clipped_share.value, Some(0.125));
    }

    #[test]
    fn brighter_stars_clip_sooner() {
        let at = |peak| session(peak, 0).exposure_for_tenth_clipped_s.value.unwrap();
        assert!(at(20_000.0) < at(10_000.0));
    }
}
