//! The best measure that costs nothing.

use super::names::{Name, are_several};
use super::say::two;
use crate::report::model::{Report, Session};
use crate::verdict::Advice;
use crate::verdict::advice::{Measure, ToDo};

/// Gain that is worth a word, h in 100.
const LEAST_H: f64 = 0.5;

pub fn answer(report: &Report, names: &[Name]) -> String {
    let gain = |a: &Advice| a.extra_hours_per_100_hours.value.filter(|h| *h > LEAST_H);
    let told = report.advice.iter().filter_map(|a| Some((a, gain(a)?))).find_map(|(advice, hours)| {
        let at = report.sessions.iter().position(|s| s.id == advice.session_id)?;
        let which = if are_several(report) { format!("in {}", names[at].within) } else { String::new() };
        sentence(advice, &report.sessions[at], &which, hours)
    });
    told.unwrap_or_else(|| "Nothing free is known to gain half an hour in 100.".to_owned())
}

/// What to do and what it is worth; `None` of what cannot be done for another reason.
fn sentence(advice: &Advice, s: &Session, which: &str, hours: f64) -> Option<String> {
    let which = if which.is_empty() { String::new() } else { format!(" {which}") };
    let worth = format!("100 h would be worth about {:.0} h. Free.", 100.0 + hours);
    match (advice.measure, &advice.to_do) {
        (_, ToDo::ExposeLonger { now_s, best_s }) => {
            // Where a tenth of the stars clips sooner there is no longer sub.
            let clips = s.saturation.exposure_for_tenth_clipped_s.value.is_some_and(|t| t < *best_s);
            let what =
                format!("Subs of {} s instead of {} s{which}, if guiding holds: {worth}", two(*best_s), two(*now_s));
            (!clips).then_some(what)
        }
        (Measure::Exposure, _) => {
            let best = s.noise_budget.exposure_for_5_percent_read_s.value?;
            let clips = s.saturation.exposure_for_tenth_clipped_s.value.is_some_and(|t| t < best);
            (!clips).then(|| format!("Subs of {} s{which}, if guiding holds: {worth}", two(best)))
        }
        (_, ToDo::MoreDarks { darks, enough, .. }) => {
            Some(format!("Take {enough:.0} darks instead of {darks}{which}, and dither: {worth}"))
        }
        (Measure::Darks, _) => Some(format!("More darks{which}, and dither: {worth}")),
        (Measure::Tracking, _) => Some(format!(
            "Rounder stars by better guiding{which}: 100 h would be worth about {:.0} h on stars, none on nebulae. Free.",
            100.0 + hours
        )),
        (Measure::FocusAndSpacing, _) => {
            Some(format!("Corners as sharp as the centre, by focus and back focus{which}: {worth}"))
        }
        (Measure::Binning, _) => {
            let n = s.sampling.best_binning.filter(|n| *n > 1)?;
            Some(format!("Bin {n}x{n}{which}, if the camera bins before reading: {worth}"))
        }
    }
}
