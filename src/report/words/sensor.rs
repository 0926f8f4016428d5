//! Words for a sensor, from its calibration frames.

use crate::facts::sensor::{SensorMethod, SensorMissing, SensorNote};

/// How a value came to be.
pub(crate) fn method(method: &SensorMethod) -> String {
    match method {
        SensorMethod::Plain => String::new(),
    }
}

/// Why a value is missing: a clause that goes on from "because".
pub(crate) fn missing(missing: &SensorMissing) -> String {
    match missing {
        SensorMissing::Unstated => "no reason was given".to_owned(),
    }
}

/// What goes with a value.
pub(crate) fn note(note: &SensorNote) -> String {
    match note {
        SensorNote::Plain => String::new(),
    }
}
