//! A number of the comparison, or why there is none.

use strum::IntoStaticStr;

use super::keys::{Key, Table};
use crate::facts::{Help, Missing};

/// Why a number is not computable.
#[derive(Debug, Clone, PartialEq, IntoStaticStr)]
#[strum(serialize_all = "kebab-case")]
pub enum Lacking {
    /// The report has no value for it.
    Measured(Missing),
    /// The report has no star width.
    StarWidth(Missing),
    /// A key of the options file is not stated.
    KeyNotStated {
        key: Key,
        table: Table,
    },
    /// Width and height of the new sensor are not stated, or one of them.
    SizeNotStated,
    /// The pixel size is neither in the report nor in the options file.
    PresentPixelNotStated,
    /// No hours a year are stated; a measure that costs nothing asks for their sum alone.
    HoursNotStated {
        for_measure: bool,
    },
    /// Sessions of several filters, and no shares of the hours.
    SharesNotStated,
    /// Hours go into a filter that the report has no session in.
    FilterNotMeasured {
        filter: String,
    },
    /// The frames have a colour mosaic that the options file denies.
    MosaicDenied,
    NoSensorOfSession,
    LightsTemperature,
    /// Sky, read noise and dark current are all 0.
    NoNoise,
    /// The report does not tell the size of its frames.
    FrameSize,
    /// A cooler leaves sensor and optics as they are.
    SameSensorAndOptics,
    /// Other optics have a correction of their own.
    OtherCorrection,
    /// A drawn value left no noise or no light at all.
    DrawnOutOfReason,
    NoHoursGained,
}

/// A number of the comparison, or why there is none.
pub(crate) type Known<T> = Result<T, Lacking>;

impl From<Missing> for Lacking {
    fn from(missing: Missing) -> Self {
        Self::Measured(missing)
    }
}

impl Lacking {
    /// A fixed word for scripts; that of the report where a value of its own is missing.
    pub fn code(&self) -> &str {
        match self {
            Self::Measured(missing) | Self::StarWidth(missing) => missing.code(),
            of => of.into(),
        }
    }

    /// What would supply the number, in the form of the report's `would_help`.
    pub fn would_help(&self) -> Vec<String> {
        let help: Vec<Help> = match self {
            Self::Measured(missing) | Self::StarWidth(missing) => return missing.would_help_codes(),
            Self::KeyNotStated { key, .. } => vec![Help::OptionKey(key.name())],
            Self::SizeNotStated => keys(&[Key::WidthPx, Key::HeightPx]),
            Self::PresentPixelNotStated => keys(&[Key::PixelUm]),
            Self::HoursNotStated { .. } => keys(&[Key::HoursPerYear, Key::Ambient]),
            Self::SharesNotStated => keys(&[Key::Filter]),
            Self::MosaicDenied => keys(&[Key::Mosaic]),
            Self::FilterNotMeasured { .. } => vec![Help::Light],
            Self::LightsTemperature => vec![Help::Card("CCD-TEMP")],
            Self::NoSensorOfSession
            | Self::NoNoise
            | Self::FrameSize
            | Self::SameSensorAndOptics
            | Self::OtherCorrection
            | Self::DrawnOutOfReason
            | Self::NoHoursGained => Vec::new(),
        };
        help.iter().map(Help::to_string).collect()
    }
}

fn keys(keys: &[Key]) -> Vec<Help> {
    keys.iter().map(|key| Help::OptionKey(key.name())).collect()
}

/// A number as `upgrade.json` has it: its value, or why it is not computable.
#[derive(Debug, Clone, PartialEq)]
pub struct Number<T> {
    pub value: Option<T>,
    pub lacking: Option<Lacking>,
}

impl<T> From<Known<T>> for Number<T> {
    fn from(known: Known<T>) -> Self {
        match known {
            Ok(value) => Self { value: Some(value), lacking: None },
            Err(lacking) => Self { value: None, lacking: Some(lacking) },
        }
    }
}
