//! Words for sampling, cooling and gear that would suit: the numbers of the answers.

use crate::facts::answers::{AnswersMethod, AnswersMissing, AnswersNote};

/// How a value came to be.
pub(crate) fn method(method: &AnswersMethod) -> String {
    match method {
        AnswersMethod::Plain => String::new(),
    }
}

/// Why a value is missing: a clause that goes on from "because".
pub(crate) fn missing(missing: &AnswersMissing) -> String {
    match missing {
        AnswersMissing::Unstated => "no reason was given".to_owned(),
    }
}

/// What goes with a value.
pub(crate) fn note(note: &AnswersNote) -> String {
    match note {
        AnswersNote::Plain => String::new(),
    }
}
