//! What can be said of image scale, noise budget, light, darks and the other numbers that lead to answers: how values came to be, why they are missing, what goes with them.

use serde::{Deserialize, Serialize};
use strum::{IntoStaticStr, VariantNames};

use super::Help;

/// How a value came to be.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum VerdictMethod {
    /// Image scale of a celestial WCS, and the card that it was read from.
    CelestialWcs {
        card: String,
    },
    /// Image scale from the cards of pixel pitch and focal length.
    PitchOverFocalLength {
        pitch_card: String,
        focal_card: String,
        reading: PitchReading,
    },
    /// Variance of the sky in one exposure.
    SkyRateTimesExposure {
        exposure_s: f64,
    },
    /// Variance of the dark current in one exposure.
    DarkRateTimesExposure {
        exposure_s: f64,
    },
    /// Variance of reading out.
    ReadNoiseSquared,
    /// Variance of rounding to codes.
    CodeStepTimesGainSquared {
        step_adu: u32,
    },
    /// Variance of one exposure.
    SumOfNoiseParts,
    /// Noise of one pixel in the differences of neighbouring lights, median over their levels.
    NoiseOfDifferences,
    /// Noise of one pixel within single lights, the known patterns taken off, median over their levels.
    NoiseOfSingleLights,
    /// Noise of the lights' level above bias with gain and read noise.
    NoiseOfLevel,
    /// Noise measured over noise predicted, median over the levels.
    MeasuredOverPredicted,
    /// Inverse slope of the variance over the lights' own levels.
    NoiseOverSkyLevel,
    SkyOverTotalVariance,
    DarkOverTotalVariance,
    ReadNoiseOverTotalVariance,
    /// By how much read noise raises the noise of sky and dark current.
    NoiseOverThatOfSkyAndDark,
    /// Exposure in which read noise raises the noise by a share: with `factor` the square of one more than it, less 1.
    ReadNoiseSquaredOverRates {
        factor: f64,
    },
    /// Zero point over the stars of known magnitude.
    ZeroPointOfMatchedStars,
    /// Light of a star of magnitude 0.
    LightAtMagnitudeZero,
    /// Surface brightness of the sky.
    SkyAgainstZeroPoint,
    ClippedOverAllStars,
    /// Exposure in which drift would be seen.
    DriftSeen,
    /// Exposure in which a tenth of the stars clip.
    RoomOverBrightestPixel,
    /// What is left of a star's width without the parts that are told apart.
    WidthLessParts,
    /// Width of the star image without its diffraction, squares of the other parts taken off.
    ImageWithoutDiffraction,
    /// That at the zenith, were it all seeing.
    RestAtZenith {
        airmass: f64,
    },
    /// What the pixel adds to a star's width.
    RecordedOverTrueWidth,
    WidthTimesSharedEllipticity,
    /// What widens stars away from the centre.
    WidthOverThatAtCentre,
    /// Diffraction of a clear round aperture.
    ClearAperture {
        aperture_mm: f64,
        wavelength_nm: f64,
    },
    /// Dark level that the darks leave in the lights.
    DarkChargeDifference,
    /// Pattern that it leaves.
    LevelTimesSpreadOfRates,
    PatternOverNoise,
    /// Variance of the hot pixels' charge, spread over all pixels, over that of an ordinary one.
    HotChargeOverVariance,
    /// Variance that the values of hot pixels cost where they are left out of a mean.
    HotPixelsLeftOut,
    /// Noise of hot pixels over that of the others.
    HotNoiseOverOthers,
    NoiseOfOneLight,
    /// Spread of the pixels' dark rates over their mean.
    SpreadOverMeanRate,
    /// Variance that a master dark adds, over that of one light.
    MasterOverLightVariance,
    /// Variance of a stack with a perfect master dark.
    LightVarianceOverLights,
    /// With these darks and dithered lights.
    DarkenedVarianceOverLights,
    /// With these darks and lights that were not dithered.
    LightVarianceOverLightsAndDarks,
    /// Time that a measure leaves, in hours of 100.
    HoursOfTimeRatio,
    NothingToGain,
    /// Time ratio of longer exposures.
    LongerExposuresOverNow,
    /// Time ratio of more darks.
    MoreDarksOverNow,
    /// Time ratio of round stars.
    RoundStarsOverNow,
    BinningLosesDetail,
    /// Pixels per FWHM over all sessions of a filter.
    MeanOverSessionsByLights,
}

/// How the pitch of a recorded pixel was read from the one that is stated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum PitchReading {
    /// As it stands: the frame is not binned.
    Unbinned,
    /// As that of the binned pixel.
    Binned,
    /// As that of the physical pixel, times the binning.
    PhysicalTimesBinning,
}

/// Why a value is missing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum VerdictMissing {
    NeitherPitchNorFocalLength,
    /// An image scale needs the pixel pitch.
    NoPixelPitch,
    /// An image scale needs the focal length.
    NoFocalLength,
    /// Nothing tells whether the stated pitch contains the binning: the scale that each reading gives.
    AmbiguousPitch {
        card: String,
        physical_arcsec_per_px: f64,
        binned_arcsec_per_px: f64,
    },
    /// Pitch and focal length give a scale that no camera has.
    ImplausibleOptics(RefusedOptics),
    /// The pitch of a recorded pixel cannot be had from the headers.
    NoRecordedPixelSize,
    /// No header and no rig file states a focal length.
    NoStatedFocalLength,
    NoAperture,
    NoAirmass,
    /// Neither the sky nor the dark current gives a signal.
    NoBackgroundAboveZero,
    CodeStepUnknown,
    /// No two lights of one exposure whose difference could be taken.
    NoSkyNoise,
    /// The sky has one level all over, or its noise too large an error, to tell how noise grows with it.
    OneSkyLevel,
    /// All parts of the noise are 0.
    NoNoiseAtAll,
    SkyNotAboveBiasAndDark,
    NoStarsMeasured,
    NoStarsFitted,
    StarsAsWideAsThePixel,
    /// More than a tenth of the brighter stars clip in the exposure as it is.
    TenthClipsAlready,
    /// A drifting focus widens stars as seeing does.
    FocusDriftNotSeparable,
    PartsWiderThanStar,
    LightsWithoutTemperatureOrExposure,
    /// No darks of the same camera, frame size and binning tell their temperature.
    NoComparableDarks,
    NoSpreadOfDarkRates,
    LightWithoutNoise,
    DarksNotSought,
    /// What another spacing would bring is not seen at one.
    OneSpacingAlone,
    /// Whether the camera adds charge before it is read is not in the frames.
    BinningModeUnknown,
    /// No binning keeps two pixels per width.
    NoBinningLeft,
    NoSession,
}

impl VerdictMissing {
    /// What would supply the value.
    pub fn would_help(&self) -> Vec<Help> {
        match self {
            Self::NeitherPitchNorFocalLength
            | Self::NoPixelPitch
            | Self::NoFocalLength
            | Self::ImplausibleOptics(_) => vec![
                Help::Card("XPIXSZ"),
                Help::Card("FOCALLEN"),
                Help::Card("CD1_1"),
                Help::RigKey("pixel_um"),
                Help::RigKey("focal_mm"),
            ],
            Self::AmbiguousPitch { .. } => vec![Help::RigKey("pixel_includes_binning")],
            Self::NoRecordedPixelSize => {
                vec![Help::Card("XPIXSZ"), Help::Card("XBINNING"), Help::RigKey("pixel_um")]
            }
            Self::NoStatedFocalLength => vec![Help::Card("FOCALLEN"), Help::RigKey("focal_mm")],
            Self::NoAperture => vec![Help::Card("APTDIA"), Help::RigKey("aperture_mm")],
            Self::NoAirmass => vec![
                Help::Card("AIRMASS"),
                Help::Card("OBJCTALT"),
                Help::Card("SITELAT"),
                Help::Card("SITELONG"),
                Help::RigKey("site_latitude_deg"),
                Help::RigKey("site_longitude_deg"),
            ],
            Self::PartsWiderThanStar => {
                vec![Help::RigKey("aperture_mm"), Help::RigKey("focal_mm"), Help::RigKey("pixel_um")]
            }
            Self::FocusDriftNotSeparable | Self::OneSpacingAlone | Self::NoSkyNoise => vec![Help::Light],
            Self::LightsWithoutTemperatureOrExposure => {
                vec![Help::Card("CCD-TEMP"), Help::Card("EXPTIME"), Help::RigKey("sensor_celsius")]
            }
            Self::NoComparableDarks => vec![Help::Dark, Help::Card("CCD-TEMP")],
            Self::NoSpreadOfDarkRates => vec![Help::Dark, Help::Bias],
            Self::NoBackgroundAboveZero
            | Self::CodeStepUnknown
            | Self::OneSkyLevel
            | Self::NoNoiseAtAll
            | Self::SkyNotAboveBiasAndDark
            | Self::NoStarsMeasured
            | Self::NoStarsFitted
            | Self::StarsAsWideAsThePixel
            | Self::TenthClipsAlready
            | Self::LightWithoutNoise
            | Self::DarksNotSought
            | Self::BinningModeUnknown
            | Self::NoBinningLeft
            | Self::NoSession => Vec::new(),
        }
    }
}

/// A pitch and a focal length that cannot belong together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RefusedOptics {
    pub pitch_card: String,
    pub pitch_um: f64,
    pub focal_card: String,
    pub focal_mm: f64,
    /// The scale that they give.
    pub arcsec_per_px: f64,
    /// The one that the focal length would give in metres, where a camera can have it.
    pub if_metres_arcsec_per_px: Option<f64>,
}

/// What goes with a value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum VerdictNote {
    /// The scale of the WCS is one that no camera has.
    WcsRefused { card: String, arcsec_per_px: f64 },
    /// Pitch and focal length give another scale than the WCS.
    OpticsDisagree { arcsec_per_px: f64, percent: f64 },
    /// The WCS settles that the stated pitch is the physical pixel's.
    WcsAgreesWithPhysicalPixel { card: String },
    /// The WCS settles that the stated pitch contains the binning.
    WcsAgreesWithBinnedPixel { card: String },
    /// No reading of the stated pitch gives the scale of the WCS.
    NeitherPixelAgreesWithWcs { card: String, physical_arcsec_per_px: f64, binned_arcsec_per_px: f64 },
    /// The noise of rounding is not in it.
    WithoutQuantisation,
    /// The read noise contains that of rounding.
    QuantisationInReadNoise,
    /// A sky that was measured below 0 counts as 0.
    SkyCountsAsZero,
    /// A dark current that was measured below 0 counts as 0.
    DarkCurrentCountsAsZero,
    /// Magnitudes are of the catalogue's band.
    CatalogueBand,
    /// Parts of the width that could not be told are still in the rest.
    StillContains { parts: Vec<WidthPart> },
    /// The pattern that darks leave is not known and not in it.
    WithoutPattern,
}

/// A part of a star's width.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum WidthPart {
    Elongation,
    Field,
    Diffraction,
}
