//! What goes with a value: cautions and circumstances.

use serde::{Deserialize, Serialize};
use strum::IntoStaticStr;

use super::answers::AnswersNote;
use super::method::Method;
use super::missing::Missing;
use super::night::NightNote;
use super::sensor::SensorNote;
use super::stars::StarsNote;
use super::verdict::VerdictNote;

/// What goes with a value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr)]
#[strum(serialize_all = "kebab-case")]
pub enum Note {
    /// As the report that it was read from words it.
    Quoted(String),
    /// A stated value stands because none was measured.
    NotMeasured {
        because: Missing,
    },
    /// What is stated gives another scale than the stars, which were followed.
    StatedGivesOtherScale {
        stated: Method,
        arcsec_per_px: f64,
        sigma_arcsec_per_px: Option<f64>,
        percent: f64,
    },
    /// A note with the reason for it.
    Since {
        note: Box<Note>,
        because: Missing,
    },
    Stars(StarsNote),
    Sensor(SensorNote),
    Night(NightNote),
    Verdict(VerdictNote),
    Answers(AnswersNote),
}

impl Note {
    /// `note` for the reason given.
    pub fn since(note: impl Into<Note>, because: Missing) -> Self {
        Self::Since { note: Box::new(note.into()), because }
    }

    /// A fixed word for scripts.
    pub fn code(&self) -> &'static str {
        match self {
            Self::Since { note, .. } => note.code(),
            Self::Stars(of) => of.into(),
            Self::Sensor(of) => of.into(),
            Self::Night(of) => of.into(),
            Self::Verdict(of) => of.into(),
            Self::Answers(of) => of.into(),
            of => of.into(),
        }
    }
}

impl From<StarsNote> for Note {
    fn from(of: StarsNote) -> Self {
        Self::Stars(of)
    }
}

impl From<SensorNote> for Note {
    fn from(of: SensorNote) -> Self {
        Self::Sensor(of)
    }
}

impl From<NightNote> for Note {
    fn from(of: NightNote) -> Self {
        Self::Night(of)
    }
}

impl From<VerdictNote> for Note {
    fn from(of: VerdictNote) -> Self {
        Self::Verdict(of)
    }
}

impl From<AnswersNote> for Note {
    fn from(of: AnswersNote) -> Self {
        Self::Answers(of)
    }
}

/// Unit tests word what does not matter to them.
#[cfg(test)]
impl From<&str> for Note {
    fn from(words: &str) -> Self {
        Self::Quoted(words.to_owned())
    }
}
