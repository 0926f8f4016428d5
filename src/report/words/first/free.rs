//! The best measure that costs nothing.

use super::names::{Name, are_several};
use super::say::two;
use crate::report::model::{Report, Session};
use crate::verdict::advice::{Measure, ToDo};
use crate::verdict::{Advice, Bound, time_in_all};

/// Gain that is worth a word, h in 100.
const LEAST_H: f64 = 0.5;

pub fn answer(report: &Report, names: &[Name]) -> String {
    let told = report.advice.iter().filter_map(|advice| {
        let at = report.sessions.iter().position(|s| s.id == advice.session_id)?;
        let which = if are_several(report) { format!(" in {}", names[at].within) } else { String::new() };
        measure(advice, &report.sessions[at], &which)
    });
    let best = told.filter(|(hours, _)| *hours > LEAST_H).max_by(|a, b| a.0.total_cmp(&b.0));
    best.map_or_else(|| "Nothing free is known to gain half an hour in 100.".to_owned(), |(_, sentence)| sentence)
}

/// What a measure is worth, h in 100, and what to do; `None` of what is not known.
fn measure(advice: &Advice, s: &Session, which: &str) -> Option<(f64, String)> {
    let hours = advice.extra_hours_per_100_hours.value?;
    let worth = format!("100 h would be worth about {:.0} h. Free.", 100.0 + hours);
    let sentence = match (advice.measure, &advice.to_do) {
        (Measure::Exposure, _) => return longer(s, which),
        (_, ToDo::MoreDarks { darks, enough, .. }) => {
            format!("Take {enough:.0} darks instead of {darks}{which}, and dither: {worth}")
        }
        (Measure::Darks, _) => format!("More darks{which}, and dither: {worth}"),
        (Measure::Tracking, _) => format!(
            "Rounder stars by better guiding{which}: 100 h would be worth about {:.0} h on stars, none on nebulae. Free.",
            100.0 + hours
        ),
        (Measure::FocusAndSpacing, _) => {
            format!("Corners as sharp as the centre, by focus and back focus{which}: {worth}")
        }
        (Measure::Binning, _) => {
            let n = s.sampling.best_binning.filter(|n| *n > 1)?;
            format!("Bin {n}x{n}{which}, if the camera bins before reading: {worth}")
        }
    };
    Some((hours, sentence))
}

/// Longer subs, as far as bright stars and the tracking let them be.
fn longer(s: &Session, which: &str) -> Option<(f64, String)> {
    let (now, best) = (s.settings.exposure_s?, s.sub_length.seconds.value?);
    let enough = s.noise_budget.exposure_for_5_percent_read_s.value?;
    let worth = |t: f64| 100.0 * time_in_all(now, enough) / time_in_all(t, enough);
    let (hours, subs) = (worth(best) - 100.0, format!("Subs of {} s instead of {} s{which}", two(best), two(now)));
    let about = format!("100 h would be worth about {:.0} h", worth(best));
    let sentence = match s.sub_length.bound? {
        Bound::ReadNoise => format!("{subs}, if guiding holds: {about}. Free."),
        Bound::Clipping => format!("{subs}, more would clip bright stars: {about}. Free."),
        Bound::Tracking => {
            format!("{subs}: {about} ({} s: {:.0} h, with better guiding). Free.", two(enough), worth(enough))
        }
    };
    (best > now).then_some((hours, sentence))
}
