//! What can be said of files, frames and sessions: how values came to be, why they are missing, what goes with them.

use serde::{Deserialize, Serialize};
use strum::{IntoStaticStr, VariantNames};

use super::Help;

/// How a value came to be.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum NightMethod {
    /// Median over the frames.
    MedianOverFrames,
    /// Median over the frames of the star image before the pixel.
    StarImageOverFrames,
    /// Median over the frames of the star image as recorded.
    RecordedStarImageOverFrames,
    /// Median over the frames of 1 - minor/major.
    EllipticityOverFrames,
    /// Mean direction over the frames.
    DirectionOverFrames,
    /// Median of a card over the lights.
    CardOverLights { card: String },
    /// Width in pixels times image scale.
    WidthTimesScale,
    /// Median level above bias and dark, times gain, over the exposure.
    SkyAboveBiasAndDark,
    /// Sky noise of neighbouring pixels of one colour.
    NoiseOfNeighbours,
}

/// Why a value is missing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum NightMissing {
    /// A session without a light.
    NoLight,
    /// All lights of the session were left out.
    NoUsableLight,
    /// A plane of a colour cube without valid pixels.
    PlaneWithoutValidPixels,
    /// In no frame do the stars share a direction above its error.
    NoSharedDirection,
    /// The direction is another in each frame.
    DirectionChanges,
    /// No light has a card of its temperature.
    NoTemperatureCard,
    /// The temperature at which the dark rate is wanted is not known.
    LightTemperature,
    /// The exposure time of the lights is not known.
    LightExposure,
}

impl NightMissing {
    /// What would supply the value.
    pub fn would_help(&self) -> Vec<Help> {
        match self {
            Self::NoLight | Self::NoUsableLight => vec![Help::Light],
            Self::PlaneWithoutValidPixels | Self::NoSharedDirection | Self::DirectionChanges => Vec::new(),
            Self::NoTemperatureCard => vec![
                Help::Card("CCD-TEMP"),
                Help::Card("DET-TEMP"),
                Help::Card("SET-TEMP"),
                Help::RigKey("sensor_celsius"),
            ],
            Self::LightTemperature => vec![Help::Card("CCD-TEMP"), Help::RigKey("sensor_celsius")],
            Self::LightExposure => vec![Help::Card("EXPTIME")],
        }
    }
}

/// What goes with a value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum NightNote {
    /// Widths of some lights hold the blur of an interpolation.
    WidthsResampled { resampled: usize, lights: usize },
    /// Levels of some lights need not be the sensor's.
    LevelsResampled { resampled: usize, lights: usize },
    /// The noise of a frame is correlated: the strongest correlation of neighbours, and what errors of widths lack for it.
    CorrelatedNoise { strongest: f64, width_error_percent: f64 },
    /// The cooler's set-point stands in for a measured temperature.
    SetPoint,
    /// The stars give another scale than the one used.
    StarsGiveOtherScale { arcsec_per_px: f64, sigma_arcsec_per_px: Option<f64>, percent: f64 },
    /// The dark current could not be taken off.
    DarkCurrentStillInIt,
}
