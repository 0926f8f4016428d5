//! What can be said of sampling, cooling and gear that would suit: how values came to be, why they are missing, what goes
//! with them.

use serde::{Deserialize, Serialize};
use strum::{IntoStaticStr, VariantNames};

use super::Help;

/// How a value came to be.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum AnswersMethod {
    /// Width of the star image over the pixel.
    PixelsPerFwhm,
    /// The Moffat exponent that a star image without a fit is taken to have.
    UnfittedExponent,
    /// Power beyond the Nyquist band, by integration.
    AliasedPower,
    /// Growth of the width by the pixel.
    WidthLost,
    /// Signal-to-noise of a matched filter on a faint star.
    MatchedFilter,
    /// The pixel of the best signal-to-noise, over the present one.
    BestPixel,
    /// Signal-to-noise at that pixel.
    MatchedFilterAtBestPixel,
    /// Gear that would give so many pixels per FWHM.
    SuitedTo { px_per_fwhm: f64 },
    /// Pixels in a row times the scale.
    FieldOfView,
    /// The present dark rate, its thermal part scaled by a law.
    DarkRateByLaw { step: ThermalStep },
    /// Variance rate of a colder sensor over that of the present one.
    TimeRatioWhenColder,
    /// Signal-to-noise that follows from it.
    SnrGainWhenColder,
    /// Variance rate without any dark current over the present one.
    TimeRatioWithoutDarkCurrent,
    /// Drop after which dark current hardly counts.
    DropForDarkShare,
    /// Temperature below which cooling hardly gains.
    LastGain,
    /// Dark rate of the cooled sensor, in a class of the year.
    DarkRateOfClass,
    /// Variance rate cooled over now, in a class of the year.
    TimeRatioOfClass,
    /// Hours of the year over the hours that they are worth.
    TimeRatioOfYear,
    /// Hours that the year is worth more.
    ExtraHours,
    /// Hours left over for the same result.
    SavedHours,
}

/// Why a value is missing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum AnswersMissing {
    /// The star image is a point, as far as the pixels tell.
    StarsNoWiderThanThePixel,
    /// The star image is too narrow to be integrated.
    StarsTooNarrow { least_px: f64 },
    /// No model of a star image fits the stars.
    NoModelFitsTheStars,
    /// The sky rate is not above 0.
    SkyNotAboveZero,
    /// Sky, read noise and dark current are all 0.
    NoNoiseAtAll,
    /// What does not cool is already more than the drop may leave.
    DarkCurrentThatDoesNotCool,
    /// The rig file does not say how far the cooler cools.
    CoolerDropNotStated,
    /// The rig file does not say how much warmer than the air the sensor is.
    SensorAboveAirNotStated,
    /// The rig file gives the air's temperatures no hours.
    NoHoursStated,
}

impl AnswersMissing {
    /// What would supply the value.
    pub fn would_help(&self) -> Vec<Help> {
        match self {
            Self::CoolerDropNotStated => vec![Help::RigKey("cooler_drop_c")],
            Self::SensorAboveAirNotStated => vec![Help::RigKey("sensor_above_ambient_c")],
            Self::NoHoursStated => vec![Help::RigKey("ambient")],
            Self::StarsNoWiderThanThePixel
            | Self::StarsTooNarrow { .. }
            | Self::NoModelFitsTheStars
            | Self::SkyNotAboveZero
            | Self::NoNoiseAtAll
            | Self::DarkCurrentThatDoesNotCool => Vec::new(),
        }
    }
}

/// What goes with a value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum AnswersNote {
    /// A dark rate below the temperatures at which darks were taken.
    ColderThanMeasured { low_celsius: f64, high_celsius: f64 },
    /// A value that lies below the range of the darks.
    BelowTheMeasuredRange { low_celsius: f64 },
    /// No drop is needed: dark current already hardly counts.
    DarkCurrentAlreadyLow,
    /// No colder temperature gains anything worth it.
    NothingMoreToGain,
}

/// One number that says how steeply the thermal part of a dark current falls.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum ThermalStep {
    /// `exp(-E/k (1/T - 1/T_now))`.
    ActivationEnergy {
        /// Activation energy, eV.
        ev: f64,
        /// Its standard uncertainty, eV.
        sigma_ev: f64,
    },
    /// `2^((T - T_now)/step)`, the same step at every temperature: the more cautious of the two when cooling.
    Doubling {
        /// Step, C.
        celsius: f64,
        /// Its standard uncertainty, C.
        sigma_c: f64,
    },
}
