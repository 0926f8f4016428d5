//! Facts with their words beside them, as `report.json` has them.

use std::ops::Deref;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What was found, and the same in sentences.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "{T}")]
pub struct Worded<T> {
    #[serde(flatten)]
    pub facts: T,
    /// The facts in words, with the caution that goes with them.
    pub sentence: String,
    /// What stands behind it, in words.
    pub detail: String,
}

impl<T> Deref for Worded<T> {
    type Target = T;

    fn deref(&self) -> &T {
        &self.facts
    }
}

/// What was found, and the same in one text.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "{T}")]
pub struct WithSentence<T> {
    #[serde(flatten)]
    pub facts: T,
    /// The facts in words.
    pub sentence: String,
}

impl<T> Deref for WithSentence<T> {
    type Target = T;

    fn deref(&self) -> &T {
        &self.facts
    }
}
