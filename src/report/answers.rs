//! The three questions as the report answers them.

use std::borrow::Cow;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Serialize};
use strum::VariantNames;

use crate::verdict::{ConfidenceCode, CoolingVerdict, Level, SamplingVerdict, ThermalVerdict};

/// A question of the user.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, JsonSchema)]
#[schemars(rename_all = "snake_case")]
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
    /// The answer of each session.
    #[serde(flatten)]
    pub verdicts: Verdicts,
    /// The answer with its number and uncertainty.
    pub sentence: String,
    /// What stands behind it; empty where nothing was measured.
    pub detail: String,
    /// How far to trust the answer.
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
    /// The session, by its id.
    pub session_id: String,
    /// Its answer, one of the words of verdict.
    pub verdict: V,
}

/// How far to trust an answer, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ConfidenceEntry {
    /// None where there is no answer.
    pub level: Level,
    /// The reason, for scripts.
    pub because: ConfidenceCode,
    /// The reason in words.
    pub sentence: String,
}

/// One answer.
#[derive(JsonSchema)]
struct Shown {
    /// What is asked.
    #[schemars(rename = "question")]
    _question: Question,
    /// The verdict on the session with the most at stake, which the sentence tells in full.
    #[schemars(rename = "verdict", schema_with = "verdicts")]
    _verdict: String,
    /// The verdict on each session.
    #[schemars(rename = "verdicts")]
    _verdicts: Vec<ShownVerdict>,
    /// The answer with its number and uncertainty.
    #[schemars(rename = "sentence")]
    _sentence: String,
    /// What stands behind it; empty where nothing was measured.
    #[schemars(rename = "detail")]
    _detail: String,
    /// How far to trust the answer.
    #[schemars(rename = "confidence")]
    _confidence: ConfidenceEntry,
}

/// The verdict on one session.
#[derive(JsonSchema)]
#[schemars(rename = "SessionVerdict")]
struct ShownVerdict {
    /// The session.
    #[schemars(rename = "session_id")]
    _session_id: String,
    /// The verdict on it.
    #[schemars(rename = "verdict", schema_with = "verdicts")]
    _verdict: String,
}

/// The words of all three questions.
fn verdicts(_: &mut SchemaGenerator) -> Schema {
    let mut words = [SamplingVerdict::VARIANTS, ThermalVerdict::VARIANTS, CoolingVerdict::VARIANTS].concat();
    words.sort_unstable();
    words.dedup();
    json_schema!({ "type": "string", "enum": words })
}

impl JsonSchema for AnswerEntry {
    fn schema_name() -> Cow<'static, str> {
        "Answer".into()
    }

    fn json_schema(of: &mut SchemaGenerator) -> Schema {
        Shown::json_schema(of)
    }
}
