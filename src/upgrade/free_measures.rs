//! What costs nothing, and the hours that it would bring.

use serde::Serialize;

use super::lacking::{Lacking, Number};
use super::report_file::exposure_s;
use crate::facts::Quantity;
use crate::report::Session;
use crate::report::words::advice::{measure, to_do};
use crate::verdict::advice::{AdviceInput, advice};

/// A measure that costs nothing, and the hours that it would bring.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FreeMeasure {
    pub measure: &'static str,
    /// Time needed over time needed now.
    pub time_ratio: Number<f64>,
    pub extra_hours_per_year: Number<f64>,
    pub words: String,
}

/// What costs nothing, for one session.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SessionMeasures {
    pub session_id: String,
    /// Share of the year's hours that the session stands for; 1 where these are not divided.
    pub share_of_hours: f64,
    pub measures: Vec<FreeMeasure>,
}

/// The measures for one session; `hours` are those of the year.
pub(crate) fn free_measures(session: &Session, hours: Option<f64>) -> Vec<FreeMeasure> {
    let all = advice(&AdviceInput { exposure_s: exposure_s(session), ..session.advice_input() });
    let in_a_year = |per_100: f64| Ok(hours.ok_or(Lacking::HoursNotStated { for_measure: true })? * per_100 / 100.0);
    let known = |q: &Quantity| q.value.ok_or_else(|| Lacking::Measured(q.because()));
    all.into_iter()
        .map(|a| FreeMeasure {
            measure: measure(a.measure),
            time_ratio: known(&a.time_ratio).into(),
            extra_hours_per_year: known(&a.extra_hours_per_100_hours).and_then(in_a_year).into(),
            words: to_do(&a.to_do),
        })
        .collect()
}
