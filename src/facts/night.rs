//! What can be said of files, frames and sessions: how values came to be, why they are missing, what goes with them.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use strum::{EnumDiscriminants, IntoStaticStr, VariantNames};

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
    /// That by the red or blue sites of a mosaic.
    ColourSitesOverFrames,
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
    /// Rate of darks of the lights' night and exposure.
    DarksOfTheNight,
    /// The same times the dark charge of the lights' shielded pixels over that of the darks'; n counts darks.
    DarksByShieldedPixels,
    /// The same times the brightness of the lights' hot pixels over that of the darks'; n counts darks.
    DarksByHotPixels,
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
    /// The noise of the lights is not that of their level, so that neither tells the sky.
    NoiseUnexplained { measured_adu: f64, predicted_adu: f64, looks_like: NoiseLooks },
    /// At the scale that headers state, stars are sharper than air or aperture let any be.
    ScaleDeniedByStars { arcsec_per_px: f64, fwhm_arcsec: f64, least_arcsec: f64 },
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
            Self::ScaleDeniedByStars { .. } => {
                vec![Help::RigKey("focal_mm"), Help::RigKey("pixel_um"), Help::RigKey("aperture_mm")]
            }
            Self::NoiseUnexplained { looks_like, .. } => match looks_like {
                NoiseLooks::OtherOffset { .. } | NoiseLooks::BelowBias => vec![Help::Bias],
                NoiseLooks::OtherGain { .. } => vec![Help::Bias, Help::Flat],
                _ => vec![Help::Light],
            },
        }
    }
}

/// What lights look like whose noise is not that of their level.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, EnumDiscriminants)]
#[strum_discriminants(
    name(NoiseLooksCode),
    doc = "The same alone.",
    derive(Serialize, Deserialize, VariantNames, JsonSchema),
    serde(rename_all = "kebab-case"),
    strum(serialize_all = "kebab-case")
)]
pub enum NoiseLooks {
    /// Numbers from 0 to 1.
    ScaledToOne,
    /// Noise of neighbouring pixels correlated beyond the camera's own.
    Resampled,
    /// As if bias or dark current had been taken off.
    OffsetTakenOff,
    /// Raw, but darker than the bias frames.
    BelowBias,
    /// As quiet as a mean of this many frames.
    Averaged { frames: f64 },
    /// Taken with another offset than the bias frames, this one.
    OtherOffset { bias_adu: f64 },
    /// Taken with another gain than the calibration frames, this one.
    OtherGain { e_per_adu: f64 },
    /// Numbers between the codes of a camera, in no known way.
    Processed,
    /// Some pairs of lights are off, though not the median of all.
    Mixed,
    /// Nothing tells.
    Untold,
}

/// Noise that neighbouring pixels share.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Correlated {
    /// The larger of the correlations along rows and columns.
    pub strongest: f64,
    /// What errors of widths lack for it.
    pub width_error_percent: f64,
    pub origin: NoiseOrigin,
}

/// What made the noise of neighbouring pixels alike; `bias` is the correlation in the camera's own bias frames.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum NoiseOrigin {
    /// More than the camera's read-out: the frame was resampled or denoised.
    Processed { bias: f64 },
    /// The camera's read-out or a processing: no bias frames tell, or they do not settle it.
    Untold { bias: Option<f64> },
    /// The camera's read-out.
    ReadOut { bias: f64 },
}

/// What goes with a value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum NightNote {
    /// Widths of some lights hold the blur of an interpolation.
    WidthsResampled { resampled: usize, lights: usize },
    /// Levels of some lights need not be the sensor's.
    LevelsResampled { resampled: usize, lights: usize },
    /// The noise of some lights is correlated and nothing tells whether they were resampled.
    PerhapsResampled { perhaps: usize, lights: usize },
    /// The noise of a frame is correlated.
    CorrelatedNoise(Correlated),
    /// The cooler's set-point stands in for a measured temperature.
    SetPoint,
    /// The scale of another session of this night, camera and telescope.
    ScaleOfSister,
    /// The stars give another scale than the one used.
    StarsGiveOtherScale { arcsec_per_px: f64, sigma_arcsec_per_px: Option<f64>, percent: f64 },
    /// The dark current could not be taken off.
    DarkCurrentStillInIt,
    /// Darks of the night are taken at the temperature of lights that have no card of it.
    DarksAtLightsTemperature { warmer_celsius: Option<f64>, drift_celsius: f64 },
    /// No card tells a temperature: shielded pixels of the lights have so many times the dark charge of those of the darks.
    ShieldedPixelsOverDarks { ratio: f64, sigma: f64 },
    /// No card tells a temperature: the lights' hot pixels are so many times as bright as those of the darks, and all others were taken to follow.
    HotPixelsOverDarks { ratio: f64, sigma: f64 },
}
