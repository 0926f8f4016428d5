//! Answers about one session: parts of the `sessions[]` entries of the report.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use strum::{IntoStaticStr, VariantNames};

use super::thermal::CoolingLaw;
use crate::facts::{Missing, Quantity};

/// How the pixels suit the star image.
#[derive(
    Debug,
    Clone,
    Copy,
    Default,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Serialize,
    Deserialize,
    IntoStaticStr,
    VariantNames,
    JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
#[strum(serialize_all = "kebab-case")]
pub enum SamplingVerdict {
    /// Below 1.5 px per FWHM.
    UnderSampled,
    /// 1.5 to 2 px per FWHM.
    Marginal,
    /// 2 to 4 px per FWHM.
    WellSampled,
    /// 4 px per FWHM and above.
    OverSampled,
    /// The star image could not be measured.
    #[default]
    Undetermined,
}

impl SamplingVerdict {
    /// The word of the report.
    pub fn word(self) -> &'static str {
        self.into()
    }
}

/// What share of the noise the sensor's own heat has.
#[derive(
    Debug,
    Clone,
    Copy,
    Default,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Serialize,
    Deserialize,
    IntoStaticStr,
    VariantNames,
    JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
#[strum(serialize_all = "kebab-case")]
pub enum ThermalVerdict {
    Negligible,
    Minor,
    Noticeable,
    Dominant,
    /// The noise budget is not known.
    #[default]
    NotMeasurable,
}

/// What cooling would gain.
#[derive(
    Debug,
    Clone,
    Copy,
    Default,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Serialize,
    Deserialize,
    IntoStaticStr,
    VariantNames,
    JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
#[strum(serialize_all = "kebab-case")]
pub enum CoolingVerdict {
    NoGain,
    /// How the dark current falls is not measured: only the limit is.
    PossibleGain,
    SmallGain,
    LargeGain,
    /// The limit is not known.
    #[default]
    NotMeasurable,
}

/// Sampling verdict with its cost both ways.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Sampling {
    /// Width before the pixel over the pixel.
    #[schemars(extend("unit" = "px"))]
    pub px_per_fwhm: Quantity,
    /// Below 1.5, to 2, to 4 and above 4 px per FWHM.
    pub verdict: SamplingVerdict,
    /// Share of image power beyond the Nyquist band.
    #[schemars(extend("unit" = "1"))]
    pub aliased_power_fraction: Quantity,
    /// Growth of the width by the pixel: recorded over true, minus 1.
    #[schemars(extend("unit" = "1"))]
    pub resolution_lost_fraction: Quantity,
    /// Signal-to-noise on a faint star against a noiseless sensor with infinitely small pixels.
    #[schemars(extend("unit" = "1"))]
    pub snr_efficiency: Quantity,
    /// Factor on the present pixel that would give the best signal-to-noise.
    #[schemars(extend("unit" = "1"))]
    pub best_pixel_factor: Quantity,
    /// Signal-to-noise at that pixel, in the measure of snr_efficiency.
    #[schemars(extend("unit" = "1"))]
    pub best_snr_efficiency: Quantity,
    /// Largest whole binning on top of the present one that leaves 2 px per FWHM.
    #[schemars(extend("unit" = "px"))]
    pub best_binning: Option<u32>,
    /// Whether the sensor carries a colour filter mosaic.
    #[serde(skip)]
    pub colour: bool,
}

/// Noise variances of one exposure, e^2 per pixel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct NoiseBudget {
    /// Variance of the sky.
    #[schemars(extend("unit" = "e-^2/px"))]
    pub sky_e2: Quantity,
    /// Variance of the dark current.
    #[schemars(extend("unit" = "e-^2/px"))]
    pub dark_e2: Quantity,
    /// Variance of the read noise.
    #[schemars(extend("unit" = "e-^2/px"))]
    pub read_e2: Quantity,
    /// Variance of the rounding to codes.
    #[schemars(extend("unit" = "e-^2/px"))]
    pub quantisation_e2: Quantity,
    /// Their sum.
    #[schemars(extend("unit" = "e-^2/px"))]
    pub total_e2: Quantity,
    /// Share of the sky.
    #[schemars(extend("unit" = "1"))]
    pub sky_share: Quantity,
    /// Share of the dark current.
    #[schemars(extend("unit" = "1"))]
    pub dark_share: Quantity,
    /// Share of the read noise.
    #[schemars(extend("unit" = "1"))]
    pub read_share: Quantity,
    /// Exposure at which read noise adds 5 % to the noise of sky and dark current.
    #[schemars(extend("unit" = "s"))]
    pub exposure_for_5_percent_read_s: Quantity,
    /// Exposure at which read noise adds 10 % to the noise of sky and dark current.
    #[schemars(extend("unit" = "s"))]
    pub exposure_for_10_percent_read_s: Quantity,
    /// By how much read noise raises the noise of this exposure above that of sky and dark current alone.
    #[schemars(extend("unit" = "1"))]
    pub read_noise_adds: Quantity,
}

/// What one sensor temperature would give.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CoolingRow {
    /// Sensor temperature.
    #[schemars(extend("unit" = "°C"))]
    pub sensor_celsius: f64,
    /// Degrees below the present one.
    #[schemars(extend("unit" = "°C"))]
    pub below_now_c: f64,
    /// Dark current there.
    #[schemars(extend("unit" = "e-/px/s"))]
    pub dark_e_per_px_s: Quantity,
    /// Exposure time needed for the same signal-to-noise on a faint target over the time needed now.
    #[schemars(extend("unit" = "1"))]
    pub time_ratio: Quantity,
    /// Signal-to-noise in the same time over the present one.
    #[schemars(extend("unit" = "1"))]
    pub snr_gain: Quantity,
}

/// The cooling table and its limit.
#[derive(Debug, Clone, PartialEq)]
pub struct Cooling {
    pub rows: Vec<CoolingRow>,
    /// Time ratio without any dark current: no cooling can pass it.
    pub floor_time_ratio: Quantity,
    /// Drop of the sensor temperature after which dark current adds 5 % to the noise of sky and reading, C.
    pub drop_for_5_percent_dark_c: Quantity,
    /// Sensor temperature below which more cooling saves less than 1 % of the time, C.
    pub gains_under_1_percent_below_celsius: Quantity,
    /// How the dark current falls with temperature.
    pub law: CoolingLaw,
    /// What the table rests on; the reason where the dark current is missing and there is none.
    pub basis: Result<CoolingBasis, Missing>,
}

/// What a cooling table rests on, and what makes it less sure.
#[derive(Debug, Clone, PartialEq)]
pub struct CoolingBasis {
    /// Present sensor temperature, C; without it there are no rows.
    pub now_celsius: Option<f64>,
    /// Exposure time of one frame, s.
    pub exposure_s: Option<f64>,
    /// Why there is no time ratio, if so.
    pub no_time_ratio: Option<Missing>,
    /// The part of the dark current that does not cool is not known and counts as none.
    pub floor_counts_as_none: bool,
    /// The present dark current is an assumption.
    pub dark_current_is_assumed: bool,
    /// The dark current was measured below 0 and counts as 0.
    pub dark_current_is_negative: bool,
}
