//! What is known about one sensor: the `sensors[]` entries of the report.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::facts::sensor::{DarkModel, DarkRates};
use crate::facts::{Missing, Quantity};

use super::{
    Amplifier, DarkLaw, Glow, PhotonTransferPoint, PixelDarkRates, Prnu, ReadNoiseTail, TransferFit, Vignetting,
};

/// One camera at one gain setting, offset, readout mode and binning.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SensorResult {
    /// Conversion gain.
    #[schemars(extend("unit" = "e-/ADU"))]
    pub gain_e_per_adu: Quantity,
    /// Read noise of one pixel.
    #[schemars(extend("unit" = "e-"))]
    pub read_noise_e: Quantity,
    /// Signal that equals its own noise in one pixel (EMVA 1288).
    #[schemars(extend("unit" = "e-"))]
    pub sensitivity_threshold_e: Quantity,
    /// Read noise of one pixel, known without a gain.
    #[schemars(extend("unit" = "ADU"))]
    pub read_noise_adu: Quantity,
    /// Correlation of the read noise of neighbouring pixels of one colour along rows: the read-out's own.
    #[schemars(extend("unit" = "1"))]
    pub read_noise_correlation_x: Quantity,
    /// The same along columns.
    #[schemars(extend("unit" = "1"))]
    pub read_noise_correlation_y: Quantity,
    /// Offset that a whole row shares and that changes from frame to frame; no part of the read noise.
    #[schemars(extend("unit" = "ADU"))]
    pub row_noise_adu: Quantity,
    /// Offset that a whole column shares and that changes from frame to frame; no part of the read noise.
    #[schemars(extend("unit" = "ADU"))]
    pub column_noise_adu: Quantity,
    /// Pattern of the bias that does not change, standard deviation within tiles.
    #[schemars(extend("unit" = "ADU"))]
    pub fixed_pattern_adu: Quantity,
    /// Wander of the level of whole bias frames, standard deviation.
    #[schemars(extend("unit" = "ADU"))]
    pub level_drift_adu: Quantity,
    /// How much of the read noise sits in few pixels.
    pub read_noise_tail: ReadNoiseTail,
    /// Level of a bias frame.
    #[schemars(extend("unit" = "ADU"))]
    pub bias_level_adu: Quantity,
    /// Step between the codes that occur; null for data that are not integers.
    #[schemars(extend("unit" = "ADU"))]
    pub adu_step: Option<u32>,
    /// Level at which pixels saturate.
    #[schemars(extend("unit" = "ADU"))]
    pub saturation_adu: Quantity,
    /// Share of bias pixels at the lowest code.
    #[schemars(extend("unit" = "1"))]
    pub bias_floor_fraction: Option<f64>,
    /// Mean and variance of each pair of flats and each site of a colour mosaic.
    pub photon_transfer: Vec<PhotonTransferPoint>,
    /// The curve through all tiles of all pairs.
    pub photon_transfer_fit: Option<TransferFit>,
    /// Pattern of the pixels' response, one entry a filter.
    pub prnu: Vec<Prnu>,
    /// The quadrants, only where they differ.
    pub amplifiers: Vec<Amplifier>,
    /// Fall-off of the light, one entry a filter.
    pub vignetting: Vec<Vignetting>,
    /// Dark current against exposure and temperature.
    pub dark_current: DarkCurrent,
    /// Share of the pixels that are hot.
    #[schemars(extend("unit" = "1"))]
    pub hot_pixel_fraction: HotPixels,
    /// Temperature step that doubles the dark current of the hot pixels.
    #[schemars(extend("unit" = "°C"))]
    pub hot_pixel_doubling_celsius: Quantity,
    /// Dark rates pixel by pixel, one entry a temperature.
    pub pixel_dark_rates: Vec<PixelDarkRates>,
    /// Frames behind these values.
    pub frames: CalibrationCounts,
}

/// Frames behind a sensor's values.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct CalibrationCounts {
    /// Bias frames.
    #[schemars(extend("unit" = "frames"))]
    pub bias: usize,
    /// Dark frames.
    #[schemars(extend("unit" = "frames"))]
    pub dark: usize,
    /// Flat frames.
    #[schemars(extend("unit" = "frames"))]
    pub flat: usize,
}

/// Dark current against exposure and temperature.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DarkCurrent {
    /// Mean rate of the pixels that are not hot, at reference_celsius.
    #[schemars(extend("unit" = "e-/px/s"))]
    pub rate_e_per_px_s: Quantity,
    /// Temperature of that rate.
    #[schemars(extend("unit" = "°C"))]
    pub reference_celsius: Option<f64>,
    /// Temperature step that doubles the whole dark current at reference_celsius.
    #[schemars(extend("unit" = "°C"))]
    pub doubling_celsius: Quantity,
    /// Temperature step that doubles its thermal part.
    #[schemars(extend("unit" = "°C"))]
    pub thermal_doubling_celsius: Quantity,
    /// Activation energy of the thermal part.
    #[schemars(extend("unit" = "eV"))]
    pub activation_energy_ev: Quantity,
    /// Part of the rate that does not fall with temperature.
    #[schemars(extend("unit" = "e-/px/s"))]
    pub floor_e_per_px_s: Quantity,
    /// Which law was fitted.
    #[schemars(with = "String")]
    pub model: DarkModel,
    /// Which rates were used, and why.
    #[schemars(with = "String")]
    pub method: DarkRates,
    /// Lowest and highest temperature measured.
    #[schemars(extend("unit" = "°C"))]
    pub range_celsius: Option<[f64; 2]>,
    /// Whether the camera takes the dark level off, so that only the variance tells the rate.
    pub suppressed_in_camera: bool,
    /// The fitted law; null with fewer than two temperatures.
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
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DarkPoint {
    /// Mean sensor temperature of the frames.
    #[schemars(extend("unit" = "°C"))]
    pub celsius: f64,
    /// Longest exposure of the set.
    #[schemars(extend("unit" = "s"))]
    pub exposure_s: f64,
    /// Growth of the mean level with exposure.
    #[schemars(extend("unit" = "e-/px/s"))]
    pub rate_e_per_px_s: Quantity,
    /// The same, known without a gain.
    #[schemars(extend("unit" = "ADU/px/s"))]
    pub rate_adu_per_px_s: Quantity,
    /// Level of a dark of no exposure above the bias; null with one exposure only.
    #[schemars(extend("unit" = "ADU"))]
    pub offset_adu: Option<f64>,
    /// Growth of the temporal variance with exposure.
    #[schemars(extend("unit" = "e-/px/s"))]
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
