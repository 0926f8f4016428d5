//! What a DNG's directories say of the camera and the exposure.

use super::directory::{Directory, Field};
use crate::facts::dng_tags as tags;

/// Pixel pitches (µm) that a sensor may have; what a file gives outside of them is not believed.
const PLAUSIBLE_PIXEL_UM: std::ops::RangeInclusive<f64> = 0.5..=50.0;

/// The camera and the exposure, as far as the file tells.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Capture {
    /// Exposure time, s.
    pub exposure_s: Option<f64>,
    /// ISO speed as set.
    pub iso: Option<f64>,
    /// When the exposure was taken, by the camera's clock: "YYYY:MM:DD HH:MM:SS".
    pub date_time_original: Option<String>,
    /// Decimal digits of the second that belong to it, such as "25" for 0.25 s.
    pub sub_sec_time_original: Option<String>,
    /// The camera clock's offset from UTC, such as "+01:00".
    pub offset_time_original: Option<String>,
    /// UniqueCameraModel, or else maker and model.
    pub camera: Option<String>,
    /// Focal length of the lens as the camera knows it, mm.
    pub focal_mm: Option<f64>,
    /// Focal ratio of the lens as the camera knows it.
    pub f_number: Option<f64>,
    /// Exif's AmbientTemperature, °C: by the standard the air's around the camera, not the sensor's.
    pub ambient_c: Option<f64>,
    /// Pixel pitch across, µm, from FocalPlaneXResolution; where that describes a resized preview, so does this.
    pub pixel_um: Option<f64>,
}

/// Reads [`Capture`] from the directories that may hold it, the Exif directory first.
pub(crate) fn capture(first: &Directory, exif: Option<&Directory>) -> Capture {
    let field = |tag| exif.and_then(|exif| exif.field(tag)).or_else(|| first.field(tag));
    let text = |tag| field(tag).as_ref().and_then(Field::text);
    let positive = |tag| field(tag).and_then(|field| field.number(0)).filter(|&value| value > 0.0);
    Capture {
        exposure_s: positive(tags::EXPOSURE_TIME),
        iso: iso(&positive),
        date_time_original: text(tags::DATE_TIME_ORIGINAL).filter(|date| is_date(date)),
        sub_sec_time_original: text(tags::SUB_SEC_TIME_ORIGINAL),
        offset_time_original: text(tags::OFFSET_TIME_ORIGINAL),
        camera: camera(first),
        focal_mm: positive(tags::FOCAL_LENGTH),
        f_number: positive(tags::F_NUMBER),
        ambient_c: field(tags::AMBIENT_TEMPERATURE)
            .and_then(|field| field.number(0))
            .filter(|c| (-100.0..=100.0).contains(c)),
        pixel_um: pixel_um(&positive),
    }
}

/// The ISO speed. The classic tag ends at 65535, which stands for "more": the Exif 2.3 tags then hold the number.
fn iso(positive: &impl Fn(u16) -> Option<f64>) -> Option<f64> {
    let classic = positive(tags::ISO_SPEED_RATINGS);
    let newer = || positive(tags::RECOMMENDED_EXPOSURE_INDEX).or_else(|| positive(tags::ISO_SPEED));
    match classic {
        Some(value) if value < 65535.0 => Some(value),
        _ => newer().or(classic),
    }
}

/// Whether a text is of Exif's form "YYYY:MM:DD HH:MM:SS" with digits throughout and not all zero.
fn is_date(text: &str) -> bool {
    let pattern = b"0000:00:00 00:00:00";
    text.len() == pattern.len()
        && text != "0000:00:00 00:00:00"
        && text
            .bytes()
            .zip(pattern)
            .all(|(byte, want)| if *want == b'0' { byte.is_ascii_digit() } else { byte == *want })
}

/// UniqueCameraModel, or maker and model where that is missing; the maker is not put before a model that starts with it.
fn camera(first: &Directory) -> Option<String> {
    let text = |tag| first.field(tag).as_ref().and_then(Field::text);
    text(tags::UNIQUE_CAMERA_MODEL).or_else(|| match (text(tags::MAKE), text(tags::MODEL)) {
        (Some(make), Some(model)) if !model.starts_with(&make) => Some(format!("{make} {model}")),
        (make, model) => model.or(make),
    })
}

/// The pixel pitch (µm) by the focal plane's pixels per unit: inch (2, the default), cm, mm or µm.
fn pixel_um(positive: &impl Fn(u16) -> Option<f64>) -> Option<f64> {
    let unit_um = match positive(tags::FOCAL_PLANE_RESOLUTION_UNIT).unwrap_or(2.0) as u32 {
        2 => 25_400.0,
        3 => 10_000.0,
        4 => 1_000.0,
        5 => 1.0,
        _ => return None,
    };
    positive(tags::FOCAL_PLANE_X_RESOLUTION)
        .map(|per_unit| unit_um / per_unit)
        .filter(|um| PLAUSIBLE_PIXEL_UM.contains(um))
}
