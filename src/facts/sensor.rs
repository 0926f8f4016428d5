//! What can be said of a sensor, from its calibration frames: how values came to be, why they are missing, what goes with them.

use serde::{Deserialize, Serialize};
use strum::{IntoStaticStr, VariantNames};

use super::Help;

/// How a value came to be.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum SensorMethod {
    BiasPairDifference,
    /// The likeliest normal noise behind rounding and clipping to codes.
    LikeliestNoiseOfBiasPairs,
    /// A limit, since the codes do not tell the noise.
    LimitFromBiasPairs,
    ScatterWithinOneBias,
    /// A normal law behind a histogram that ends at the lowest code.
    CensoredHistogramOfOneBias,
    ScatterOfRowMeans,
    ScatterOfColumnMeans,
    CovarianceOfBiasPairs,
    MeanOfBiasLevels,
    ScatterOfBiasLevels,
    PixelScatterOverBiases,
    FourthMomentOfBiasPairs,
    NeighboursInBiasPairs,
    NeighboursInOneBias,
    ReadNoiseTimesGain,
    SignalThatEqualsItsNoise,
    BiasPairsOfQuadrant,
    PileUpOfFlats,
    PileUpOfLights,
    ShareOfSixteenBits {
        share: f64,
    },
    PhotonTransferLine,
    PhotonTransferCurve,
    PhotonTransferOnSky,
    OneFlatPair,
    CurveAtNoSignal,
    BetweenCurveAndFirstBelow,
    FullWellTimesGain,
    CovarianceOfFlatPair,
    SurfaceThroughMeanFlat,
    SlopeOfDarkLevel,
    DarkLevelAboveBias,
    SlopeOfDarkVariance,
    /// The fitted law at a temperature.
    DarkLaw(DarkModel),
    DarkLawAtReference,
    StepOfDarkLaw,
    StepOfActivatedPart,
    ActivationEnergyOfFit,
    FloorOfFit,
    /// The rate at the reference temperature, carried by the doubling step.
    CarriedByDoublingStep,
    PublishedDoublingSteps,
    SlopeOfGlow,
    GlowWithoutExposure,
    DeviationOfMeanDark,
    PixelsLeftOutOfDarkRate,
    MeanOfAllLessOrdinary,
    HotPixelsByRate {
        above_typical_e_per_s: f64,
    },
    HotPixelsOfLongestDark {
        times_typical: f64,
        noise_sigmas: f64,
    },
    HotPixelsAgainstTemperature,
}

/// Why a value is missing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum SensorMissing {
    NoBias,
    NoBiasPair,
    NoBiasPairAtOneTemperature,
    /// No set of as many biases at one temperature, or its noise is below the step between codes.
    TooFewBiasesForPixels {
        fewest: usize,
    },
    NoBiasPairWithFreeNoise,
    /// Bias frames too small, or without noise, to tell how alike neighbours are.
    TooFewBiasTiles,
    TooFewPixelsInQuadrant,
    /// For the gain, neither flats nor biases.
    NoFlatPairNorBiasPair,
    NoFlatPair,
    /// There are flats, but none that can be used.
    NoUsableFlatPair,
    FlatsWithoutBiasPair,
    NoFlatPairAtOneLevel,
    NoLightPairUnderEvenSky,
    /// Neighbouring pixels of the differences of lights are correlated.
    FaintStarsInLights {
        correlation: f64,
    },
    SkyNoiseTooLow,
    FlatPairTooBright,
    FlatPairLevelsDiffer {
        ratio: f64,
    },
    TooFewCellsOfFlatPair,
    NoiseOfFlatPairTooLow,
    TooFewFlatsBelowSaturation,
    FlatVarianceDoesNotGrow,
    FlatNoiseTooLow,
    FlatLevelsSpanTooLittle,
    NoFlatsAtFullWell {
        brightest_adu: f64,
    },
    NoBiasLevelForFlats,
    FrameTooSmallForSurface,
    LightStaysAbove {
        illumination: f64,
    },
    LightFallsOffTooLittle,
    NoDark,
    NoDarksAtTwoTemperatures,
    NoDarksAtFourTemperatures,
    DarkCurrentNotSeenAtTwoTemperatures,
    NoTemperatureOfDarks,
    NoTemperatureOfDarkRate,
    FloorNotSeen,
    NoUsableDark,
    DarkNotSeparableFromBias,
    NoSecondExposureForGlow,
    NoDarkPairsAtTwoExposures,
    NoPairOfLongestDarks,
    NoHotPixelsAtTwoTemperatures,
    TooFewHotPixels {
        count: usize,
    },
    HotPixelsDoNotGrow,
}

impl SensorMissing {
    /// What would supply the value.
    pub fn would_help(&self) -> Vec<Help> {
        match self {
            Self::NoBias
            | Self::NoBiasPair
            | Self::NoBiasPairAtOneTemperature
            | Self::TooFewBiasesForPixels { .. }
            | Self::NoBiasPairWithFreeNoise
            | Self::FlatsWithoutBiasPair
            | Self::NoBiasLevelForFlats => vec![Help::Bias],
            Self::NoFlatPairNorBiasPair => vec![Help::Flat, Help::Bias],
            Self::NoFlatPair
            | Self::NoUsableFlatPair
            | Self::NoFlatPairAtOneLevel
            | Self::FlatPairTooBright
            | Self::TooFewFlatsBelowSaturation
            | Self::NoiseOfFlatPairTooLow
            | Self::FlatVarianceDoesNotGrow
            | Self::FlatNoiseTooLow
            | Self::FlatLevelsSpanTooLittle
            | Self::NoFlatsAtFullWell { .. } => vec![Help::Flat],
            Self::NoLightPairUnderEvenSky => vec![Help::Light],
            Self::NoDark
            | Self::NoDarksAtTwoTemperatures
            | Self::NoDarksAtFourTemperatures
            | Self::DarkCurrentNotSeenAtTwoTemperatures
            | Self::NoSecondExposureForGlow
            | Self::NoPairOfLongestDarks => vec![Help::Dark],
            Self::NoDarkPairsAtTwoExposures | Self::NoHotPixelsAtTwoTemperatures => vec![Help::Dark, Help::Bias],
            Self::DarkNotSeparableFromBias => vec![Help::Bias, Help::Dark],
            Self::NoTemperatureOfDarks | Self::NoTemperatureOfDarkRate => vec![Help::Card("CCD-TEMP")],
            Self::TooFewPixelsInQuadrant
            | Self::TooFewBiasTiles
            | Self::FaintStarsInLights { .. }
            | Self::SkyNoiseTooLow
            | Self::FlatPairLevelsDiffer { .. }
            | Self::TooFewCellsOfFlatPair
            | Self::FrameTooSmallForSurface
            | Self::LightStaysAbove { .. }
            | Self::LightFallsOffTooLittle
            | Self::FloorNotSeen
            | Self::NoUsableDark
            | Self::TooFewHotPixels { .. }
            | Self::HotPixelsDoNotGrow => Vec::new(),
        }
    }
}

/// What goes with a value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum SensorNote {
    SaturationAssumed,
    /// An upper limit of the read noise: one bias contains the fixed pattern.
    FixedPatternContained,
    /// Pixels that jump from level to level raise the root mean square above the noise of the others.
    NoisyPixelsRaiseIt {
        percent: f64,
    },
    /// From darks of this exposure, for want of bias frames.
    DarkCurrentContained {
        exposure_s: f64,
    },
    QuantisationLimited {
        limit_adu: f64,
        steps: f64,
        seen: SeenInCodes,
    },
    /// A lower limit of the fixed pattern: pixels at the lowest code hide theirs.
    PatternHiddenAtLowestCode,
    OffsetTooLow {
        fraction_at_floor: f64,
    },
    LevelWanders {
        wander_adu: f64,
    },
    BiasWanderAssumed {
        wander_adu: f64,
    },
    LevelsStrayFromCurve,
    /// The level of flats without light lies so far from that of the biases.
    FlatsOffBias {
        adu: f64,
    },
    FromLightsNotFlats,
    GradientOfLightContained,
    BiasOfOtherTemperature,
    OffsetAllowedForOneExposure {
        offset_adu: f64,
    },
    DoublingAssumedFromOneTemperature,
    /// The darks give a step that silicon does not show; another is assumed.
    LawNotOfSilicon {
        doubling_celsius: f64,
    },
    DoublingStepAssumed {
        celsius: f64,
        sigma_c: f64,
    },
    MeasuredBetween {
        low_celsius: f64,
        high_celsius: f64,
    },
    HotPixelsMeasuredBetween {
        low_celsius: f64,
        high_celsius: f64,
        reference_celsius: f64,
    },
    BeyondMeasuredTemperatures {
        by_c: f64,
    },
}

/// What codes that are too coarse for the noise show of it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum SeenInCodes {
    /// All pixels show one code or two.
    OneCodeOrTwo,
    Noise {
        adu: f64,
    },
}

/// Which law of the dark current was fitted.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(remote = "Self")]
pub enum DarkModel {
    Unknown,
    OneTemperature,
    /// An activated part and a floor.
    ActivatedAndFloor,
    /// An activated part alone, since as many temperatures tell no floor.
    TooFewForFloor {
        temperatures: usize,
    },
    FloorNotSupported,
    /// As the report that it was read from words it.
    Quoted(String),
}

/// Which rates the dark current was taken from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(remote = "Self")]
pub enum DarkRates {
    Unknown,
    /// Of the mean level of the pixels that are not hot.
    MeanLevel,
    /// Of the variance of pairs: the camera takes the dark level off.
    Variance,
    /// As the report that it was read from words it.
    Quoted(String),
}

/// Where a glow is brightest.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(remote = "Self")]
pub enum GlowPlace {
    /// The sides that it lies at, as rows and as columns count; neither inside the frame.
    At { rows: Option<Side>, columns: Option<Side> },
    /// As the report that it was read from words it.
    Quoted(String),
}

/// A side of the frame, as its rows or columns count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Side {
    First,
    Last,
}

/// What a glow does.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(remote = "Self")]
pub enum GlowBehaviour {
    Grows,
    ComesWithReadout,
    GrowsAndComesWithReadout,
    Unknown,
    /// As the report that it was read from words it.
    Quoted(String),
}
