//! Sampling in words: the verdict of a session, its costs to either side, the answer.

use std::f64::consts::SQRT_2;

use super::quantity::{InWords, missing};
use super::reply::{FindingWords, Measured, by_grade_words};
use super::{Worded, percent};
use crate::facts::{Input, Missing, Quantity, Source};
use crate::format::capped;
use crate::verdict::sampling::straddled;
use crate::verdict::seeing::{QUOTED_WAVELENGTH_NM, airmass_factor, diffraction_fwhm_arcsec};
use crate::verdict::suited::{BesideBand, COMMON_BAND_ARCSEC_PER_PX, beside_common_band};
use crate::verdict::{Judged, Sampling, SamplingVerdict, SessionFindings};

/// Digits of a star width in a reply.
const WIDTH_DIGITS: i32 = 4;

/// The sampling of a session with its sentence and detail; `scale` is the image scale, arcsec/px.
pub(crate) fn worded(sampling: Sampling, scale: &Quantity) -> Worded<Sampling> {
    Worded { sentence: sentence(&sampling), detail: detail(&sampling, scale), facts: sampling }
}

/// The verdict with its one-sigma caution.
fn sentence(s: &Sampling) -> String {
    let Some((f, sigma)) = s.px_per_fwhm.pair() else {
        return format!("The sampling is not measurable, because {}.", s.px_per_fwhm.why());
    };
    let width = s.px_per_fwhm.text("px");
    let mut parts = vec![format!("A star is {width} wide (FWHM before the pixel), which is {}.", s.verdict.word())];
    parts.extend(straddled(f, sigma).map(|(limit, other)| {
        format!(
            "One standard uncertainty reaches across the limit of {limit} px, so {} is possible as well.",
            other.word()
        )
    }));
    parts.join(" ")
}

/// The costs to either side; empty where the star image is not known.
fn detail(s: &Sampling, scale: &Quantity) -> String {
    let Some(f) = s.px_per_fwhm.value else { return String::new() };
    let mut parts = Vec::new();
    if s.aliased_power_fraction.is_known() && s.resolution_lost_fraction.is_known() {
        parts.push(format!(
            "The pixel widens a recorded star by {}; {} of the image's power is finer than the pixel grid can hold \
             and is aliased.",
            percent(&s.resolution_lost_fraction),
            percent(&s.aliased_power_fraction)
        ));
    }
    parts.push(noise_sentence(s, scale));
    parts.push(common_band(scale));
    if s.colour {
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

/// Where a scale stands beside the band of common practice; an empty text where the scale is unknown.
fn common_band(scale: &Quantity) -> String {
    let [low, high] = COMMON_BAND_ARCSEC_PER_PX;
    let Some(s) = scale.value else { return String::new() };
    let place = match beside_common_band(s) {
        BesideBand::Below => "below",
        BesideBand::Within => "within",
        BesideBand::Above => "above",
    };
    let rests = if scale.source == Source::Measured { "" } else { " (as stated)" };
    format!(
        "{s:.2} arcsec/px{rests} lies {place} the {low} to {high} arcsec/px of common practice, a rule without a source that \
         knows neither this seeing nor this sky."
    )
}

/// The answer of one session.
pub(crate) fn finding(s: &SessionFindings, judged: &Judged<SamplingVerdict>) -> FindingWords {
    let (opening, remark) = match judged.verdict {
        SamplingVerdict::UnderSampled => ("No, they are too coarse", ""),
        SamplingVerdict::Marginal => ("Almost", "; 2 px would hold all its detail"),
        SamplingVerdict::WellSampled => ("Yes", ", enough to hold all its detail"),
        SamplingVerdict::OverSampled => ("They are finer than the stars need", "; 2 px would do"),
        SamplingVerdict::Undetermined => ("Not measurable", ""),
    };
    let width =
        judged.key.pair().map_or_else(String::new, |(f, sigma)| format!("{} px", capped(f, sigma, WIDTH_DIGITS)));
    FindingWords {
        opening,
        statement: format!("a star is {width} wide before the pixel blurs it (FWHM){remark}"),
        shown: width,
        caution: judged.near.map_or_else(String::new, |near| {
            format!("Within its error the width may also lie beyond the limit of {} px.", near.limit)
        }),
        detail: format!("{} {}", detail(s.sampling, s.image_scale), on_the_sky(s)).trim().to_owned(),
    }
}

/// Two sessions or more that are measured.
pub(crate) fn compared(known: &[&Measured<SamplingVerdict>]) -> String {
    by_grade_words(known, "stars are", "wide before the pixel blurs them (FWHM)")
}

/// The width on the sky beside its two limits; why not, when the scale is unknown.
fn on_the_sky(s: &SessionFindings) -> String {
    let Some(width) = s.fwhm_arcsec.value else {
        let because = s.image_scale.missing.clone().or_else(|| s.fwhm_arcsec.missing.clone());
        let because = because.unwrap_or_else(|| Missing::input(Input::ImageScale, Missing::Unstated));
        return format!("The width on the sky is not measurable, because {}.", missing(&because));
    };
    let mut text =
        format!("On the sky a star is {} wide, at {}", s.fwhm_arcsec.text("arcsec"), s.image_scale.text("arcsec/px"));
    if let Some(airmass) = s.airmass.filter(|x| *x >= 1.0) {
        let zenith = s.fwhm_arcsec.scaled(airmass_factor(airmass).recip()).text("arcsec");
        text.push_str(&format!("; were it all seeing, {zenith} at the zenith (airmass {airmass:.2})"));
    }
    text.push('.');
    if let Some(aperture) = s.aperture_mm.filter(|a| *a > 0.0) {
        let limit = diffraction_fwhm_arcsec(aperture, QUOTED_WAVELENGTH_NM);
        let caution = if width < limit { ", which no star image can undercut: check the image scale" } else { "" };
        text.push_str(&format!(
            " Diffraction alone gives {limit:.2} arcsec for a clear aperture of {aperture:.0} mm at \
             {QUOTED_WAVELENGTH_NM:.0} nm{caution}."
        ));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::Method;
    use crate::verdict::{KnownImage, SamplingInput, sampling};

    fn measured(value: f64, sigma: f64) -> Quantity {
        Quantity::measured(value, sigma, Method::NotMeasurable, 20)
    }

    fn judge(fwhm: &Quantity, dark: &Quantity, colour: bool) -> Worded<Sampling> {
        let scale = measured(1.5, 0.0);
        let sampling = sampling(&SamplingInput {
            fwhm_px: fwhm,
            beta: &measured(3.0, 0.2),
            image: KnownImage::Exponent,
            image_scale: &scale,
            sky_e_per_px_s: &measured(0.5, 0.02),
            dark_e_per_px_s: dark,
            read_noise_e: &measured(3.0, 0.1),
            exposure_s: Some(120.0),
            colour,
        });
        worded(sampling, &scale)
    }

    #[test]
    fn a_verdict_within_one_sigma_of_a_limit_says_so() {
        let of = |fwhm| judge(&measured(fwhm, 0.08), &measured(0.02, 0.005), false).sentence;
        assert!(of(2.05).contains("across the limit of 2 px, so marginal is possible"), "{}", of(2.05));
        assert!(of(1.95).contains("so well-sampled is possible"), "{}", of(1.95));
        assert!(!of(2.5).contains("across"));
    }

    #[test]
    fn colour_sensors_are_told_their_wider_lattice() {
        let of = |colour| judge(&measured(2.6, 0.05), &measured(0.02, 0.005), colour).detail;
        assert!(of(true).contains("green has 1.84") && of(true).contains("blue 1.30"), "{}", of(true));
        assert!(!of(false).contains("mosaic"));
    }

    #[test]
    fn what_is_missing_is_said_with_its_reason() {
        let unknown = Quantity::not_measurable(Missing::ExposureTime);
        let none = judge(&unknown, &unknown, false);
        let because = "because the star image is not known: the exposure time is not known";
        assert!(none.sentence.contains(because) && none.detail.is_empty(), "{}", none.sentence);
        let without_noise = judge(&measured(2.5, 0.1), &unknown, false);
        assert!(without_noise.detail.contains("not measurable, because the dark current is not known"));
    }

    #[test]
    fn the_band_of_common_practice_is_marked_so() {
        for (scale, word) in [(0.8, "below"), (1.0, "within"), (2.0, "within"), (2.1, "above")] {
            let told = common_band(&Quantity::header(scale, "FOCALLEN"));
            assert!(told.contains(word) && told.contains("common practice"), "{told}");
        }
        assert_eq!(common_band(&Quantity::not_measurable(Missing::Unstated)), "");
    }
}
