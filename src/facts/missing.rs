//! Why a value is missing, and what would supply it.

use serde::{Deserialize, Serialize};
use strum::{IntoStaticStr, VariantNames};

use super::Help;
use super::answers::AnswersMissing;
use super::night::NightMissing;
use super::sensor::SensorMissing;
use super::sky::SkyMissing;
use super::stars::StarsMissing;
use super::verdict::VerdictMissing;

/// Why a value is missing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum Missing {
    /// A value of a report that was read, which words its reason itself.
    Quoted {
        reason: String,
        would_help: Vec<String>,
        sentence: String,
    },
    /// No reason was given.
    Unstated,
    /// It follows from another value, which is missing.
    Input {
        what: Input,
        because: Box<Missing>,
    },
    /// Neither of two ways gives it.
    Neither {
        one: Box<Missing>,
        other: Box<Missing>,
    },
    /// There is none of what it needs, for a reason of its own.
    Without {
        what: Input,
        because: Box<Missing>,
    },
    /// The dark current is missing for a reason that names nothing to take; darks like the lights then help.
    DarksLikeTheLights {
        because: Box<Missing>,
    },
    /// The exposure time is not known.
    ExposureTime,
    /// The temperature of the sensor is not known.
    SensorTemperature,
    Stars(StarsMissing),
    Sensor(SensorMissing),
    Sky(SkyMissing),
    Night(NightMissing),
    Verdict(VerdictMissing),
    Answers(AnswersMissing),
}

/// A value that another follows from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Input {
    Sky,
    SkyRate,
    DarkCurrent,
    ReadNoise,
    StarImage,
    StarWidth,
    BiasLevel,
    SaturationLevel,
    ImageScale,
    NoiseBudget,
    Gain,
}

impl Missing {
    /// It follows from `what`, which is missing itself.
    pub fn input(what: Input, because: Missing) -> Self {
        Self::Input { what, because: Box::new(because) }
    }

    /// Neither of two ways gives it.
    pub fn neither(one: Missing, other: Missing) -> Self {
        Self::Neither { one: Box::new(one), other: Box::new(other) }
    }

    /// There is no `what`, which it needs.
    pub fn without(what: Input, because: Missing) -> Self {
        Self::Without { what, because: Box::new(because) }
    }

    /// A fixed word for scripts: that of the value at the root.
    pub fn code(&self) -> &str {
        match self {
            Self::Quoted { reason, .. } => reason,
            Self::Input { because, .. }
            | Self::Without { because, .. }
            | Self::DarksLikeTheLights { because }
            | Self::Neither { one: because, .. } => because.code(),
            Self::Stars(of) => of.into(),
            Self::Sensor(of) => of.into(),
            Self::Sky(of) => of.into(),
            Self::Night(of) => of.into(),
            Self::Verdict(of) => of.into(),
            Self::Answers(of) => of.into(),
            of => of.into(),
        }
    }

    /// What would supply the value: kinds of frames, cards, keys. Empty where nothing is known to.
    pub fn would_help(&self) -> Vec<Help> {
        match self {
            Self::Quoted { .. } | Self::Unstated => Vec::new(),
            Self::Input { because, .. } | Self::Without { because, .. } => because.would_help(),
            Self::Neither { one, other } => [one.would_help(), other.would_help()].concat(),
            Self::DarksLikeTheLights { .. } => vec![Help::Dark, Help::Bias, Help::Flat],
            Self::ExposureTime => vec![Help::Card("EXPTIME")],
            Self::SensorTemperature => vec![Help::Card("CCD-TEMP"), Help::RigKey("sensor_celsius")],
            Self::Stars(of) => of.would_help(),
            Self::Sensor(of) => of.would_help(),
            Self::Sky(of) => of.would_help(),
            Self::Night(of) => of.would_help(),
            Self::Verdict(of) => of.would_help(),
            Self::Answers(of) => of.would_help(),
        }
    }
}

impl Missing {
    /// [`Missing::would_help`] in the form of the report's files; of a reason that was read from one, what it told.
    pub fn would_help_codes(&self) -> Vec<String> {
        match self {
            Self::Quoted { would_help, .. } => would_help.clone(),
            Self::Input { because, .. } | Self::Without { because, .. } => because.would_help_codes(),
            Self::Neither { one, other } => [one.would_help_codes(), other.would_help_codes()].concat(),
            of => of.would_help().iter().map(Help::to_string).collect(),
        }
    }
}

impl From<StarsMissing> for Missing {
    fn from(of: StarsMissing) -> Self {
        Self::Stars(of)
    }
}

impl From<SensorMissing> for Missing {
    fn from(of: SensorMissing) -> Self {
        Self::Sensor(of)
    }
}

impl From<SkyMissing> for Missing {
    fn from(of: SkyMissing) -> Self {
        Self::Sky(of)
    }
}

impl From<NightMissing> for Missing {
    fn from(of: NightMissing) -> Self {
        Self::Night(of)
    }
}

impl From<VerdictMissing> for Missing {
    fn from(of: VerdictMissing) -> Self {
        Self::Verdict(of)
    }
}

impl From<AnswersMissing> for Missing {
    fn from(of: AnswersMissing) -> Self {
        Self::Answers(of)
    }
}

/// Unit tests word what does not matter to them.
#[cfg(test)]
impl From<&str> for Missing {
    fn from(words: &str) -> Self {
        Self::Quoted { reason: "worded".to_owned(), would_help: Vec::new(), sentence: words.to_owned() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_report_said_would_help_is_kept_however_deep_its_reason_lies() {
        let quoted =
            || Missing::Quoted { reason: "no-flat-pair".into(), would_help: vec!["flat".into()], sentence: "x".into() };
        let exposure = Missing::ExposureTime;
        assert_eq!(Missing::without(Input::Gain, quoted()).would_help_codes(), ["flat"]);
        assert_eq!(Missing::input(Input::Sky, Missing::input(Input::Gain, quoted())).would_help_codes(), ["flat"]);
        assert_eq!(Missing::neither(exposure, quoted()).would_help_codes(), ["EXPTIME", "flat"]);
    }
}
