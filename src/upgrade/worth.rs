//! Hours and money of drawn years.

use serde::Serialize;

use super::keys::Key;
use super::lacking::{Known, Lacking, Number};
use super::options::{Choice, Conditions};
use crate::stats::quantile;
use crate::verdict::year::{Verdict, Year, break_even_nights, cost_per_hour};

/// Ends of the central interval that holds 68 % of the draws.
const LOW: f64 = 0.16;
const HIGH: f64 = 0.84;

/// Median and the interval that holds 68 % of the draws; without any uncertainty all three are the value.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Interval {
    pub median: f64,
    pub low_16: f64,
    pub high_84: f64,
}

impl Interval {
    fn of(values: &[f64]) -> Option<Self> {
        let at = |q| quantile(values, q).filter(|v| v.is_finite());
        Some(Self { median: at(0.5)?, low_16: at(LOW)?, high_84: at(HIGH)? })
    }
}

/// Hours and money with exposures chosen in one way.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Worth {
    /// Time needed over time needed now, over the year.
    pub time_ratio: Interval,
    pub extra_hours_per_year: Number<Interval>,
    pub saved_hours_per_year: Number<Interval>,
    /// Its ends are those of the hours: the dear end may have no bound, then there is no interval.
    pub cost_per_extra_hour: Number<Interval>,
    pub cost_per_saved_hour: Number<f64>,
    pub break_even_nights: Number<f64>,
    pub verdict: Number<Verdict>,
}

/// The verdict that both ways of exposing give together.
pub(crate) fn of_both(as_now: &Worth, each_best: &Worth) -> Number<Verdict> {
    match (&as_now.verdict.value, &each_best.verdict.value) {
        (Some(a), Some(b)) => Ok(a.and(*b)).into(),
        _ => as_now.verdict.clone(),
    }
}

/// Hours and money of the drawn years.
pub(crate) fn worth(years: &[Year], conditions: &Conditions, choice: &Choice) -> Known<Worth> {
    let over = |f: fn(&Year) -> f64| {
        let values: Vec<f64> = years.iter().map(f).collect();
        Interval::of(&values).ok_or(Lacking::DrawnOutOfReason)
    };
    let time_ratio = over(Year::time_ratio)?;
    let hours = conditions.hours().ok_or(Lacking::HoursNotStated { for_measure: false });
    let extra = hours.clone().and_then(|_| over(Year::extra_hours));
    let saved = hours.and_then(|_| over(|y| y.saved_hours));
    let stated = |key: Key| conditions.values.needed(key).map(|s| s.value);
    let (net, years, most) = (choice.net_cost(), stated(Key::Years), stated(Key::MostPerExtraHour));
    let cost = |hours: f64| cost_per_hour(net.clone()?, years.clone()?, hours).ok_or(Lacking::NoHoursGained);
    let nights = || {
        let per_night = stated(Key::HoursPerNight)?;
        break_even_nights(net.clone()?, most.clone()?, per_night, time_ratio.median).ok_or(Lacking::NoHoursGained)
    };
    let cost_per_extra_hour = extra.clone().and_then(|e| {
        let [a, b] = [cost(e.low_16)?, cost(e.high_84)?];
        Ok(Interval { median: cost(e.median)?, low_16: a.min(b), high_84: a.max(b) })
    });
    let verdict =
        extra.clone().and_then(|e| Ok(Verdict::of(net.clone()?, years.clone()?, most.clone()?, e.low_16, e.high_84)));
    Ok(Worth {
        time_ratio,
        cost_per_extra_hour: cost_per_extra_hour.into(),
        cost_per_saved_hour: saved.clone().and_then(|s| cost(s.median)).into(),
        break_even_nights: nights().into(),
        verdict: verdict.into(),
        extra_hours_per_year: extra.into(),
        saved_hours_per_year: saved.into(),
    })
}
