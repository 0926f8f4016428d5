//! One file that was found: what became of it, and what was measured of it.

use std::collections::BTreeMap;

use jiff::civil::DateTime;
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize};

use super::files::star_rows::StarRow;
use super::words::left_out::left_out;
use crate::facts::{FrameKind, KindSource, LeftOut, Quantity};

/// What became of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum FrameStatus {
    /// Its measurements went into the results.
    Used,
    /// Read, but left out; `reason` says why.
    Excluded,
    /// Could not be read; `reason` says why.
    Unreadable,
}

impl FrameStatus {
    /// The word that reports use.
    pub fn label(self) -> &'static str {
        match self {
            Self::Used => "used",
            Self::Excluded => "excluded",
            Self::Unreadable => "unreadable",
        }
    }
}

/// One file; its keys in the report's files are the columns of `files::frame_columns`.
#[derive(Debug, Clone, PartialEq, Deserialize, JsonSchema)]
pub struct FrameRow {
    /// Path relative to the folder given; bytes that are not UTF-8 are replaced.
    pub path: String,
    /// What the frame is.
    pub kind: FrameKind,
    /// What told the kind: a header card, or the pixels.
    #[serde(deserialize_with = "kind_source_as_told")]
    #[schemars(with = "String")]
    pub kind_source: KindSource,
    /// What became of it.
    pub status: FrameStatus,
    /// Why it is not used.
    #[serde(flatten, deserialize_with = "left_out_as_told")]
    #[schemars(with = "LeftOutAsTold")]
    pub left_out: Option<LeftOut>,
    /// Date of the evening at the site.
    pub night: Option<String>,
    /// Its session.
    pub session_id: Option<String>,
    /// Its sensor.
    pub sensor_id: Option<String>,
    /// Exposure time.
    #[schemars(extend("unit" = "s"))]
    pub exposure_s: Option<f64>,
    /// Sensor temperature in the header.
    #[schemars(extend("unit" = "°C"))]
    pub sensor_celsius: Option<f64>,
    /// Name of the filter in the header.
    pub filter: Option<String>,
    /// Name of the camera in the header.
    pub camera: Option<String>,
    /// Columns.
    #[schemars(extend("unit" = "px"))]
    pub width: Option<usize>,
    /// Rows.
    #[schemars(extend("unit" = "px"))]
    pub height: Option<usize>,
    /// Median of all pixels.
    #[schemars(extend("unit" = "ADU"))]
    pub level_adu: Option<f64>,
    /// Sky above bias.
    #[schemars(extend("unit" = "ADU"))]
    pub sky_adu: Option<f64>,
    /// Scatter of the sky from pixel to pixel.
    #[schemars(extend("unit" = "ADU"))]
    pub sky_sigma_adu: Option<f64>,
    /// Noise of the sky over that which its level makes, by this frame alone.
    #[schemars(extend("unit" = "1"))]
    pub noise_ratio: Option<Quantity>,
    /// Stars detected.
    #[schemars(extend("unit" = "stars"))]
    pub star_count: Option<usize>,
    /// Stars whose fit counts.
    #[schemars(extend("unit" = "stars"))]
    pub fitted_stars: Option<usize>,
    /// Full width at half maximum before the pixel, geometric mean of both axes, median over the stars.
    #[schemars(extend("unit" = "px"))]
    pub fwhm_px: Option<Quantity>,
    /// Of a colour cube: the width in each plane; empty for a frame of one plane.
    #[schemars(extend("unit" = "px"))]
    pub plane_fwhm_px: Vec<Quantity>,
    /// Width before the pixel along the shorter axis.
    #[schemars(extend("unit" = "px"))]
    pub minor_fwhm_px: Option<Quantity>,
    /// Width as recorded.
    #[schemars(extend("unit" = "px"))]
    pub recorded_fwhm_px: Option<Quantity>,
    /// 1 - minor axis / major axis.
    #[schemars(extend("unit" = "1"))]
    pub ellipticity: Option<Quantity>,
    /// Direction of the long axis, from +x towards +y of the file.
    #[schemars(extend("unit" = "degrees"))]
    pub position_angle_deg: Option<Quantity>,
    /// Of a trailed frame: the line that its stars are drawn out over.
    #[schemars(extend("unit" = "px"))]
    pub trail_length_px: Option<Quantity>,
    /// Exponent of the Moffat profile.
    #[schemars(extend("unit" = "1"))]
    pub moffat_beta: Option<Quantity>,
    /// Correlation of the sky noise of neighbouring pixels of one colour along rows; that of light is 0 in raw frames.
    #[schemars(extend("unit" = "1"))]
    pub noise_correlation_x: Option<Quantity>,
    /// The same along columns.
    #[schemars(extend("unit" = "1"))]
    pub noise_correlation_y: Option<Quantity>,
    /// Peaks that each reason kept out of the fits.
    #[schemars(extend("unit" = "stars"))]
    pub star_flags: BTreeMap<String, usize>,
    /// Stars with a clipped core.
    #[schemars(extend("unit" = "stars"))]
    pub saturated_count: Option<usize>,
    /// Sky above bias and dark current.
    #[schemars(extend("unit" = "e-/px/s"))]
    pub sky_e_per_px_s: Option<Quantity>,
    /// Light of its stars over that of the same stars in the frame of median transparency of its session.
    #[schemars(extend("unit" = "1"))]
    pub transparency: Option<Quantity>,
    /// Its fitted stars, brightest first; in a file of their own where they are asked for.
    #[serde(skip)]
    pub stars: Vec<StarRow>,
    /// Start of the exposure, ISO 8601, UTC.
    #[serde(deserialize_with = "utc")]
    #[schemars(with = "Option<String>")]
    pub start_utc: Option<DateTime>,
}

impl FrameRow {
    /// A row for a file of which nothing is known yet but its path and kind.
    pub fn bare(path: impl Into<String>, kind: FrameKind, status: FrameStatus) -> Self {
        Self {
            path: path.into(),
            kind,
            kind_source: KindSource::Nothing,
            status,
            left_out: None,
            night: None,
            session_id: None,
            sensor_id: None,
            exposure_s: None,
            sensor_celsius: None,
            filter: None,
            camera: None,
            width: None,
            height: None,
            level_adu: None,
            sky_adu: None,
            sky_sigma_adu: None,
            noise_ratio: None,
            star_count: None,
            fitted_stars: None,
            fwhm_px: None,
            plane_fwhm_px: Vec::new(),
            minor_fwhm_px: None,
            recorded_fwhm_px: None,
            ellipticity: None,
            position_angle_deg: None,
            trail_length_px: None,
            moffat_beta: None,
            noise_correlation_x: None,
            noise_correlation_y: None,
            star_flags: BTreeMap::new(),
            saturated_count: None,
            sky_e_per_px_s: None,
            transparency: None,
            stars: Vec::new(),
            start_utc: None,
        }
    }

    /// Why it is not used, in words.
    pub fn reason(&self) -> Option<String> {
        self.left_out.as_ref().map(left_out)
    }

    /// Start of the exposure as ISO 8601 text with a Z for UTC.
    pub fn start_text(&self) -> Option<String> {
        self.start_utc.map(|t| format!("{t}Z"))
    }
}

fn codes_of_files(_: &mut SchemaGenerator) -> Schema {
    json_schema!({ "anyOf": [{ "type": "string", "enum": LeftOut::codes() }, { "type": "null" }] })
}

/// Why a file is not used, as `report.json` has it.
#[derive(Deserialize, JsonSchema)]
struct LeftOutAsTold {
    /// Why it is not used.
    reason: Option<String>,
    /// The same for scripts.
    #[schemars(schema_with = "codes_of_files")]
    reason_code: Option<String>,
}

fn left_out_as_told<'de, D: Deserializer<'de>>(from: D) -> Result<Option<LeftOut>, D::Error> {
    let LeftOutAsTold { reason, reason_code } = LeftOutAsTold::deserialize(from)?;
    Ok(reason_code.map(|code| LeftOut::Quoted { code, sentence: reason.unwrap_or_default() }))
}

fn kind_source_as_told<'de, D: Deserializer<'de>>(from: D) -> Result<KindSource, D::Error> {
    String::deserialize(from).map(KindSource::Quoted)
}

fn utc<'de, D: Deserializer<'de>>(from: D) -> Result<Option<DateTime>, D::Error> {
    let text = Option::<String>::deserialize(from)?;
    text.map(|t| t.trim_end_matches('Z').parse().map_err(serde::de::Error::custom)).transpose()
}
