//! Words for the match of stars with the catalogue.

use crate::facts::sky::{SkyMethod, SkyMissing, SkyNote};

/// How a value came to be.
pub(crate) fn method(method: &SkyMethod) -> String {
    match method {
        SkyMethod::Plain => String::new(),
    }
}

/// Why a value is missing: a clause that goes on from "because".
pub(crate) fn missing(missing: &SkyMissing) -> String {
    match missing {
        SkyMissing::Unstated => "no reason was given".to_owned(),
    }
}

/// What goes with a value.
pub(crate) fn note(note: &SkyNote) -> String {
    match note {
        SkyNote::Plain => String::new(),
    }
}
