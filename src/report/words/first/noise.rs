//! Where the noise of a sub comes from.

use super::names::{Name, are_several};
use super::say::{not_known, percent, two};
use crate::facts::Source;
use crate::report::InWords;
use crate::report::model::{Report, Session};
use crate::report::words::numbers::plain;

/// Share of the sky from which no camera would be much quieter, and from which it rules.
pub const SKY_LIMITED: f64 = 0.91;
const MOSTLY_SKY: f64 = 0.5;
/// Share from which one source is more than all else.
const DOMINANT: f64 = 0.5;
/// Share of the dark current that is worth a word.
const NOTICEABLE: f64 = 0.1;
/// Sessions that are told; the table has the others.
const MOST_NAMED: usize = 2;

/// A source of noise.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum From {
    Sky,
    Dark,
    Read,
}

impl From {
    fn word(self) -> &'static str {
        match self {
            Self::Sky => "sky",
            Self::Dark => "dark current",
            Self::Read => "read noise",
        }
    }
}

/// Shares of the variance.
struct Shares {
    sky: f64,
    dark: f64,
    read: f64,
}

impl Shares {
    fn of(s: &Session) -> Option<Self> {
        let b = &s.noise_budget;
        Some(Self { sky: b.sky_share.value?, dark: b.dark_share.value?, read: b.read_share.value? })
    }

    /// The largest first.
    fn ranked(&self) -> [(From, f64); 3] {
        let mut parts = [(From::Sky, self.sky), (From::Dark, self.dark), (From::Read, self.read)];
        parts.sort_by(|a, b| b.1.total_cmp(&a.1));
        parts
    }
}

pub fn answer(report: &Report, names: &[Name]) -> String {
    let known: Vec<(&Session, &Name, Shares)> =
        report.sessions.iter().zip(names).filter_map(|(s, name)| Some((s, name, Shares::of(s)?))).collect();
    match &known[..] {
        [] => not_known(&report.sessions.first().map(|s| s.noise_budget.total_e2.why()).unwrap_or_default()),
        [(s, name, shares)] => {
            let which = if are_several(report) { format!("{}: ", name.first) } else { String::new() };
            format!("{which}{}{}", alone(s, shares), assumed(s))
        }
        several => {
            // The largest share of the dark current first: that is what money or a night's cold changes.
            let mut ordered: Vec<&(&Session, &Name, Shares)> = several.iter().collect();
            ordered.sort_by(|a, b| b.2.dark.total_cmp(&a.2.dark));
            let told = |(at, (s, name, shares)): (usize, &&(&Session, &Name, Shares))| {
                let parts = shares.ranked().map(|(from, share)| format!("{} {}", from.word(), percent(share)));
                let of = if at == 0 { " of the variance" } else { "" };
                format!("{}{}: {}{of}, {}, {}.", name.first, time(s, &name.within), parts[0], parts[1], parts[2])
            };
            let sentences: Vec<String> = ordered.iter().take(MOST_NAMED).enumerate().map(told).collect();
            format!("{}{}", sentences.join(" "), assumed(ordered[0].0))
        }
    }
}

/// The time of a sub, where the name does not tell it.
fn time(s: &Session, name: &str) -> String {
    match s.settings.exposure_s {
        Some(t) if !name.contains(&format!("{} s", plain(t))) => format!(" {} s", plain(t)),
        _ => String::new(),
    }
}

/// The one session: what rules, then the others.
fn alone(s: &Session, shares: &Shares) -> String {
    let at = s.settings.exposure_s.map_or_else(String::new, |t| format!(" at {} s", plain(t)));
    let celsius = s.sensor_temperature_c.median.value.map_or_else(String::new, |c| format!(" and {c:.0} °C"));
    let Shares { sky, dark, read } = *shares;
    let [(first, most), (second, next), (third, least)] = shares.ranked();
    let (second, third) = (second.word(), third.word());
    let [sky, dark, read] = [(sky, percent(sky)), (dark, percent(dark)), (read, percent(read))];
    if sky.0 >= SKY_LIMITED {
        return format!("The sky sets the noise: {} of the variance{at}. No camera would be quieter by much.", sky.1);
    }
    match first {
        From::Dark if most >= DOMINANT => {
            format!(
                "Dark current dominates: {} of the variance{at}{celsius}, more than all else. Cooling is the remedy.",
                dark.1
            )
        }
        From::Dark => format!(
            "Dark current is the largest source, {} of the variance{at}{celsius}; then {second} {}, {third} {}.",
            dark.1,
            percent(next),
            percent(least)
        ),
        From::Read => {
            let longer = |t: &f64| s.settings.exposure_s.is_none_or(|now| *t > now);
            let subs = s.noise_budget.exposure_for_10_percent_read_s.value.filter(longer);
            let subs =
                subs.map_or_else(String::new, |t| format!(" Subs of {} s bring what it adds below 10 %.", two(t)));
            format!(
                "Read noise is the largest source, {} of the variance{at}; then {second} {}, {third} {}.{subs}",
                read.1,
                percent(next),
                percent(least)
            )
        }
        _ if dark.0 >= NOTICEABLE => {
            format!(
                "Dark current is noticeable, {} of the variance{at}{celsius}; sky {}, read noise {}.",
                dark.1, sky.1, read.1
            )
        }
        _ if sky.0 >= MOSTLY_SKY => {
            format!(
                "Mostly sky, {} of the variance{at}; read noise {}, dark current {} (minor).",
                sky.1, read.1, dark.1
            )
        }
        _ => format!("Sky {} of the variance{at}, read noise {}, dark current {}.", sky.1, read.1, dark.1),
    }
}

fn assumed(s: &Session) -> &'static str {
    match s.noise_budget.dark_share.source {
        Source::Assumed => " The dark current is assumed, not measured, at the lights' temperature.",
        _ => "",
    }
}
