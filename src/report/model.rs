//! What a run found, with the keys of `report.json`.
//!
//! Unknown is `None` and becomes `null`. [`Report::new`] puts every list in its order, so that the same night gives
//! the same bytes whichever thread finished first.

use std::cmp::Reverse;
use std::collections::BTreeMap;

use jiff::civil::DateTime;
use serde::ser::SerializeStruct as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use super::answers::AnswerEntry;
use super::files::star_rows::StarRow;
use super::words::cautions::caution;
use super::words::left_out::left_out;
use super::words::{Told, Worded, WordedField};
use crate::facts::{Caution, FrameKind, KindSource, LeftOut, Quantity, Severity};
use crate::sensor::{DefectMap, SensorResult};
use crate::sky::StarMatch;
use crate::verdict::{
    Advice, CooledYear, CoolingRow, DarkMatch, FilterSampling, NoiseBudget, Photometry, Sampling, Saturation, Suited,
    WidthBudget,
};

/// Version of the keys. A key that is renamed or dropped raises it; a key that is added does not.
pub const SCHEMA_VERSION: u32 = 2;

/// Everything a run found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Report {
    pub schema_version: u32,
    /// Version of the program that wrote the report.
    pub program_version: String,
    /// The three questions, answered in this order: sampling, thermal noise, cooling.
    pub answers: Vec<AnswerEntry>,
    pub sessions: Vec<Session>,
    /// What costs nothing, by the hours that it would bring, the most first.
    pub advice: Vec<Advice>,
    /// Sampling over all sessions of a filter, camera and binning.
    pub filters: Vec<FilterSampling>,
    pub sensors: Vec<SensorEntry>,
    /// Every file found, in the order of their paths.
    pub frames: Vec<FrameRow>,
    /// The gravest first.
    pub warnings: Vec<Warning>,
}

/// The lists of a report; all but `advice` and `filters`, which come ranked and by session, may be in any order.
#[derive(Debug, Clone, Default)]
pub struct Parts {
    pub answers: Vec<AnswerEntry>,
    pub sessions: Vec<Session>,
    pub advice: Vec<Advice>,
    pub filters: Vec<FilterSampling>,
    pub sensors: Vec<SensorEntry>,
    pub frames: Vec<FrameRow>,
    pub warnings: Vec<Warning>,
}

impl Report {
    /// Gathers the parts and puts them in order.
    pub fn new(parts: Parts) -> Self {
        let Parts { answers, sessions, advice, filters, sensors, frames, warnings } = parts;
        let mut report = Self {
            schema_version: SCHEMA_VERSION,
            program_version: env!("CARGO_PKG_VERSION").to_owned(),
            answers,
            sessions,
            advice,
            filters,
            sensors,
            frames,
            warnings,
        };
        report.answers.sort_by_key(AnswerEntry::question);
        Session::put_in_order(&mut report.sessions);
        report.sensors.sort_by(|a, b| a.id.cmp(&b.id));
        report.frames.sort_by(|a, b| a.path.cmp(&b.path));
        for warning in &mut report.warnings {
            warning.paths.sort();
        }
        report.warnings.sort_by_cached_key(|w| (Reverse(w.severity()), w.code().to_owned(), w.message()));
        report
    }

    /// The nights of the sessions, each once, in order.
    pub fn nights(&self) -> Vec<&str> {
        let mut nights: Vec<&str> = self.sessions.iter().filter_map(|s| s.night.as_deref()).collect();
        nights.sort_unstable();
        nights.dedup();
        nights
    }

    /// The light frames of one session, in order of time where it is known, then of path.
    pub fn lights_of(&self, session: &Session) -> Vec<&FrameRow> {
        let mut rows: Vec<&FrameRow> = self
            .frames
            .iter()
            .filter(|f| f.kind == FrameKind::Light && f.session_id.as_deref() == Some(session.id.as_str()))
            .collect();
        rows.sort_by(|a, b| (a.start_utc, &a.path).cmp(&(b.start_utc, &b.path)));
        rows
    }
}

/// One night with one camera, gain setting, binning, filter and exposure time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Session {
    pub id: String,
    /// The evening's date at the site, noon to noon: `2026-02-11`. `None` where no frame tells a date.
    pub night: Option<String>,
    pub settings: SessionSettings,
    pub frame_counts: FrameCounts,
    /// Which entry of `sensors` applies.
    pub sensor_id: Option<String>,
    pub sensor_temperature_c: Temperature,
    pub image_scale_arcsec_per_px: Quantity,
    /// Star image before the pixel blurred it, px.
    pub fwhm_px: Quantity,
    pub fwhm_arcsec: Quantity,
    /// As recorded, pixel blur included, px.
    pub recorded_fwhm_px: Quantity,
    /// 1 - minor axis / major axis.
    pub ellipticity: Quantity,
    /// Direction of the long axis, degrees from the image's x axis towards its y axis.
    pub position_angle_deg: Quantity,
    pub moffat_beta: Quantity,
    /// Median per frame.
    pub star_count: Quantity,
    /// Star images over the frame.
    pub field: WordedField,
    pub sky_e_per_px_s: Quantity,
    pub sampling: Worded<Sampling>,
    pub noise_budget: NoiseBudget,
    pub cooling: Vec<CoolingRow>,
    pub cooling_floor_time_ratio: Quantity,
    /// What the cooling table rests on, and its caution.
    pub cooling_basis: String,
    /// Sensor temperature below which more cooling saves less than 1 % of the time.
    pub cooling_gains_under_1_percent_below_celsius: Quantity,
    /// Cooling over the year that the rig file describes; `None` where it describes none.
    pub cooling_year: Option<Told<CooledYear>>,
    /// Pixels and focal lengths that would suit the stars.
    pub suited: Vec<Suited>,
    /// What makes the stars as wide as they are.
    pub width_budget: Told<WidthBudget>,
    /// Stars that clip, and the exposure at which more would.
    pub saturation: Told<Saturation>,
    /// What subtracting the darks at hand would leave in these lights.
    pub dark_match: Told<DarkMatch>,
    /// Where the frames point and their scale, from the stars themselves.
    pub star_match: Worded<StarMatch>,
    /// Magnitudes of stars and sky, and how steadily the stars' light came.
    pub photometry: Told<Photometry>,
}

impl Session {
    /// By night, then by name: the order in which a report lists sessions and everything that it says of several.
    pub fn put_in_order(sessions: &mut [Self]) {
        sessions.sort_by(|a, b| (&a.night, &a.id).cmp(&(&b.night, &b.id)));
    }
}

/// What the frames of a session have in common.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct SessionSettings {
    pub camera: Option<String>,
    pub filter: Option<String>,
    /// The camera's gain setting: a label, never e-/ADU.
    pub gain_setting: Option<String>,
    pub offset_setting: Option<String>,
    pub binning: [u32; 2],
    pub exposure_s: Option<f64>,
    /// Colour filter pattern; `None` for a monochrome sensor or one that does not tell.
    pub cfa: Option<String>,
}

/// Light frames of a session.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct FrameCounts {
    pub light: usize,
    pub used: usize,
    pub excluded: usize,
}

/// Sensor temperature over the lights, degrees Celsius.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Temperature {
    /// Median.
    #[serde(flatten)]
    pub median: Quantity,
    pub min: Option<f64>,
    pub max: Option<f64>,
}

/// One sensor at one setting.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SensorEntry {
    pub id: String,
    pub settings: SensorSettings,
    #[serde(flatten)]
    pub result: SensorResult,
    /// Pixels that are not like the others, at the temperature of the lights or, without lights, the warmest; in a file
    /// of its own where it is asked for.
    #[serde(skip)]
    pub defects: Option<DefectMap>,
}

/// What makes two frames share gain, read noise and dark current.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct SensorSettings {
    pub camera: Option<String>,
    pub gain_setting: Option<String>,
    pub offset_setting: Option<String>,
    pub readout_mode: Option<String>,
    pub binning: [u32; 2],
}

/// What became of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
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
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct FrameRow {
    /// Relative to the folder given; bytes that are not UTF-8 are replaced.
    pub path: String,
    pub kind: FrameKind,
    /// What told the kind: a header card, or the pixels.
    #[serde(deserialize_with = "kind_source_as_told")]
    pub kind_source: KindSource,
    pub status: FrameStatus,
    /// Why it is not used.
    #[serde(flatten, deserialize_with = "left_out_as_told")]
    pub left_out: Option<LeftOut>,
    pub night: Option<String>,
    pub session_id: Option<String>,
    pub sensor_id: Option<String>,
    pub exposure_s: Option<f64>,
    pub sensor_celsius: Option<f64>,
    pub filter: Option<String>,
    pub camera: Option<String>,
    pub width: Option<usize>,
    pub height: Option<usize>,
    /// Median of all pixels, ADU.
    pub level_adu: Option<f64>,
    /// Sky above bias, ADU.
    pub sky_adu: Option<f64>,
    /// Scatter of the sky from pixel to pixel, ADU.
    pub sky_sigma_adu: Option<f64>,
    pub star_count: Option<usize>,
    pub fitted_stars: Option<usize>,
    pub fwhm_px: Option<Quantity>,
    /// Of a colour cube: the width in each plane, px. Empty for a frame of one plane.
    pub plane_fwhm_px: Vec<Quantity>,
    /// Width along the shorter axis, px: of a trailed frame, what seeing and focus gave.
    pub minor_fwhm_px: Option<Quantity>,
    pub recorded_fwhm_px: Option<Quantity>,
    pub ellipticity: Option<Quantity>,
    pub position_angle_deg: Option<Quantity>,
    /// Of a trailed frame: the line that its stars are drawn out over, px.
    pub trail_length_px: Option<Quantity>,
    pub moffat_beta: Option<Quantity>,
    /// Correlation of the sky noise of neighbouring pixels (of one colour) along rows and columns: 0 in raw frames.
    pub noise_correlation_x: Option<Quantity>,
    pub noise_correlation_y: Option<Quantity>,
    /// Number of stars under each flag that kept them out of the fit.
    pub star_flags: BTreeMap<String, usize>,
    /// Stars with a clipped core.
    pub saturated_count: Option<usize>,
    /// Sky above bias and dark current.
    pub sky_e_per_px_s: Option<Quantity>,
    /// Light of its stars over that of the same stars in the frame of median transparency; `None` where it was not sought.
    pub transparency: Option<Quantity>,
    /// Its fitted stars, brightest first; in a file of their own where they are asked for.
    #[serde(skip)]
    pub stars: Vec<StarRow>,
    /// Start of the exposure.
    #[serde(deserialize_with = "utc")]
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

/// Something the user should know, and what to do about it.
#[derive(Debug, Clone, PartialEq)]
pub struct Warning {
    pub caution: Caution,
    /// The files that it concerns.
    pub paths: Vec<String>,
}

impl Warning {
    /// A fixed word for scripts.
    pub fn code(&self) -> &str {
        self.caution.code()
    }

    /// How grave it is.
    pub fn severity(&self) -> Severity {
        self.caution.severity()
    }

    /// What is the matter and what helps.
    pub fn message(&self) -> String {
        caution(&self.caution)
    }
}

/// A warning as `report.json` has it.
#[derive(Deserialize)]
struct WarningAsTold {
    code: String,
    severity: Severity,
    message: String,
    paths: Vec<String>,
}

impl<'de> Deserialize<'de> for Warning {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        let WarningAsTold { code, severity, message, paths } = WarningAsTold::deserialize(from)?;
        Ok(Self { caution: Caution::Quoted { code, severity, sentence: message }, paths })
    }
}

/// Why a file is not used, as `report.json` has it.
#[derive(Deserialize)]
struct LeftOutAsTold {
    reason: Option<String>,
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

impl Serialize for Warning {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        let mut keys = to.serialize_struct("Warning", 4)?;
        keys.serialize_field("code", self.code())?;
        keys.serialize_field("severity", &self.severity())?;
        keys.serialize_field("message", &self.message())?;
        keys.serialize_field("paths", &self.paths)?;
        keys.end()
    }
}
