//! Image scale, sampling, field of view, and whether what was measured of the optics reaches over a new sensor.

use super::measured::{MeasuredReport, MeasuredSession};
use super::options::{Choice, Kind, Options};
use super::pairing::present_pixel_um;
use crate::report::InWords;
use crate::verdict::sampling::verdict_of;
use crate::verdict::suited::field_of;

/// Radii that differ by less are one radius, mm: less than ten pixels.
const SAME_RADIUS_MM: f64 = 0.05;

/// A number, or the reason why there is none.
pub type Told<T> = Result<T, String>;

/// What the new gear sees.
#[derive(Debug, Clone, PartialEq)]
pub struct Geometry {
    pub scale_arcsec_per_px: Told<f64>,
    /// Measured FWHM before the pixel, in new pixels.
    pub px_per_fwhm: Told<f64>,
    pub field_arcmin: Told<[f64; 2]>,
    /// Whether the stated target lies inside the field, turned by a right angle if need be; none where no target is stated.
    pub target_fits: Option<Told<bool>>,
    /// How far the measured good radius and the measured illumination reach over the sensor, in words.
    pub coverage: Told<[String; 2]>,
}

impl Geometry {
    pub fn of(report: &MeasuredReport, session: &MeasuredSession, options: &Options, choice: &Choice) -> Self {
        let scale = scale(session, options, choice);
        let fwhm = session.fwhm_arcsec.value.ok_or_else(|| format!("the star width: {}", session.fwhm_arcsec.why()));
        let size = size_px(report, session, choice);
        let field = scale.clone().and_then(|s| Ok(size.clone()?.map(|side| field_of(side, s))));
        let target_fits = options.conditions.target_arcmin.map(|target| {
            let [[a, b], [c, d]] = [field.clone()?, target].map(|[x, y]| [x.max(y), x.min(y)]);
            Ok(c <= a && d <= b)
        });
        Self {
            px_per_fwhm: scale.clone().and_then(|s| Ok(fwhm? / s)),
            scale_arcsec_per_px: scale,
            field_arcmin: field,
            target_fits,
            coverage: coverage(report, session, options, choice, size),
        }
    }

    /// Sampling with the new pixels, in the words of the report.
    pub fn sampling(&self) -> Told<&'static str> {
        self.px_per_fwhm.as_ref().map(|f| verdict_of(*f).word()).map_err(Clone::clone)
    }
}

fn scale(session: &MeasuredSession, options: &Options, choice: &Choice) -> Told<f64> {
    let now = &session.image_scale_arcsec_per_px;
    let now = now.value.ok_or_else(|| format!("the image scale is not known: {}", now.why()))?;
    match &choice.kind {
        Kind::Camera(camera) => {
            let new = camera.sensor.pixel_um.ok_or("the option's `pixel_um` is not stated")?;
            Ok(now * new.value / present_pixel_um(options, session)?)
        }
        Kind::Cooler => Ok(now),
        Kind::Optics { focal_factor, .. } => {
            Ok(now / focal_factor.ok_or("the option's `focal_factor` is not stated")?.value)
        }
    }
}

fn size_px(report: &MeasuredReport, session: &MeasuredSession, choice: &Choice) -> Told<[f64; 2]> {
    match &choice.kind {
        Kind::Camera(camera) => {
            camera.size_px.ok_or_else(|| "the option's `width_px` and `height_px` are not stated".to_owned())
        }
        _ => report.size_px(session).ok_or_else(|| "the report does not tell the size of its frames".to_owned()),
    }
}

fn coverage(
    report: &MeasuredReport,
    session: &MeasuredSession,
    options: &Options,
    choice: &Choice,
    size: Told<[f64; 2]>,
) -> Told<[String; 2]> {
    let Kind::Camera(camera) = &choice.kind else {
        return match choice.kind {
            Kind::Cooler => Err("the sensor and its optics stay as they are".to_owned()),
            _ => Err("other optics have a correction of their own, which these frames do not show".to_owned()),
        };
    };
    let pixel = camera.sensor.pixel_um.ok_or("the option's `pixel_um` is not stated")?.value;
    let [width, height] = size?;
    let corner_mm = 0.5e-3 * pixel * width.hypot(height);
    let field = &session.field;
    let good = match field.corrected_radius_mm.value {
        None => format!("good stars: not known ({})", field.corrected_radius_mm.why()),
        Some(good) if good >= corner_mm => format!("stars are good to its corners at {corner_mm:.1} mm"),
        Some(good) if field.corrected_to_the_corner == Some(true) => {
            format!("stars were good as far as seen, {good:.1} mm; its corners at {corner_mm:.1} mm are extrapolation")
        }
        Some(good) => format!("stars are good to {good:.1} mm only, its corners lie at {corner_mm:.1} mm"),
    };
    let filter = &session.settings.filter;
    let flats = report.sensor_of(session).and_then(|s| s.vignetting.iter().find(|v| v.filter == *filter));
    let light = match flats.and_then(|v| Some((v.corner_illumination.value?, v))) {
        None => "not known; flats of this filter would show it".to_owned(),
        Some((share, v)) => {
            let flat_mm = 1e-3 * v.half_diagonal_px * present_pixel_um(options, session)?;
            let more = match corner_mm - flat_mm {
                beyond if beyond > SAME_RADIUS_MM => "; further out nothing is known",
                within if within < -SAME_RADIUS_MM => ", which is beyond its corners",
                _ => ", where its corners lie",
            };
            format!("{:.0} % of that at the centre at {flat_mm:.1} mm{more}", 100.0 * share)
        }
    };
    Ok([good, light])
}
