//! Words for image scale, noise budget, light, darks and the other numbers that lead to answers.

use crate::facts::verdict::{VerdictMethod, VerdictMissing, VerdictNote};

/// How a value came to be.
pub(crate) fn method(method: &VerdictMethod) -> String {
    match method {
        VerdictMethod::Plain => String::new(),
    }
}

/// Why a value is missing: a clause that goes on from "because".
pub(crate) fn missing(missing: &VerdictMissing) -> String {
    match missing {
        VerdictMissing::Unstated => "no reason was given".to_owned(),
    }
}

/// What goes with a value.
pub(crate) fn note(note: &VerdictNote) -> String {
    match note {
        VerdictNote::Plain => String::new(),
    }
}
