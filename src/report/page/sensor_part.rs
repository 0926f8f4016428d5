//! One sensor as the page tells it: words, tables and figures.

use serde::Serialize;

use super::over_field::vignetting_words;
use super::setting::{Line, line, set};
use crate::facts::{Method, Quantity};
use crate::report::model::SensorEntry;
use crate::report::plots::{self, Figure, PlotError};
use crate::report::words::numbers::{plain, quantity, typographic};
use crate::report::words::origins;
use crate::report::words::percent;
use crate::report::words::sensor::dark as dark_words;

/// One sensor.
#[derive(Debug, Serialize)]
pub struct SensorPart {
    pub heading: String,
    pub intro: String,
    pub lines: Vec<Line>,
    pub transfer: Option<Figure>,
    /// What the flats' variance has beside that curve.
    pub residuals: Option<Figure>,
    pub vignetting: Vec<String>,
    pub dark: Option<Figure>,
    pub pixels: Option<Figure>,
    pub dark_method: String,
    pub points: Vec<[String; 4]>,
}

/// Writes one sensor.
///
/// # Errors
///
/// A chart could not be drawn.
pub(crate) fn sensor_part(s: &SensorEntry) -> Result<SensorPart, PlotError> {
    let r = &s.result;
    let mut heading = vec![s.settings.camera.clone().unwrap_or_else(|| "Camera not named".to_owned())];
    heading.extend(s.settings.gain_setting.as_ref().map(|g| format!("gain setting {g}")));
    heading.extend(s.settings.offset_setting.as_ref().map(|o| format!("offset {o}")));
    heading.extend(s.settings.readout_mode.clone());
    heading.push(format!("binning {}×{}", s.settings.binning[0], s.settings.binning[1]));
    let n = r.frames;
    let mut intro = format!("From {} bias, {} dark and {} flat frames.", n.bias, n.dark, n.flat);
    if let Some(step) = r.adu_step {
        intro += &format!(" Codes come in steps of {step} ADU.");
    }
    let dark = &r.dark_current;
    if let Some(at) = dark.reference_celsius {
        intro += &format!(" Dark current is stated at {at:.1} °C");
        intro += &match dark.range_celsius {
            Some([a, b]) if b - a >= 0.05 => format!(", measured from {a:.1} to {b:.1} °C."),
            _ => ".".to_owned(),
        };
    }
    if let (Some(t), Some(at)) = (r.hot_pixel_fraction.threshold_e_per_s, r.hot_pixel_fraction.at_celsius) {
        intro += &format!(" A pixel is called hot above {} e⁻/s at {at:.1} °C.", plain(t));
    }
    if let Some(glow) = &dark.glow {
        intro += &format!(
            " {} of the frame glows with light from the camera's own electronics, most at column {:.0}, row {:.0} \
             ({}; {} ADU above the rest after {} s): {}. It is left out of the dark rates.",
            percent(&Quantity::measured(glow.area_fraction, 0.0, Method::InSentence, 0)),
            glow.x_px,
            glow.y_px,
            dark_words::place(&glow.place),
            plain(glow.excess_adu),
            plain(glow.exposure_s),
            dark_words::behaviour(&glow.behaviour)
        );
    }
    let points = dark.points.iter().map(|p| {
        let cells = [
            format!("{:.1}", p.celsius),
            plain(p.exposure_s),
            quantity(&p.rate_e_per_px_s),
            quantity(&p.variance_rate_e_per_px_s),
        ];
        cells.map(|t| typographic(&t))
    });
    Ok(SensorPart {
        heading: heading.join(", "),
        intro: typographic(&intro),
        lines: origins::of_sensor(s).into_iter().map(line).collect(),
        transfer: plots::photon_transfer(s)?.map(set),
        residuals: plots::transfer_residuals(s)?.map(set),
        vignetting: r.vignetting.iter().map(vignetting_words).collect(),
        dark: plots::dark_current(s)?.map(set),
        pixels: plots::pixel_rates(s)?.map(set),
        dark_method: typographic(&dark_words::rates(&dark.method)),
        points: points.collect(),
    })
}
