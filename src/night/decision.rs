//! What a session's measurements say to a decision: gear that would suit its stars, what makes them wide, where they
//! saturate, and cooling over a year.

use crate::facts::verdict::VerdictMissing;
use crate::facts::{Method, Quantity};
use crate::folder::{Carded, Rig};
use crate::report::{WithSentence, words};
use crate::sensor::SensorResult;
use crate::sky::StarMatch;
use crate::stars::StarFlag;
use crate::stars::field::FieldResult;
use crate::verdict::{
    CooledYear, CoolingInput, CoolingPlan, KnownImage, LightStars, Saturation, SaturationInput, SubLength,
    SubLengthInput, Suited, SuitedInput, WidthBudget, WidthInput, cooled_year, saturation, sub_length, suited,
    width_budget,
};

use super::intake::Read;
use super::lights::MeasuredLight;

/// What is measured of a session.
#[derive(Clone, Copy)]
pub struct Measured<'a> {
    pub used: &'a [&'a MeasuredLight],
    /// Any light: what all have in common.
    pub light: &'a Read,
    pub fwhm_px: &'a Quantity,
    pub recorded_fwhm_px: &'a Quantity,
    pub beta: &'a Quantity,
    pub image: KnownImage<'a>,
    pub image_scale: &'a Quantity,
    pub star_match: &'a StarMatch,
    pub field: &'a FieldResult,
    pub airmass: Option<f64>,
    pub sensor: &'a SensorResult,
    pub cooling: &'a CoolingInput<'a>,
    /// Exposure at which read noise adds 5 % to the noise of sky and dark current, s.
    pub for_5_percent_read_s: &'a Quantity,
    pub rig: &'a Rig,
}

/// What follows for the user's choices.
pub struct Decision {
    pub suited: Vec<Suited>,
    pub width_budget: WidthBudget,
    pub saturation: Saturation,
    pub sub_length: SubLength,
    pub cooling_year: Option<WithSentence<CooledYear>>,
}

/// Gathers what each needs.
pub fn decision(m: &Measured) -> Decision {
    let header = &m.light.header;
    let pixel_um = match (header.recorded_pixel_um(), &header.pixel_um) {
        (Some(pitch), Some(card)) => Quantity { value: Some(pitch), ..carded(card) },
        _ => Quantity::not_measurable(VerdictMissing::NoRecordedPixelSize),
    };
    let stated = or_missing(header.focal_mm.as_ref(), VerdictMissing::NoStatedFocalLength);
    let from_stars = &m.star_match.focal_length_mm;
    let aperture_mm = or_missing(header.aperture_mm.as_ref(), VerdictMissing::NoAperture);
    let lights: Vec<LightStars> = m.used.iter().map(|light| stars_of(light)).collect();
    let saturation = saturation(&SaturationInput {
        lights: &lights,
        exposure_s: m.cooling.exposure_s,
        saturation_adu: &m.sensor.saturation_adu,
        bias_adu: &m.sensor.bias_level_adu,
        fwhm_px: m.fwhm_px,
        beta: m.beta,
        image: m.image,
    });
    Decision {
        suited: suited(&SuitedInput {
            fwhm_px: m.fwhm_px,
            image_scale: m.image_scale,
            pixel_um: &pixel_um,
            focal_mm: if from_stars.is_known() { from_stars } else { &stated },
            size_px: [m.light.geometry.width, m.light.geometry.height],
        }),
        width_budget: width_budget(&WidthInput {
            fwhm_px: m.fwhm_px,
            recorded_fwhm_px: m.recorded_fwhm_px,
            image_scale: m.image_scale,
            shared_ellipticity: &m.field.constant_ellipticity,
            corner_fwhm_ratio: &m.field.corner_fwhm_ratio,
            aperture_mm: &aperture_mm,
            image: match m.image {
                KnownImage::Whole(image) => Some(image),
                KnownImage::Exponent | KnownImage::NoModel => None,
            },
            airmass: m.airmass,
        }),
        sub_length: sub_length(&SubLengthInput {
            exposure_s: m.cooling.exposure_s,
            for_5_percent_read_s: m.for_5_percent_read_s,
            for_tenth_clipped_s: &saturation.exposure_for_tenth_clipped_s,
            shared_ellipticity: &m.field.constant_ellipticity,
        }),
        saturation,
        cooling_year: cooled_year(m.cooling, &plan(m.rig)).map(words::cooling::year),
    }
}

fn stars_of(light: &MeasuredLight) -> LightStars {
    let stars = &light.stars;
    LightStars {
        peaks_adu: stars.stars.iter().map(|s| [s.fit.peak_adu, s.fit.background_adu]).collect(),
        clipped: stars.flags.get(&StarFlag::Saturated).copied().unwrap_or(0),
        stars: stars.star_count,
    }
}

fn plan(rig: &Rig) -> CoolingPlan {
    CoolingPlan {
        air: rig.ambient.clone(),
        cooler_drop_c: rig.cooler_drop_c,
        lowest_celsius: rig.cooler_lowest_celsius,
        sensor_above_air_c: rig.sensor_above_ambient_c,
        warm_night_celsius: rig.warm_night_celsius,
    }
}

fn or_missing(card: Option<&Carded<f64>>, because: VerdictMissing) -> Quantity {
    card.map_or_else(|| Quantity::not_measurable(because), carded)
}

fn carded(card: &Carded<f64>) -> Quantity {
    Quantity::with(card.source(), card.value, None, Method::Carded { origin: card.card.clone() }, 1)
}
