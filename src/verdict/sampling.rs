//! Sampling: how the pixel suits the star image, and what it costs to either side.

use super::pixel_cost::{best_pixel_factor, efficiency_at};
use super::power::{MIN_FWHM_PX, grid_power};
use super::profile::StarProfile;
use super::propagation::{Parameter, missing, propagate, weakest};
use super::result::{Sampling, SamplingVerdict};
use crate::facts::answers::{AnswersMethod, AnswersMissing};
use crate::facts::{Input, Missing, Quantity};
use crate::image::StarImage;

/// Below this many pixels per FWHM photometry and positions suffer: Howell, Handbook of CCD Astronomy (extract).
pub const UNDER_SAMPLED_PX: f64 = 1.5;

/// From here on the pixel is not what limits the image: less than 1e-3 of the power is aliased for any real star.
pub const WELL_SAMPLED_PX: f64 = 2.0;

/// From here on binning 2x2 would still leave [`WELL_SAMPLED_PX`].
pub const OVER_SAMPLED_PX: f64 = 4.0;

/// `beta` taken for a star image without a fit, and its spread: from the common default 2.5 to the 4.765 that fits
/// turbulence theory best (Trujillo et al. 2001, MNRAS 328, 977).
const UNFITTED_BETA: f64 = 3.6;
const UNFITTED_BETA_SIGMA: f64 = 1.1;

/// Lowest `beta` that error propagation visits: nearer to 1 the profile's flux diverges.
const MIN_BETA: f64 = 1.2;

/// What is known of the star image besides its width.
#[derive(Debug, Clone, Copy)]
pub enum KnownImage<'a> {
    /// An exponent at most.
    Exponent,
    /// All of it.
    Whole(&'a StarImage),
    /// That no model describes it.
    NoModel,
}

impl<'a> KnownImage<'a> {
    /// The star of that width and exponent, in this image where it is known.
    pub(crate) fn star(self, fwhm_px: f64, beta: f64) -> Option<StarProfile<'a>> {
        match self {
            Self::Whole(image) => StarProfile::of_image(fwhm_px, image),
            Self::Exponent | Self::NoModel => StarProfile::new(fwhm_px, beta),
        }
    }
}

/// What the verdict is computed from.
#[derive(Debug, Clone, Copy)]
pub struct SamplingInput<'a> {
    /// FWHM before the pixel, px of the frame.
    pub fwhm_px: &'a Quantity,
    /// Moffat exponent of the star images; infinite values are unknown to a quantity, so a large one is a Gaussian.
    pub beta: &'a Quantity,
    /// The image itself, where it is known better than by its exponent.
    pub image: KnownImage<'a>,
    /// Image scale, arcsec/px.
    pub image_scale: &'a Quantity,
    /// Sky rate, e-/px/s.
    pub sky_e_per_px_s: &'a Quantity,
    /// Dark rate at the temperature of the lights, e-/px/s.
    pub dark_e_per_px_s: &'a Quantity,
    /// Read noise, e-.
    pub read_noise_e: &'a Quantity,
    /// Exposure time, s.
    pub exposure_s: Option<f64>,
    /// Whether the sensor carries a colour filter mosaic.
    pub colour: bool,
}

/// The word for a number of pixels per FWHM.
pub fn verdict_of(px_per_fwhm: f64) -> SamplingVerdict {
    match px_per_fwhm {
        f if f < UNDER_SAMPLED_PX => SamplingVerdict::UnderSampled,
        f if f < WELL_SAMPLED_PX => SamplingVerdict::Marginal,
        f if f < OVER_SAMPLED_PX => SamplingVerdict::WellSampled,
        _ => SamplingVerdict::OverSampled,
    }
}

/// Limits within one standard uncertainty of a number of pixels per FWHM, each with the verdict on its other side.
pub(crate) fn straddled(px_per_fwhm: f64, sigma: f64) -> impl Iterator<Item = (f64, SamplingVerdict)> {
    let near = move |limit: &f64| sigma > 0.0 && (px_per_fwhm - limit).abs() <= sigma;
    [UNDER_SAMPLED_PX, WELL_SAMPLED_PX, OVER_SAMPLED_PX].into_iter().filter(near).map(move |limit| {
        (limit, if px_per_fwhm < limit { verdict_of(limit) } else { verdict_of(limit * (1.0 - f64::EPSILON)) })
    })
}

/// Judges the sampling; undetermined with the reason when the star image is not known.
pub fn sampling(input: &SamplingInput) -> Sampling {
    let Some(f) = input.fwhm_px.value.filter(|f| *f > 0.0) else {
        return undetermined(input);
    };
    let unfitted = Quantity::assumed(UNFITTED_BETA, Some(UNFITTED_BETA_SIGMA), AnswersMethod::UnfittedExponent);
    let beta = if input.beta.value.is_some_and(|b| b > 1.0) { input.beta } else { &unfitted };
    let shape = ([input.fwhm_px, beta], input.image);
    let verdict = verdict_of(f);
    let aliased = match input.image {
        // The power at high frequencies hangs on what the model leaves open.
        KnownImage::NoModel => Quantity::not_measurable(AnswersMissing::NoModelFitsTheStars),
        _ => of_shape(shape, AnswersMethod::AliasedPower, |star| grid_power(star).map(|g| g.aliased_fraction)),
    };
    let lost = of_shape(shape, AnswersMethod::WidthLost, |star| {
        (star.fwhm_px() >= MIN_FWHM_PX).then(|| star.recorded_fwhm_px() / star.fwhm_px() - 1.0)
    });
    let noise = match input.exposure_s.filter(|t| *t > 0.0) {
        Some(t) => noise_costs(input, beta, t),
        None => Err(Missing::ExposureTime),
    };
    let [snr, factor, best] =
        noise.unwrap_or_else(|because| [(); 3].map(|()| Quantity::not_measurable(because.clone())));
    let px_per_fwhm = Quantity { method: AnswersMethod::PixelsPerFwhm.into(), ..input.fwhm_px.clone() };
    let best_binning = Some((f / WELL_SAMPLED_PX).floor() as u32).filter(|b| *b >= 1);
    Sampling {
        px_per_fwhm,
        verdict,
        aliased_power_fraction: aliased,
        resolution_lost_fraction: lost,
        snr_efficiency: snr,
        best_pixel_factor: factor,
        best_snr_efficiency: best,
        best_binning,
        colour: input.colour,
    }
}

fn undetermined(input: &SamplingInput) -> Sampling {
    let because = missing(&[(Input::StarImage, input.fwhm_px)])
        .unwrap_or_else(|| AnswersMissing::StarsNoWiderThanThePixel.into());
    let none = || Quantity::not_measurable(because.clone());
    Sampling {
        px_per_fwhm: none(),
        verdict: SamplingVerdict::Undetermined,
        aliased_power_fraction: none(),
        resolution_lost_fraction: none(),
        snr_efficiency: none(),
        best_pixel_factor: none(),
        best_snr_efficiency: none(),
        best_binning: None,
        colour: input.colour,
    }
}

/// A number that follows from the star's shape alone, with the errors of FWHM and beta.
fn of_shape<'a>(
    (shape, image): ([&Quantity; 2], KnownImage<'a>),
    method: AnswersMethod,
    f: impl Fn(StarProfile<'a>) -> Option<f64>,
) -> Quantity {
    let parameters: Vec<Parameter> =
        shape.iter().zip([MIN_FWHM_PX, MIN_BETA]).filter_map(|(q, min)| Parameter::of(q, min)).collect();
    if shape[0].value.is_some_and(|v| v < MIN_FWHM_PX) {
        return Quantity::not_measurable(AnswersMissing::StarsTooNarrow { least_px: MIN_FWHM_PX });
    }
    let at = |p: &[f64]| image.star(p[0], p[1]).and_then(&f).unwrap_or(f64::NAN);
    let (value, sigma) = propagate(&parameters, at);
    Quantity::with(weakest(&shape), value, sigma, method, shape[0].n)
}

/// Efficiency now, best factor on the pixel, efficiency there; or the reason why not.
fn noise_costs(input: &SamplingInput, beta: &Quantity, exposure_s: f64) -> Result<[Quantity; 3], Missing> {
    let named = [
        (Input::Sky, input.sky_e_per_px_s),
        (Input::DarkCurrent, input.dark_e_per_px_s),
        (Input::ReadNoise, input.read_noise_e),
    ];
    if let Some(because) = missing(&named) {
        return Err(because);
    }
    if input.sky_e_per_px_s.value.is_some_and(|sky| sky <= 0.0) {
        return Err(AnswersMissing::SkyNotAboveZero.into());
    }
    let inputs = [input.fwhm_px, beta, named[0].1, named[1].1, named[2].1];
    // A sky of a thousandth of the measured one stands for "almost none" without dividing by it.
    let lowest_sky = 1e-3 * named[0].1.value.unwrap_or(0.0);
    let parameters: Vec<Parameter> = inputs
        .iter()
        .zip([MIN_FWHM_PX, MIN_BETA, lowest_sky, 0.0, 0.0])
        .filter_map(|(q, min)| Parameter::of(q, min))
        .collect();
    let at = |p: &[f64], f: &dyn Fn(StarProfile, f64, f64) -> f64| match input.image.star(p[0], p[1]) {
        Some(star) => f(star, p[2], p[3] + p[4] * p[4] / exposure_s),
        None => f64::NAN,
    };
    let n = inputs.iter().map(|q| q.n).max().unwrap_or(0);
    let told = |method: AnswersMethod, f: &dyn Fn(StarProfile, f64, f64) -> f64| {
        let (value, sigma) = propagate(&parameters, |p| at(p, f));
        Quantity::with(weakest(&inputs), value, sigma, method, n)
    };
    Ok([
        told(AnswersMethod::MatchedFilter, &|star, sky, sensor| efficiency_at(star, sky, sensor, 1.0)),
        told(AnswersMethod::BestPixel, &best_pixel_factor),
        told(AnswersMethod::MatchedFilterAtBestPixel, &|star, sky, sensor| {
            efficiency_at(star, sky, sensor, best_pixel_factor(star, sky, sensor))
        }),
    ])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::{Method, Source};

    fn measured(value: f64, sigma: f64) -> Quantity {
        Quantity::measured(value, sigma, Method::NotMeasurable, 20)
    }

    fn unknown() -> Quantity {
        Quantity::not_measurable(Missing::Unstated)
    }

    fn judge(fwhm: &Quantity, colour: bool) -> Sampling {
        sampling(&SamplingInput {
            fwhm_px: fwhm,
            beta: &measured(3.0, 0.2),
            image: KnownImage::Exponent,
            image_scale: &measured(1.5, 0.0),
            sky_e_per_px_s: &measured(0.5, 0.02),
            dark_e_per_px_s: &measured(0.02, 0.005),
            read_noise_e: &measured(3.0, 0.1),
            exposure_s: Some(120.0),
            colour,
        })
    }

    #[test]
    fn verdicts_change_at_the_limits() {
        use SamplingVerdict::*;
        for (f, v) in
            [(1.49, UnderSampled), (1.5, Marginal), (2.0, WellSampled), (3.99, WellSampled), (4.0, OverSampled)]
        {
            assert_eq!(verdict_of(f), v);
        }
    }

    #[test]
    fn best_binning_leaves_two_pixels() {
        for (f, b) in [(1.9, None), (2.0, Some(1)), (3.99, Some(1)), (4.0, Some(2)), (6.1, Some(3))] {
            assert_eq!(judge(&measured(f, 0.01), false).best_binning, b);
        }
    }

    #[test]
    fn a_limit_within_one_sigma_has_the_verdict_on_its_other_side() {
        use SamplingVerdict::*;
        let near = |f, sigma| straddled(f, sigma).collect::<Vec<_>>();
        assert_eq!(near(2.05, 0.08), [(2.0, Marginal)]);
        assert_eq!(near(1.95, 0.08), [(2.0, WellSampled)]);
        assert_eq!(near(2.5, 0.08), []);
        assert_eq!(near(2.0, 0.0), []);
        assert_eq!(near(1.7, 0.4), [(1.5, UnderSampled), (2.0, WellSampled)]);
    }

    #[test]
    fn both_costs_are_measured_with_errors() {
        let s = judge(&measured(2.5, 0.1), false);
        for q in [&s.aliased_power_fraction, &s.resolution_lost_fraction, &s.snr_efficiency, &s.best_snr_efficiency] {
            assert!(q.value.unwrap() > 0.0 && q.value.unwrap() < 1.0);
            assert!(q.sigma.unwrap() > 0.0);
            assert_eq!(q.source, Source::Measured);
        }
        assert!(s.best_snr_efficiency.value > s.snr_efficiency.value);
    }

    #[test]
    fn costs_pull_in_opposite_directions() {
        let [fine, coarse] = [5.0, 1.2].map(|f| judge(&measured(f, 0.05), false));
        assert!(fine.aliased_power_fraction.value < coarse.aliased_power_fraction.value);
        assert!(fine.resolution_lost_fraction.value < coarse.resolution_lost_fraction.value);
        assert!(fine.best_pixel_factor.value > coarse.best_pixel_factor.value);
    }

    #[test]
    fn without_stars_the_verdict_is_undetermined_and_says_why() {
        let s = judge(&unknown(), false);
        assert_eq!(s.verdict, SamplingVerdict::Undetermined);
        assert_eq!(s.px_per_fwhm.because(), Missing::input(Input::StarImage, Missing::Unstated));
        assert_eq!((s.px_per_fwhm.value, s.best_binning), (None, None));
        let points = judge(&measured(0.0, 0.1), false);
        assert_eq!(points.verdict, SamplingVerdict::Undetermined);
        assert_eq!(points.px_per_fwhm.because(), AnswersMissing::StarsNoWiderThanThePixel.into());
    }

    #[test]
    fn without_noise_values_the_shape_still_counts() {
        let fwhm = measured(2.5, 0.1);
        let s = sampling(&SamplingInput {
            fwhm_px: &fwhm,
            beta: &unknown(),
            image: KnownImage::Exponent,
            image_scale: &unknown(),
            sky_e_per_px_s: &measured(0.5, 0.1),
            dark_e_per_px_s: &unknown(),
            read_noise_e: &measured(3.0, 0.1),
            exposure_s: Some(60.0),
            colour: false,
        });
        assert_eq!(s.verdict, SamplingVerdict::WellSampled);
        assert_eq!(s.aliased_power_fraction.source, Source::Assumed);
        assert_eq!(s.snr_efficiency.because(), Missing::input(Input::DarkCurrent, Missing::Unstated));
    }

    #[test]
    fn a_star_that_is_almost_a_point_is_under_sampled_without_costs() {
        let s = judge(&measured(0.2, 0.1), false);
        assert_eq!(s.verdict, SamplingVerdict::UnderSampled);
        assert_eq!(s.aliased_power_fraction.because(), AnswersMissing::StarsTooNarrow { least_px: MIN_FWHM_PX }.into());
    }
}
