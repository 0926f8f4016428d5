//! What the user should know of frames and sensors: what warnings are about.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use strum::{IntoStaticStr, VariantNames};

use super::FrameKind;
use super::header::HeaderCaution;
use super::night::Correlated;
use super::sensor_caution::SensorCaution;

/// How grave a warning is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Worth knowing.
    Note,
    /// A result is less sure for it.
    Caution,
    /// A result is missing for it.
    Problem,
}

impl Severity {
    /// The word that reports use.
    pub fn label(self) -> &'static str {
        match self {
            Self::Note => "note",
            Self::Caution => "caution",
            Self::Problem => "problem",
        }
    }
}

/// What a warning is about.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum Caution {
    Sensor(SensorCaution),
    /// As the report that it was read from words it.
    Quoted {
        code: String,
        severity: Severity,
        sentence: String,
    },
    /// Something odd about headers: that of the first frame, and how many share it where they do with other numbers.
    Header {
        first: Box<HeaderCaution>,
        frames_with_other_numbers: Option<usize>,
    },
    /// The pixels are those of another kind of frame than the header tells.
    KindContradicted {
        frames: usize,
        told: FrameKind,
        seen: FrameKind,
    },
    /// Frames whose headers do not tell their kind, and what did.
    KindsWithoutCard {
        frames: usize,
        stated: usize,
        by_names: usize,
        by_pixels: usize,
    },
    /// A mosaic that no card tells, by the frames that show it, with its greens from the first pixel on.
    MosaicByPixels {
        frames: usize,
        greens: String,
    },
    /// Lights that show a part of a sensor whose calibration frames show all of it; whether cards tell which part.
    SubFrames {
        lights: usize,
        size_px: [usize; 2],
        sensor_px: [usize; 2],
        placed: bool,
    },
    /// Frames whose header tells a colour mosaic, and whose flats see one colour.
    MosaicDenied {
        frames: usize,
    },
    /// Names of filters that may be one.
    FiltersAlike {
        names: String,
    },
    /// Lights without a temperature, whose dark current is that of darks of their night and exposure.
    DarkTemperatureAssumed {
        session_id: String,
        darks: usize,
        drift_celsius: f64,
        /// Brightness of the lights' hot pixels over those of the darks, where it tells how warm they were.
        hot_ratio: Option<f64>,
        /// How much warmer the air was for the lights, where that stands for the sensor.
        warmer_celsius: Option<f64>,
    },
    /// Star widths that step in the course of a session; when, in UTC.
    WidthsStepped {
        session_id: String,
        at: String,
        before_px: f64,
        after_px: f64,
    },
    /// Bias frames that were exposed, and none that were not.
    ExposedBias {
        frames: usize,
        exposure_s: f64,
    },
    /// A camera whose bias and dark frames lie so far apart in time that they are taken for so many states of it.
    CalibrationEpochs {
        epochs: usize,
        first: String,
        last: String,
    },
    /// Lights so many days from the nearest bias or dark frame of their camera.
    CalibrationOld {
        lights: usize,
        days: f64,
    },
    /// Focal length and aperture whose ratio no telescope has, mm.
    FocalRatio {
        focal_mm: f64,
        aperture_mm: f64,
    },
    /// Pixels without a value.
    UndefinedPixels,
    /// Cubes of colours, interpolated.
    ColourPlanes,
    /// The pixels show another colour pattern than the card says.
    ColourPattern,
    /// Pixels that compression rounded.
    LossyCompression {
        coarsest_step_adu: f64,
    },
    /// From the first light in time on, the sensor is further from its set-point than the limit.
    OffSetPoint {
        first: String,
        lights: usize,
        limit_celsius: f64,
    },
    /// Lights that were resampled or denoised, and the strongest correlation among them.
    CorrelatedNoise {
        lights: usize,
        strongest: Correlated,
    },
    /// Lights that were resampled or denoised, unless the camera itself correlates its noise.
    PerhapsResampled {
        lights: usize,
        strongest: Correlated,
    },
    /// Lights whose noise the camera's read-out correlates.
    CorrelatedReadOut {
        lights: usize,
        strongest: Correlated,
    },
    /// Hot pixels told by lights alone: bright at one place in `compared` of them while the stars moved.
    HotPixelsOfLights {
        pixels: usize,
        compared: usize,
    },
    /// Lights whose noise is not that of their level; the finding is as the session words it.
    NoiseUnexplained {
        session_id: String,
        finding: String,
    },
    /// Lights whose noise is somewhat more or less than that of their level.
    NoiseDiffers {
        session_id: String,
        finding: String,
    },
    /// Lights without a date.
    Undated,
    /// Lights whose night is told without a longitude.
    NightByUtc,
    /// Darks that would leave more than they take off; the finding is as the session words it.
    DarkMismatch {
        session_id: String,
        finding: String,
    },
}

impl Caution {
    /// A fixed word for scripts.
    pub fn code(&self) -> &str {
        match self {
            Self::Sensor(of) => of.code(),
            Self::Quoted { code, .. } => code,
            of => of.into(),
        }
    }

    /// All words that [`Caution::code`] may give.
    pub fn codes() -> Vec<&'static str> {
        let own = Self::VARIANTS.iter().filter(|word| !["sensor", "quoted"].contains(word));
        let mut all: Vec<&str> = own.chain(SensorCaution::VARIANTS).copied().collect();
        all.sort_unstable();
        all.dedup();
        all
    }

    /// How grave it is.
    pub fn severity(&self) -> Severity {
        match self {
            Self::Sensor(_) => Severity::Caution,
            Self::Quoted { severity, .. } => *severity,
            Self::NoiseUnexplained { .. } => Severity::Problem,
            Self::Header { first, .. } if first.touches_a_result() => Severity::Caution,
            Self::Header { .. }
            | Self::UndefinedPixels
            | Self::Undated
            | Self::NightByUtc
            | Self::HotPixelsOfLights { .. }
            | Self::CorrelatedReadOut { .. }
            | Self::KindsWithoutCard { .. }
            | Self::DarkTemperatureAssumed { .. }
            | Self::FiltersAlike { .. }
            | Self::SubFrames { .. }
            | Self::CalibrationEpochs { .. } => Severity::Note,
            Self::KindContradicted { .. }
            | Self::WidthsStepped { .. }
            | Self::MosaicByPixels { .. }
            | Self::MosaicDenied { .. }
            | Self::ExposedBias { .. }
            | Self::CalibrationOld { .. }
            | Self::FocalRatio { .. }
            | Self::ColourPlanes
            | Self::ColourPattern
            | Self::LossyCompression { .. }
            | Self::OffSetPoint { .. }
            | Self::CorrelatedNoise { .. }
            | Self::PerhapsResampled { .. }
            | Self::NoiseDiffers { .. }
            | Self::DarkMismatch { .. } => Severity::Caution,
        }
    }

    /// Whether its sentence begins with the number of its frames.
    pub fn counts_its_frames(&self) -> bool {
        matches!(
            self,
            Self::KindContradicted { .. }
                | Self::KindsWithoutCard { .. }
                | Self::SubFrames { .. }
                | Self::MosaicDenied { .. }
                | Self::ExposedBias { .. }
                | Self::CalibrationOld { .. }
                | Self::CorrelatedNoise { .. }
                | Self::PerhapsResampled { .. }
                | Self::CorrelatedReadOut { .. }
        )
    }
}

impl From<SensorCaution> for Caution {
    fn from(of: SensorCaution) -> Self {
        Self::Sensor(of)
    }
}
