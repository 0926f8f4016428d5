//! Words for files, frames and sessions.

use crate::facts::night::{NightMethod, NightMissing, NightNote};

/// How a value came to be.
pub(crate) fn method(method: &NightMethod) -> String {
    match method {
        NightMethod::Plain => String::new(),
    }
}

/// Why a value is missing: a clause that goes on from "because".
pub(crate) fn missing(missing: &NightMissing) -> String {
    match missing {
        NightMissing::Unstated => "no reason was given".to_owned(),
    }
}

/// What goes with a value.
pub(crate) fn note(note: &NightNote) -> String {
    match note {
        NightNote::Plain => String::new(),
    }
}
