//! Sampling: how the pixel suits the star image, and what it costs to either side.

use crate::report::InWords;
use std::f64::consts::SQRT_2;

use super::percent::percent;
use super::pixel_cost::{best_pixel_factor, efficiency_at};
use super::power::{MIN_FWHM_PX, grid_power};
use super::profile::StarProfile;
use super::propagation::{Parameter, missing, propagate, weakest};
use super::result::{Sampling, SamplingVerdict};
use super::suited::common_band;
use crate::facts::{Input, Quantity};
use crate::report::words::quantity::missing as in_words;

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

/// What the verdict is computed from.
#[derive(Debug, Clone, Copy)]
pub struct SamplingInput<'a> {
    /// FWHM before the pixel, px of the frame.
    pub fwhm_px: &'a Quantity,
    /// Moffat exponent of the star images; infinite values are unknown to a quantity, so a large one is a Gaussian.
    pub beta: &'a Quantity,
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

impl SamplingVerdict {
    /// The word of the report.
    pub fn word(self) -> &'static str {
        match self {
            Self::UnderSampled => "under-sampled",
            Self::Marginal => "marginal",
            Self::WellSampled => "well-sampled",
            Self::OverSampled => "over-sampled",
            Self::Undetermined => "undetermined",
        }
    }
}

/// Judges the sampling; undetermined with the reason when the star image is not known.
pub fn sampling(input: &SamplingInput) -> Sampling {
    let fwhm = input.fwhm_px.pair().filter(|(f, _)| *f > 0.0);
    let Some((f, sigma)) = fwhm else {
        return undetermined(input.fwhm_px);
    };
    let unfitted = Quantity::assumed(UNFITTED_BETA, Some(UNFITTED_BETA_SIGMA), "between 2.5 and 4.765, no fit");
    let beta = if input.beta.value.is_some_and(|b| b > 1.0) { input.beta } else { &unfitted };
    let shape = [input.fwhm_px, beta];
    let verdict = verdict_of(f);
    let aliased = of_shape(shape, "power outside the square Nyquist band, Moffat image times pixel", |star| {
        grid_power(star).map(|g| g.aliased_fraction)
    });
    let lost = of_shape(shape, "FWHM of the Moffat image after the pixel over that before, minus 1", |star| {
        (star.fwhm_px() >= MIN_FWHM_PX).then(|| star.recorded_fwhm_px() / star.fwhm_px() - 1.0)
    });
    let noise = match input.exposure_s.filter(|t| *t > 0.0) {
        Some(t) => noise_costs(input, beta, t),
        None => Err("the exposure time is not known (card EXPTIME)".to_owned()),
    };
    let [snr, factor, best] =
        noise.unwrap_or_else(|because| [(); 3].map(|()| Quantity::not_measurable(because.clone())));
    let px_per_fwhm = Quantity { method: "FWHM before the pixel over the pixel".into(), ..input.fwhm_px.clone() };
    let best_binning = Some((f / WELL_SAMPLED_PX).floor() as u32).filter(|b| *b >= 1);
    let mut result = Sampling {
        px_per_fwhm,
        verdict,
        aliased_power_fraction: aliased,
        resolution_lost_fraction: lost,
        snr_efficiency: snr,
        best_pixel_factor: factor,
        best_snr_efficiency: best,
        best_binning,
        sentence: String::new(),
        detail: String::new(),
    };
    result.sentence = sentence(&result, f, sigma);
    result.detail = detail(&result, input, f);
    result
}

fn undetermined(fwhm: &Quantity) -> Sampling {
    let because = missing(&[(Input::StarImage, fwhm)])
        .map(|m| in_words(&m))
        .unwrap_or_else(|| "the stars are no wider than the pixel alone makes them".to_owned());
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
        sentence: format!("The sampling is not measurable, because {because}."),
        detail: String::new(),
    }
}

/// A number that follows from the star's shape alone, with the errors of FWHM and beta.
fn of_shape(shape: [&Quantity; 2], words: &str, f: impl Fn(StarProfile) -> Option<f64>) -> Quantity {
    let parameters: Vec<Parameter> =
        shape.iter().zip([MIN_FWHM_PX, MIN_BETA]).filter_map(|(q, min)| Parameter::of(q, min)).collect();
    if shape[0].value.is_some_and(|v| v < MIN_FWHM_PX) {
        return Quantity::not_measurable(format!("the stars are narrower than {MIN_FWHM_PX} px before the pixel"));
    }
    let at = |p: &[f64]| StarProfile::new(p[0], p[1]).and_then(&f).unwrap_or(f64::NAN);
    let (value, sigma) = propagate(&parameters, at);
    Quantity::with(weakest(&shape), value, sigma, words, shape[0].n)
}

/// Efficiency now, best factor on the pixel, efficiency there; or the reason why not.
fn noise_costs(input: &SamplingInput, beta: &Quantity, exposure_s: f64) -> Result<[Quantity; 3], String> {
    let named = [
        (Input::Sky, input.sky_e_per_px_s),
        (Input::DarkCurrent, input.dark_e_per_px_s),
        (Input::ReadNoise, input.read_noise_e),
    ];
    if let Some(because) = missing(&named).map(|m| in_words(&m)) {
        return Err(because);
    }
    if input.sky_e_per_px_s.value.is_some_and(|sky| sky <= 0.0) {
        return Err("the sky was not measured above 0".to_owned());
    }
    let inputs = [input.fwhm_px, beta, named[0].1, named[1].1, named[2].1];
    // A sky of a thousandth of the measured one stands for "almost none" without dividing by it.
    let lowest_sky = 1e-3 * named[0].1.value.unwrap_or(0.0);
    let parameters: Vec<Parameter> = inputs
        .iter()
        .zip([MIN_FWHM_PX, MIN_BETA, lowest_sky, 0.0, 0.0])
        .filter_map(|(q, min)| Parameter::of(q, min))
        .collect();
    let at = |p: &[f64], f: &dyn Fn(StarProfile, f64, f64) -> f64| match StarProfile::new(p[0], p[1]) {
        Some(star) => f(star, p[2], p[3] + p[4] * p[4] / exposure_s),
        None => f64::NAN,
    };
    let n = inputs.iter().map(|q| q.n).max().unwrap_or(0);
    let told = |words: &str, f: &dyn Fn(StarProfile, f64, f64) -> f64| {
        let (value, sigma) = propagate(&parameters, |p| at(p, f));
        Quantity::with(weakest(&inputs), value, sigma, words, n)
    };
    Ok([
        told("matched filter on a faint star, against a noiseless sensor with tiny pixels", &|star, sky, sensor| {
            efficiency_at(star, sky, sensor, 1.0)
        }),
        told("fourth root of sensor over sky variance, noise of a pixel kept", &best_pixel_factor),
        told("the same at the best pixel", &|star, sky, sensor| {
            efficiency_at(star, sky, sensor, best_pixel_factor(star, sky, sensor))
        }),
    ])
}

fn sentence(s: &Sampling, f: f64, sigma: f64) -> String {
    let width = s.px_per_fwhm.text("px");
    let mut parts = vec![format!("A star is {width} wide (FWHM before the pixel), which is {}.", s.verdict.word())];
    for limit in [UNDER_SAMPLED_PX, WELL_SAMPLED_PX, OVER_SAMPLED_PX] {
        if sigma > 0.0 && (f - limit).abs() <= sigma {
            let other = if f < limit { verdict_of(limit) } else { verdict_of(limit * (1.0 - f64::EPSILON)) };
            parts.push(format!(
                "One standard uncertainty reaches across the limit of {limit} px, so {} is possible as well.",
                other.word()
            ));
        }
    }
    parts.join(" ")
}

/// The costs to either side.
fn detail(s: &Sampling, input: &SamplingInput, f: f64) -> String {
    let mut parts = Vec::new();
    if s.aliased_power_fraction.is_known() && s.resolution_lost_fraction.is_known() {
        parts.push(format!(
            "The pixel widens a recorded star by {}; {} of the image's power is finer than the pixel grid can hold \
             and is aliased.",
            percent(&s.resolution_lost_fraction),
            percent(&s.aliased_power_fraction)
        ));
    }
    parts.push(noise_sentence(s, input.image_scale));
    parts.push(common_band(input.image_scale));
    if input.colour {
        parts.push(format!(
            "Each colour of the mosaic sits on a wider lattice than the pixels: green has {:.2} samples per FWHM \
             (diagonal pitch 1.414 px), red and blue {:.2} (pitch 2 px).",
            f / SQRT_2,
            f / 2.0
        ));
    }
    if let Some(b) = s.best_binning.filter(|b| *b > 1) {
        parts.push(format!(
            "Binning {b}x{b} on top of the present one would still leave {:.2} px per FWHM; a sensor with as many \
             pixels of that size would cover {} times the field.",
            f / f64::from(b),
            b * b
        ));
    }
    parts.retain(|p| !p.is_empty());
    parts.join(" ")
}

/// The cost on the side of the noise: present and best pixel, or why it cannot be told.
fn noise_sentence(s: &Sampling, scale: &Quantity) -> String {
    let (Some(now), Some(factor)) = (s.snr_efficiency.value, s.best_pixel_factor.value) else {
        return format!("The cost in signal-to-noise is not measurable, because {}.", s.snr_efficiency.why());
    };
    let size = match scale.value {
        Some(v) => format!("{:.2} arcsec, {factor:.2} times the present one", v * factor),
        None => format!("{factor:.2} times the present one"),
    };
    let best = match s.best_snr_efficiency.value {
        // The best pixel comes from an expansion that can be a trace off on coarse pixels.
        Some(best) => {
            format!("; the best pixel for this sky and sensor ({size}) would reach {:.0} %", 100.0 * best.max(now))
        }
        None => String::new(),
    };
    format!(
        "On a faint star these pixels reach {} of the signal-to-noise of a noiseless sensor with infinitely small \
         pixels{best}.",
        percent(&s.snr_efficiency)
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::Source;

    fn measured(value: f64, sigma: f64) -> Quantity {
        Quantity::measured(value, sigma, "test value", 20)
    }

    fn unknown() -> Quantity {
        Quantity::not_measurable("no frames for it")
    }

    fn judge(fwhm: &Quantity, colour: bool) -> Sampling {
        sampling(&SamplingInput {
            fwhm_px: fwhm,
            beta: &measured(3.0, 0.2),
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
    fn a_verdict_within_one_sigma_of_a_limit_says_so() {
        let near = judge(&measured(2.05, 0.08), false);
        assert!(near.sentence.contains("across the limit of 2 px, so marginal is possible"), "{}", near.sentence);
        let below = judge(&measured(1.95, 0.08), false);
        assert!(below.sentence.contains("so well-sampled is possible"), "{}", below.sentence);
        assert!(!judge(&measured(2.5, 0.08), false).sentence.contains("across"));
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
    fn colour_sensors_are_told_their_wider_lattice() {
        let s = judge(&measured(2.6, 0.05), true);
        assert!(s.detail.contains("green has 1.84") && s.detail.contains("blue 1.30"), "{}", s.detail);
        assert!(!judge(&measured(2.6, 0.05), false).detail.contains("mosaic"));
    }

    #[test]
    fn without_stars_the_verdict_is_undetermined_and_says_why() {
        let s = judge(&unknown(), false);
        assert_eq!(s.verdict, SamplingVerdict::Undetermined);
        assert!(s.sentence.contains("not measurable, because") && s.sentence.contains("no frames for it"));
        assert_eq!((s.px_per_fwhm.value, s.best_binning), (None, None));
        assert_eq!(judge(&measured(0.0, 0.1), false).verdict, SamplingVerdict::Undetermined);
    }

    #[test]
    fn without_noise_values_the_shape_still_counts() {
        let fwhm = measured(2.5, 0.1);
        let s = sampling(&SamplingInput {
            fwhm_px: &fwhm,
            beta: &unknown(),
            image_scale: &unknown(),
            sky_e_per_px_s: &measured(0.5, 0.1),
            dark_e_per_px_s: &unknown(),
            read_noise_e: &measured(3.0, 0.1),
            exposure_s: Some(60.0),
            colour: false,
        });
        assert_eq!(s.verdict, SamplingVerdict::WellSampled);
        assert_eq!(s.aliased_power_fraction.source, Source::Assumed);
        assert!(s.snr_efficiency.why().contains("dark current is not known"));
        assert!(s.detail.contains("not measurable, because the dark current"));
    }

    #[test]
    fn a_star_that_is_almost_a_point_is_under_sampled_without_costs() {
        let s = judge(&measured(0.2, 0.1), false);
        assert_eq!(s.verdict, SamplingVerdict::UnderSampled);
        assert_eq!(s.aliased_power_fraction.value, None);
    }
}
