//! The three questions as the report answers them.

use serde::{Deserialize, Serialize};

use crate::verdict::{ConfidenceCode, CoolingVerdict, Level, SamplingVerdict, ThermalVerdict};

/// A question of the user.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Question {
    /// Do the pixels suit the star image?
    Sampling,
    /// Does the sensor's own heat limit the images?
    ThermalNoise,
    /// What would cooling gain?
    Cooling,
}

/// One answer.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct AnswerEntry {
    #[serde(flatten)]
    pub verdicts: Verdicts,
    /// One or two sentences that answer with a number and its error; a session that differs is named.
    pub sentence: String,
    /// What stands behind it: costs, conditions, cautions. Empty where nothing was measured.
    pub detail: String,
    pub confidence: ConfidenceEntry,
}

impl AnswerEntry {
    /// What it answers.
    pub fn question(&self) -> Question {
        match self.verdicts {
            Verdicts::Sampling(_) => Question::Sampling,
            Verdicts::ThermalNoise(_) => Question::ThermalNoise,
            Verdicts::Cooling(_) => Question::Cooling,
        }
    }
}

/// A question with its verdicts, each of a closed list of words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "question", rename_all = "snake_case")]
pub enum Verdicts {
    Sampling(OverSessions<SamplingVerdict>),
    ThermalNoise(OverSessions<ThermalVerdict>),
    Cooling(OverSessions<CoolingVerdict>),
}

/// The verdict and those of the sessions.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct OverSessions<V> {
    /// That of the session with the most at stake, which the sentence tells in full.
    pub verdict: V,
    /// Every session's.
    pub verdicts: Vec<SessionVerdict<V>>,
}

/// The verdict on one session.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SessionVerdict<V> {
    pub session_id: String,
    pub verdict: V,
}

/// How far to trust an answer, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ConfidenceEntry {
    pub level: Level,
    /// The reason, for scripts.
    pub because: ConfidenceCode,
    /// The reason in words.
    pub sentence: String,
}
