//! What costs nothing, as the page tells it.

use serde::Serialize;

use crate::report::model::Report;
use crate::report::words::advice;
use crate::report::words::numbers::{typographic, with_unit};
use crate::verdict::Advice;

/// Hours per hundred below which a measure is not worth a line.
const LEAST_HOURS: f64 = 0.5;

/// A measure and what it would bring.
#[derive(Debug, Serialize)]
pub struct MeasureLine {
    pub session: String,
    pub measure: &'static str,
    pub sentence: String,
    pub hours: String,
}

/// The measures that would bring something, the most first.
pub(crate) fn measures(report: &Report) -> Vec<MeasureLine> {
    let worthwhile = |a: &&Advice| a.extra_hours_per_100_hours.value.is_some_and(|h| h >= LEAST_HOURS);
    let line = |a: &Advice| MeasureLine {
        session: a.session_id.clone(),
        measure: advice::measure(a.measure),
        sentence: typographic(&advice::to_do(&a.to_do)),
        hours: typographic(&with_unit(&a.extra_hours_per_100_hours, "h")),
    };
    report.advice.iter().filter(worthwhile).map(line).collect()
}
