//! How a value came to be.

use serde::{Deserialize, Serialize};
use strum::IntoStaticStr;

use super::answers::AnswersMethod;
use super::night::NightMethod;
use super::sensor::SensorMethod;
use super::sky::SkyMethod;
use super::stars::StarsMethod;
use super::verdict::VerdictMethod;

/// How a value came to be; what its `n` counts is part of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr)]
#[strum(serialize_all = "kebab-case")]
pub enum Method {
    /// As the report that it was read from words it.
    Quoted(String),
    /// A number on its way into a sentence that tells itself how it was had.
    InSentence,
    /// There is no value.
    NotMeasurable,
    /// A header card.
    Card {
        card: String,
    },
    /// A key of the rig file.
    RigKey {
        key: String,
    },
    /// Where a header value came from, as its reading names it: card, unit, steps.
    Carded {
        origin: String,
    },
    /// A step from another value, which came to be as told.
    Following {
        step: Box<Method>,
        of: Box<Method>,
    },
    Stars(StarsMethod),
    Sensor(SensorMethod),
    Sky(SkyMethod),
    Night(NightMethod),
    Verdict(VerdictMethod),
    Answers(AnswersMethod),
}

impl Method {
    /// `step` from a value that came to be by `of`.
    pub fn following(step: impl Into<Method>, of: Method) -> Self {
        Self::Following { step: Box::new(step.into()), of: Box::new(of) }
    }

    /// A fixed word for scripts.
    pub fn code(&self) -> &'static str {
        match self {
            Self::Following { step, .. } => step.code(),
            Self::Stars(of) => of.into(),
            Self::Sensor(of) => of.into(),
            Self::Sky(of) => of.into(),
            Self::Night(of) => of.into(),
            Self::Verdict(of) => of.into(),
            Self::Answers(of) => of.into(),
            of => of.into(),
        }
    }
}

impl From<StarsMethod> for Method {
    fn from(of: StarsMethod) -> Self {
        Self::Stars(of)
    }
}

impl From<SensorMethod> for Method {
    fn from(of: SensorMethod) -> Self {
        Self::Sensor(of)
    }
}

impl From<SkyMethod> for Method {
    fn from(of: SkyMethod) -> Self {
        Self::Sky(of)
    }
}

impl From<NightMethod> for Method {
    fn from(of: NightMethod) -> Self {
        Self::Night(of)
    }
}

impl From<VerdictMethod> for Method {
    fn from(of: VerdictMethod) -> Self {
        Self::Verdict(of)
    }
}

impl From<AnswersMethod> for Method {
    fn from(of: AnswersMethod) -> Self {
        Self::Answers(of)
    }
}

/// Unit tests word what does not matter to them.
#[cfg(test)]
impl From<&str> for Method {
    fn from(words: &str) -> Self {
        Self::Quoted(words.to_owned())
    }
}
