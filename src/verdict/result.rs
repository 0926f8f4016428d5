//! Answers about one session: parts of the `sessions[]` entries of the report.

use serde::{Deserialize, Serialize};

use crate::facts::{Quantity, Source};

/// How the pixels suit the star image.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
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
    Undetermined,
}

/// Sampling verdict with its cost both ways.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sampling {
    /// FWHM before the pixel over the pixel.
    pub px_per_fwhm: Quantity,
    pub verdict: SamplingVerdict,
    /// Share of image power beyond the square Nyquist band (0 to 1).
    pub aliased_power_fraction: Quantity,
    /// Growth of the FWHM by the pixel: recorded over true, minus 1.
    pub resolution_lost_fraction: Quantity,
    /// Signal-to-noise on a faint star against a noiseless sensor with infinitely small pixels (0 to 1).
    pub snr_efficiency: Quantity,
    /// Factor on the present pixel that would give the best signal-to-noise under this sky with this sensor's noise.
    pub best_pixel_factor: Quantity,
    /// Signal-to-noise at that pixel, in the same measure as `snr_efficiency`.
    pub best_snr_efficiency: Quantity,
    /// Largest whole binning, on top of the present one, that leaves 2 px per FWHM; none below 2 px per FWHM.
    pub best_binning: Option<u32>,
    /// The verdict in words, with its one-sigma caution.
    pub sentence: String,
    /// What it costs to either side, in words.
    pub detail: String,
}

/// Noise variances of one exposure, e^2 per pixel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NoiseBudget {
    pub sky_e2: Quantity,
    pub dark_e2: Quantity,
    pub read_e2: Quantity,
    pub quantisation_e2: Quantity,
    pub total_e2: Quantity,
    pub sky_share: Quantity,
    pub dark_share: Quantity,
    pub read_share: Quantity,
    /// Exposure at which read noise adds 5 % to the noise of sky and dark, s.
    pub exposure_for_5_percent_read_s: Quantity,
    /// The same for 10 %.
    pub exposure_for_10_percent_read_s: Quantity,
    /// By how much read noise raises the noise of this exposure above that of sky and dark alone, as a share.
    pub read_noise_adds: Quantity,
}

/// What one sensor temperature would give.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CoolingRow {
    pub sensor_celsius: f64,
    /// Degrees below the present sensor temperature.
    pub below_now_c: f64,
    pub dark_e_per_px_s: Quantity,
    /// Exposure time needed for the same signal-to-noise, over the time needed now.
    pub time_ratio: Quantity,
    /// Signal-to-noise in the same time, over the present one.
    pub snr_gain: Quantity,
}

/// The cooling table and its limit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Cooling {
    pub rows: Vec<CoolingRow>,
    /// Time ratio without any dark current: no cooling can pass it.
    pub floor_time_ratio: Quantity,
    /// Drop of the sensor temperature after which dark current adds 5 % to the noise of sky and reading, C.
    pub drop_for_5_percent_dark_c: Quantity,
    /// Sensor temperature below which more cooling saves less than 1 % of the time, C.
    pub gains_under_1_percent_below_celsius: Quantity,
    /// Whether the step of the dark current with temperature is measured or only assumed.
    pub law_source: Source,
    /// What the table rests on, and its caution.
    pub basis: String,
}
