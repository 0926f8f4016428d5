//! What a run found, with the keys of `report.json`.
//!
//! Unknown is `None` and becomes `null`. [`Report::new`] puts every list in its order, so that the same night gives
//! the same bytes whichever thread finished first.

use std::cmp::Reverse;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::answers::AnswerEntry;
pub use super::frame_row::{FrameRow, FrameStatus};
pub use super::warning::Warning;
use super::words::{WithSentence, Worded, WordedField};
use crate::facts::happening::Happening;
use crate::facts::{FrameKind, Quantity};
use crate::sensor::{DefectMap, SensorResult};
use crate::sky::StarMatch;
use crate::stars::CommonImage;
use crate::verdict::{
    Advice, AdviceInput, CooledYear, CoolingRow, DarkMatch, FilterSampling, HotCost, NoiseBudget, NoiseCheck,
    Photometry, Sampling, Saturation, SubLength, Suited, WidthBudget,
};

/// Version of the keys. A key that is renamed or dropped raises it; a key that is added does not.
pub const SCHEMA_VERSION: u32 = 2;

/// Everything a run found.
///
/// # Examples
///
/// A report is read back from its own JSON:
///
/// ```
/// use skygrain::folder::Rig;
/// use skygrain::night::{NightInput, Scope, run};
/// use skygrain::report::{Report, json};
/// use skygrain::simulate::write_night;
///
/// # fn main() -> Result<(), Box<dyn std::error::Error>> {
/// let dir = tempfile::tempdir()?;
/// let (night, out) = (dir.path().join("night"), dir.path().join("report"));
/// write_night(&night, 1, &|_, _| {})?;
/// let input = NightInput { folders: vec![night], out, rig: Rig::default(), stars: false };
/// let report = run(&input, Scope::Sensor, &|_, _, _| {})?;
/// let back: Report = serde_json::from_str(&json(&report)?)?;
/// assert_eq!(back.sensors[0].result.gain_e_per_adu.n, report.sensors[0].result.gain_e_per_adu.n);
/// assert_eq!(back.frames.len(), report.frames.len());
/// # Ok(())
/// # }
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Report {
    /// Version of the keys; raised only when one is renamed or dropped.
    #[schemars(extend("unit" = "1", "const" = SCHEMA_VERSION))]
    pub schema_version: u32,
    /// Version of the program that wrote the report.
    pub program_version: String,
    /// The three questions, answered in this order; empty where only a sensor was measured.
    pub answers: Vec<AnswerEntry>,
    /// One for each night, camera, setting, filter and exposure time.
    pub sessions: Vec<Session>,
    /// What costs nothing, each taken alone: the most hours first, what is not measurable last.
    pub advice: Vec<Advice>,
    /// Sampling over all sessions of a filter with one camera and binning.
    pub filters: Vec<FilterSampling>,
    /// One for each camera at one gain setting, offset setting, readout mode and binning.
    pub sensors: Vec<SensorEntry>,
    /// Every file found, in the order of their paths.
    pub frames: Vec<FrameRow>,
    /// What the user should know, the gravest first.
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
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Session {
    /// Name of the session, as in session_id of the frames.
    pub id: String,
    /// Date of the evening at the site, noon to noon.
    pub night: Option<String>,
    /// What its frames have in common.
    pub settings: SessionSettings,
    /// Its light frames.
    pub frame_counts: FrameCounts,
    /// The entry of sensors that applies.
    pub sensor_id: Option<String>,
    /// Sensor temperature, median over the lights.
    #[schemars(extend("unit" = "°C"))]
    pub sensor_temperature_c: Temperature,
    /// Image scale; measured only where a WCS or matched stars gave it.
    #[schemars(extend("unit" = "arcsec/px"))]
    pub image_scale_arcsec_per_px: Quantity,
    /// Full width at half maximum of the star image before the pixel blurred it, geometric mean of both axes, median
    /// over the frames.
    #[schemars(extend("unit" = "px"))]
    pub fwhm_px: Quantity,
    /// The same as the red sites of a mosaic see it.
    #[schemars(extend("unit" = "px"))]
    pub red_fwhm_px: Quantity,
    /// And as the blue ones do.
    #[schemars(extend("unit" = "px"))]
    pub blue_fwhm_px: Quantity,
    /// The same in arcseconds.
    #[schemars(extend("unit" = "arcsec"))]
    pub fwhm_arcsec: Quantity,
    /// Full width at half maximum as recorded, with the pixel's blur.
    #[schemars(extend("unit" = "px"))]
    pub recorded_fwhm_px: Quantity,
    /// 1 - minor axis / major axis, bias by noise removed.
    #[schemars(extend("unit" = "1"))]
    pub ellipticity: Quantity,
    /// Direction of the long axis, from +x towards +y of the file.
    #[schemars(extend("unit" = "degrees"))]
    pub position_angle_deg: Quantity,
    /// Exponent of the wings of the star image.
    #[schemars(extend("unit" = "1"))]
    pub moffat_beta: Quantity,
    /// The star image, of the light whose width comes nearest to the session's; null where too few stars tell it.
    pub star_image: Option<CommonImage>,
    /// Stars detected in a frame, median.
    #[schemars(extend("unit" = "stars"))]
    pub star_count: Quantity,
    /// Star images over the frame.
    pub field: WordedField,
    /// Sky above bias and dark current.
    #[schemars(extend("unit" = "e-/px/s"))]
    pub sky_e_per_px_s: Quantity,
    /// How the pixels suit the star image.
    pub sampling: Worded<Sampling>,
    /// What happened while its lights were taken, in the order of time.
    pub happenings: Vec<WithSentence<Happening>>,
    /// Variances of one exposure.
    pub noise_budget: NoiseBudget,
    /// Whether the lights' own noise is what the budget says.
    pub noise_check: WithSentence<NoiseCheck>,
    /// One row for each sensor temperature.
    pub cooling: Vec<CoolingRow>,
    /// Time ratio without any dark current: no cooling can pass it.
    #[schemars(extend("unit" = "1"))]
    pub cooling_floor_time_ratio: Quantity,
    /// What the cooling rows rest on, and their caution.
    pub cooling_basis: String,
    /// Sensor temperature below which more cooling saves less than 1 % of the time.
    #[schemars(extend("unit" = "°C"))]
    pub cooling_gains_under_1_percent_below_celsius: Quantity,
    /// A year with the cooler that the rig file describes against one without; null where it describes none.
    pub cooling_year: Option<WithSentence<CooledYear>>,
    /// Pixels and focal lengths that would suit the stars as wide on the sky as measured.
    pub suited: Vec<Suited>,
    /// What makes stars as wide as they are: FWHM that add up in quadrature.
    pub width_budget: WithSentence<WidthBudget>,
    /// The exposure to recommend, what sets it, and what half and twice of it cost.
    pub sub_length: WithSentence<SubLength>,
    /// Stars that clip, and the exposure at which more would.
    pub saturation: WithSentence<Saturation>,
    /// What subtracting the darks at hand would leave.
    pub dark_match: WithSentence<DarkMatch>,
    /// What the sensor's hot pixels cost in a stack.
    pub hot_pixels: WithSentence<HotCost>,
    /// What matching the stars with a catalogue told.
    pub star_match: Worded<StarMatch>,
    /// Magnitudes of stars and sky, from the matched stars.
    pub photometry: WithSentence<Photometry>,
}

impl Session {
    /// By night, then by name: the order in which a report lists sessions and everything that it says of several.
    pub fn put_in_order(sessions: &mut [Self]) {
        sessions.sort_by(|a, b| (&a.night, &a.id).cmp(&(&b.night, &b.id)));
    }

    /// What the measures that cost nothing need of it.
    pub fn advice_input(&self) -> AdviceInput<'_> {
        AdviceInput {
            session_id: &self.id,
            exposure_s: self.settings.exposure_s,
            exposure_for_5_percent_read_s: &self.noise_budget.exposure_for_5_percent_read_s,
            darks: Some((self.dark_match.darks, &self.dark_match.added_variance_share)),
            lights: self.frame_counts.used,
            shared_ellipticity: &self.field.constant_ellipticity,
            corner_fwhm_ratio: &self.field.corner_fwhm_ratio,
            best_binning: self.sampling.best_binning,
        }
    }
}

/// What the frames of a session have in common.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SessionSettings {
    /// Name of the camera in the headers.
    pub camera: Option<String>,
    /// Name of the filter in the headers.
    pub filter: Option<String>,
    /// The camera's gain setting: a label, never e-/ADU.
    pub gain_setting: Option<String>,
    /// The camera's offset setting: a label.
    pub offset_setting: Option<String>,
    /// Pixels binned along x and y.
    #[schemars(extend("unit" = "px"))]
    pub binning: [u32; 2],
    /// Exposure time.
    #[schemars(extend("unit" = "s"))]
    pub exposure_s: Option<f64>,
    /// Colour filter pattern; null for a monochrome sensor or one that does not tell.
    pub cfa: Option<String>,
}

/// Light frames of a session.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct FrameCounts {
    /// Light frames.
    #[schemars(extend("unit" = "frames"))]
    pub light: usize,
    /// Those whose measurements went into the results.
    #[schemars(extend("unit" = "frames"))]
    pub used: usize,
    /// Those left out.
    #[schemars(extend("unit" = "frames"))]
    pub excluded: usize,
}

/// Sensor temperature over the lights, degrees Celsius.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Temperature {
    /// Median.
    #[serde(flatten)]
    pub median: Quantity,
    /// Lowest.
    #[schemars(extend("unit" = "°C"))]
    pub min: Option<f64>,
    /// Highest.
    #[schemars(extend("unit" = "°C"))]
    pub max: Option<f64>,
}

/// One sensor at one setting.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SensorEntry {
    /// Name of the sensor, as in sensor_id of sessions and frames.
    pub id: String,
    /// What makes it one.
    pub settings: SensorSettings,
    #[serde(flatten)]
    pub result: SensorResult,
    /// Pixels that are not like the others, at the temperature of the lights or, without lights, the warmest; in a file
    /// of its own where it is asked for.
    #[serde(skip)]
    pub defects: Option<DefectMap>,
}

/// What makes two frames share gain, read noise and dark current.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SensorSettings {
    /// Name of the camera in the headers.
    pub camera: Option<String>,
    /// The camera's gain setting: a label, never e-/ADU.
    pub gain_setting: Option<String>,
    /// The camera's offset setting: a label.
    pub offset_setting: Option<String>,
    /// The camera's readout mode: a label.
    pub readout_mode: Option<String>,
    /// Pixels binned along x and y.
    #[schemars(extend("unit" = "px"))]
    pub binning: [u32; 2],
}
