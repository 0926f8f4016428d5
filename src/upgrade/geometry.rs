//! Image scale, sampling, field of view, and whether what was measured of the optics reaches over a new sensor.

use super::keys::Key;
use super::lacking::{Known, Lacking};
use super::options::{Choice, Kind, Options};
use super::pairing::present_pixel_um;
use super::read_options::Values;
use super::report_file::MeasuredReport;
use crate::facts::{Input, Missing};
use crate::report::Session;
use crate::verdict::SamplingVerdict;
use crate::verdict::sampling::verdict_of;
use crate::verdict::suited::field_of;

/// Radii that differ by less are one radius, mm: less than ten pixels.
const SAME_RADIUS_MM: f64 = 0.05;

/// What the new gear sees.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Geometry {
    pub scale_arcsec_per_px: Known<f64>,
    /// Measured FWHM before the pixel, in new pixels.
    pub px_per_fwhm: Known<f64>,
    pub field_arcmin: Known<[f64; 2]>,
    /// Whether the stated target lies inside the field, turned by a right angle if need be; none where no target is stated.
    pub target_fits: Option<Known<bool>>,
    pub coverage: Known<Coverage>,
}

/// How far the measured good radius and the measured illumination reach over the new sensor.
#[derive(Debug, Clone, PartialEq)]
pub struct Coverage {
    /// Distance of the corners from the centre, mm.
    pub corner_mm: f64,
    pub stars: GoodStars,
    /// `None` without flats of the filter.
    pub light: Option<Illumination>,
}

/// How far from the centre stars are good.
#[derive(Debug, Clone, PartialEq)]
pub enum GoodStars {
    NotKnown(Missing),
    ToTheCorners,
    /// To the corners of the present sensor, short of the new ones.
    AsFarAsSeen {
        good_mm: f64,
    },
    Only {
        good_mm: f64,
    },
}

/// Light at the corners of the flats over that at their centre.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Illumination {
    pub share: f64,
    /// Distance of those corners from the centre, mm.
    pub at_mm: f64,
    pub new_corners: NewCorners,
}

/// Where the new corners lie from those of the flats.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NewCorners {
    Beyond,
    There,
    Within,
}

impl Geometry {
    pub(crate) fn of(report: &MeasuredReport, session: &Session, options: &Options, choice: &Choice) -> Self {
        let scale = scale(session, &options.present, choice);
        let fwhm = &session.fwhm_arcsec;
        let fwhm = fwhm.value.ok_or_else(|| Lacking::StarWidth(fwhm.because()));
        let size = match choice.kind {
            Kind::Camera => choice.size_px(),
            _ => report.size_px(session).ok_or(Lacking::FrameSize),
        };
        let field = scale.clone().and_then(|s| Ok(size.clone()?.map(|side| field_of(side, s))));
        let target_fits = options.conditions.target_arcmin().map(|target| {
            let [[a, b], [c, d]] = [field.clone()?, target].map(|[x, y]| [x.max(y), x.min(y)]);
            Ok(c <= a && d <= b)
        });
        let coverage = match choice.kind {
            Kind::Camera => coverage(report, session, &options.present, choice),
            Kind::Cooler => Err(Lacking::SameSensorAndOptics),
            Kind::Optics => Err(Lacking::OtherCorrection),
        };
        Self {
            px_per_fwhm: scale.clone().and_then(|s| Ok(fwhm? / s)),
            scale_arcsec_per_px: scale,
            field_arcmin: field,
            target_fits,
            coverage,
        }
    }

    /// Sampling with the new pixels.
    pub(crate) fn sampling(&self) -> Known<SamplingVerdict> {
        self.px_per_fwhm.as_ref().map(|f| verdict_of(*f)).map_err(Clone::clone)
    }
}

fn scale(session: &Session, present: &Values, choice: &Choice) -> Known<f64> {
    let now = &session.image_scale_arcsec_per_px;
    let now = now.value.ok_or_else(|| Missing::input(Input::ImageScale, now.because()))?;
    match choice.kind {
        Kind::Camera => {
            let new = choice.values.needed(Key::PixelUm)?;
            Ok(now * new.value / present_pixel_um(present, session)?)
        }
        Kind::Cooler => Ok(now),
        Kind::Optics => Ok(now / choice.values.needed(Key::FocalFactor)?.value),
    }
}

fn coverage(report: &MeasuredReport, session: &Session, present: &Values, camera: &Choice) -> Known<Coverage> {
    let pixel = camera.values.needed(Key::PixelUm)?.value;
    let [width, height] = camera.size_px()?;
    let corner_mm = 0.5e-3 * pixel * width.hypot(height);
    let field = &session.field;
    let stars = match field.corrected_radius_mm.value {
        None => GoodStars::NotKnown(field.corrected_radius_mm.because()),
        Some(good_mm) if good_mm >= corner_mm => GoodStars::ToTheCorners,
        Some(good_mm) if field.corrected_to_the_corner == Some(true) => GoodStars::AsFarAsSeen { good_mm },
        Some(good_mm) => GoodStars::Only { good_mm },
    };
    let filter = &session.settings.filter;
    let flats = report.sensor_of(session).and_then(|s| s.result.vignetting.iter().find(|v| v.filter == *filter));
    let light = match flats.and_then(|v| Some((v.corner_illumination.value?, v))) {
        None => None,
        Some((share, v)) => {
            let at_mm = 1e-3 * v.half_diagonal_px * present_pixel_um(present, session)?;
            let new_corners = match corner_mm - at_mm {
                beyond if beyond > SAME_RADIUS_MM => NewCorners::Beyond,
                within if within < -SAME_RADIUS_MM => NewCorners::Within,
                _ => NewCorners::There,
            };
            Some(Illumination { share, at_mm, new_corners })
        }
    };
    Ok(Coverage { corner_mm, stars, light })
}
