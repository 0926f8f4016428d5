//! Words for the stars of a frame and their shape over the field.

use crate::facts::stars::{StarsMethod, StarsMissing, StarsNote};

/// How a value came to be.
pub(crate) fn method(method: &StarsMethod) -> String {
    match method {
        StarsMethod::Plain => String::new(),
    }
}

/// Why a value is missing: a clause that goes on from "because".
pub(crate) fn missing(missing: &StarsMissing) -> String {
    match missing {
        StarsMissing::Unstated => "no reason was given".to_owned(),
    }
}

/// What goes with a value.
pub(crate) fn note(note: &StarsNote) -> String {
    match note {
        StarsNote::Plain => String::new(),
    }
}
