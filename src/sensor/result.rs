//! What is known about one sensor: the `sensors[]` entries of the report.

use serde::{Deserialize, Serialize};

use crate::facts::sensor::{DarkModel, DarkRates};
use crate::facts::{Missing, Quantity};

use super::{
    Amplifier, DarkLaw, Glow, PhotonTransferPoint, PixelDarkRates, Prnu, ReadNoiseTail, TransferFit, Vignetting,
};

/// One camera at one gain setting, offset, readout mode and binning.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SensorResult {
    /// Conversion gain, e-/ADU.
    pub gain_e_per_adu: Quantity,
    /// Read noise of one pixel, e-.
    pub read_noise_e: Quantity,
    /// Signal that equals its own noise in one pixel, e-: the absolute sensitivity threshold of EMVA 1288.
    pub sensitivity_threshold_e: Quantity,
    /// Read noise of one pixel, ADU; known without a gain.
    pub read_noise_adu: Quantity,
    /// Offset that a whole row shares and that changes from frame to frame, ADU; not part of the read noise.
    pub row_noise_adu: Quantity,
    /// Offset that a whole column shares and that changes from frame to frame, ADU; not part of the read noise.
    pub column_noise_adu: Quantity,
    /// Pattern of the bias that does not change, standard deviation within tiles, ADU; not part of the read noise.
    pub fixed_pattern_adu: Quantity,
    /// Wander of the level of a whole bias frame at one temperature, standard deviation, ADU.
    pub level_drift_adu: Quantity,
    /// How much of the read noise sits in few pixels.
    pub read_noise_tail: ReadNoiseTail,
    /// Level of a bias frame, ADU.
    pub bias_level_adu: Quantity,
    /// Step between the codes that occur, ADU; `None` for data that are not integers.
    pub adu_step: Option<u32>,
    /// Level at which pixels saturate, ADU.
    pub saturation_adu: Quantity,
    /// Share of bias pixels that sit at the lowest code: above 0.005 the offset is too low.
    pub bias_floor_fraction: Option<f64>,
    /// Photon transfer points, one a flat pair and site of a colour mosaic.
    pub photon_transfer: Vec<PhotonTransferPoint>,
    /// The curve through all cells of all flat pairs; `None` where flats give no gain.
    pub photon_transfer_fit: Option<TransferFit>,
    /// Pattern of the pixels' response to light, one entry a filter with a pair of flats.
    pub prnu: Vec<Prnu>,
    /// The quadrants where they differ in gain or read noise, as several amplifiers make them; empty where they agree.
    pub amplifiers: Vec<Amplifier>,
    /// Fall-off of the light, one entry a filter with flats.
    pub vignetting: Vec<Vignetting>,
    /// Dark current.
    pub dark_current: DarkCurrent,
    /// Pixels whose dark rate is above the threshold.
    pub hot_pixel_fraction: HotPixels,
    /// Temperature step that doubles the dark current of the hot pixels, C.
    pub hot_pixel_doubling_celsius: Quantity,
    /// Dark rates pixel by pixel, one entry a temperature.
    pub pixel_dark_rates: Vec<PixelDarkRates>,
    /// Number of frames by kind that went in.
    pub frames: CalibrationCounts,
}

/// Frames behind a sensor's values.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct CalibrationCounts {
    pub bias: usize,
    pub dark: usize,
    pub flat: usize,
}

/// Dark current against exposure and temperature.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DarkCurrent {
    /// Mean rate over the pixels that are not hot, e-/px/s, at `reference_celsius`.
    pub rate_e_per_px_s: Quantity,
    /// Temperature of that rate.
    pub reference_celsius: Option<f64>,
    /// Temperature step that doubles the dark current as a whole at `reference_celsius`, C: ln2 / (d ln D / dT).
    pub doubling_celsius: Quantity,
    /// Temperature step that doubles the thermal part alone at `reference_celsius`, C.
    pub thermal_doubling_celsius: Quantity,
    /// Activation energy of the thermal part, eV.
    pub activation_energy_ev: Quantity,
    /// Part of the rate that does not fall with temperature, e-/px/s.
    pub floor_e_per_px_s: Quantity,
    /// Which law was fitted.
    pub model: DarkModel,
    /// Which rates were used: from the mean or from the variance, and why.
    pub method: DarkRates,
    /// Lowest and highest temperature measured, C.
    pub range_celsius: Option<[f64; 2]>,
    /// Whether the camera takes the dark level off, so that only the variance tells the rate.
    pub suppressed_in_camera: bool,
    /// The fitted law with its covariance; `None` with fewer than two temperatures.
    pub law: Option<DarkLaw>,
    /// Light from the sensor's own electronics, left out of the rates.
    pub glow: Option<Glow>,
    /// One point a temperature.
    pub points: Vec<DarkPoint>,
}

impl DarkCurrent {
    /// Nothing known, for the reason given.
    pub fn not_measurable(because: impl Into<Missing>) -> Self {
        let because = because.into();
        let unknown = || Quantity::not_measurable(because.clone());
        Self {
            rate_e_per_px_s: unknown(),
            reference_celsius: None,
            doubling_celsius: unknown(),
            thermal_doubling_celsius: unknown(),
            activation_energy_ev: unknown(),
            floor_e_per_px_s: unknown(),
            model: DarkModel::Unknown,
            method: DarkRates::Unknown,
            range_celsius: None,
            suppressed_in_camera: false,
            law: None,
            glow: None,
            points: Vec::new(),
        }
    }
}

/// Dark rate at one temperature.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DarkPoint {
    /// Mean sensor temperature of the frames, C.
    pub celsius: f64,
    /// Longest exposure of the set, s.
    pub exposure_s: f64,
    /// Slope of the mean level against exposure, e-/px/s.
    pub rate_e_per_px_s: Quantity,
    /// Slope of the mean level against exposure, ADU/px/s: known without a gain.
    pub rate_adu_per_px_s: Quantity,
    /// Level of a dark of no exposure above the bias, ADU; `None` with one exposure only.
    pub offset_adu: Option<f64>,
    /// Slope of the temporal variance against exposure, e-/px/s.
    pub variance_rate_e_per_px_s: Quantity,
}

/// Share of hot pixels.
#[derive(Debug, Clone, PartialEq)]
pub struct HotPixels {
    pub fraction: Quantity,
    /// Rate above which a pixel is called hot, e-/s.
    pub threshold_e_per_s: Option<f64>,
    /// Temperature at which it was counted, C.
    pub at_celsius: Option<f64>,
}
