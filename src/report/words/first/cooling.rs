//! What cooling would gain.

use super::names::{Name, are_several};
use super::say::{not_known, percent};
use super::stars::join;
use crate::facts::Source;
use crate::report::InWords;
use crate::report::model::{Report, Session};
use crate::verdict::CoolingRow;
use crate::verdict::findings::{LARGE_SAVING, QUOTED_DROP_C, SMALL_SAVING};

/// Sessions told beside the one with the most to gain.
const MOST_OTHERS: usize = 2;

pub fn answer(report: &Report, names: &[Name]) -> String {
    let mut known: Vec<(&Session, &Name, f64)> = report
        .sessions
        .iter()
        .zip(names)
        .filter_map(|(s, name)| Some((s, name, s.cooling_floor_time_ratio.value?)))
        .collect();
    known.sort_by(|a, b| a.2.total_cmp(&b.2));
    let Some((lead, name, floor)) = known.first() else {
        return not_known(&report.sessions.first().map(|s| s.cooling_floor_time_ratio.why()).unwrap_or_default());
    };
    let told = told(lead, *floor);
    let lead_told = if are_several(report) { format!("{}: {told}", name.first) } else { super::say::sentence(&told) };
    let other = |(at, (s, name, floor)): (usize, &(&Session, &Name, f64))| {
        let name = if at == 0 { &name.first } else { &name.within };
        format!("{name}: {}", percent(quoted(s).and_then(|r| r.time_ratio.value).unwrap_or(*floor)))
    };
    let others: Vec<String> = known[1..].iter().take(MOST_OTHERS).enumerate().map(other).collect();
    let others = if others.is_empty() { String::new() } else { format!("{}.", others.join("; ")) };
    join([lead_told, others, year(lead)])
}

fn quoted(s: &Session) -> Option<&CoolingRow> {
    s.cooling.iter().find(|r| r.below_now_c == QUOTED_DROP_C).filter(|r| r.time_ratio.is_known())
}

fn told(s: &Session, floor: f64) -> String {
    let most = percent(1.0 - floor);
    if 1.0 - floor < SMALL_SAVING {
        return format!("no gain: with no dark current at all, integration would shrink by {most}.");
    }
    let Some(row) = quoted(s) else {
        let missing = if s.sensor_temperature_c.median.is_known() {
            "darks at two temperatures would tell"
        } else {
            "the sensor's temperature would tell (CCD-TEMP, or sensor_celsius in a rig file)"
        };
        return format!("at most {most} off the integration, however cold; how much, {missing}.");
    };
    let (ratio, sigma) = row.time_ratio.pair().unwrap_or((1.0, 0.0));
    let (colder, to) = (format!("{QUOTED_DROP_C:.0} °C colder"), format!("{:.0} °C", row.sensor_celsius));
    if row.time_ratio.source == Source::Assumed {
        let [low, high] = [1.0 - ratio - sigma, 1.0 - ratio + sigma].map(|v| 100.0 * v.clamp(0.0, 1.0 - floor));
        return format!(
            "probably {low:.0} to {high:.0} % less integration {colder}, if dark current halves every 5.5 to 7.5 °C (assumed); at most {most}. Darks \
             5 °C apart would settle it."
        );
    }
    if 1.0 - ratio < LARGE_SAVING {
        return format!(
            "a little: {colder} (to {to}) takes about {} off the integration, {most} at most.",
            percent(1.0 - ratio)
        );
    }
    format!(
        "at {to} ({colder}) the same depth takes about {} of today's integration; {} is the limit however cold.",
        percent(ratio),
        percent(floor)
    )
}

fn year(s: &Session) -> String {
    let Some(year) = &s.cooling_year else { return String::new() };
    match year.extra_hours_per_year.value {
        Some(hours) => format!("Over the hours in your rig file: about {} h more.", super::say::two(hours)),
        None => String::new(),
    }
}
