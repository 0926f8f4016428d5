//! The comparison as text for one screen: answers only, the rest is on the page.

use std::fmt::Write as _;

use super::reasons::not_computable;
use super::rows::{free, money};
use crate::upgrade::compare::{OptionResult, Upgrade};
use crate::upgrade::free_measures::FreeMeasure;
use crate::upgrade::lacking::Number;
use crate::upgrade::worth::{Interval, Worth};
use crate::verdict::year::Verdict;

/// Hours below which a measure that costs nothing is not worth a line.
const LEAST_HOURS: f64 = 0.5;

/// The text that the program prints.
pub fn text(result: &Upgrade) -> String {
    let mut out = String::from("Would other gear pay off?\n");
    let _ = writeln!(out, "{}\n", conditions(result).join(";\n"));
    let _ = writeln!(out, "{:<26}{:>7}  {:<21}{:>9}  verdict", "", "time of", "extra hours a year", "cost of");
    let _ = writeln!(out, "{:<26}{:>7}  {:<21}{:>9}", "", "today's", "(68 % interval)", "one");
    for option in &result.options {
        of_option(&mut out, option);
    }
    out.push_str("\nWithout spending anything\n");
    for session in &result.free_measures {
        let _ = writeln!(out, "  {}", session.session_id);
        let mut worthwhile: Vec<(f64, &FreeMeasure)> = session
            .measures
            .iter()
            .filter_map(|m| Some((m.extra_hours_per_year.value?, m)))
            .filter(|(hours, _)| *hours >= LEAST_HOURS)
            .collect();
        worthwhile.sort_by(|a, b| b.0.total_cmp(&a.0));
        let _ = match worthwhile.as_slice() {
            [] => writeln!(out, "    nothing that is known to bring {LEAST_HOURS} h a year"),
            some => some.iter().try_for_each(|(_, m)| writeln!(out, "    {:<12}{}", m.measure, free(m))),
        };
    }
    out
}

/// What the answers hold for: the year, and what an hour is worth.
pub(crate) fn conditions(result: &Upgrade) -> [String; 2] {
    let year = match result.hours_per_year {
        Some(hours) => format!("Over {hours:.0} hours a year"),
        None => "Hours a year are not stated".to_owned(),
    };
    let shared: Vec<String> =
        result.filters.iter().map(|(name, share)| format!("{:.0} % {name}", 100.0 * share)).collect();
    let shared = if shared.is_empty() { String::new() } else { format!(" ({})", shared.join(", ")) };
    let most = match result.most_per_extra_hour {
        Some(most) => {
            format!("an extra hour is worth {} to you", money(most, result.currency.as_deref().unwrap_or("")))
        }
        None => "what an extra hour is worth to you is not stated, so there is no verdict".to_owned(),
    };
    [format!("{year}{shared}"), format!("{most}.")]
}

/// One line for the year, and one for each session as if it had all the hours.
fn of_option(out: &mut String, option: &OptionResult) {
    match &option.altogether {
        Number { value: Some(all), .. } => answer(out, &option.name, &all.as_now, &all.verdict),
        unknown => {
            let _ = writeln!(out, "{}\n  as a whole {}", option.name, not_computable(unknown));
        }
    }
    // One session says what the year says.
    if option.sessions.len() == 1 && option.altogether.value.is_some() {
        return;
    }
    for session in &option.sessions {
        let name = format!("  all of it {}", session.words());
        match &session.gain {
            Number { value: Some(gain), .. } => answer(out, &name, &gain.as_now.worth, &gain.verdict),
            unknown => {
                let _ = writeln!(out, "{name:<26}{}", not_computable(unknown));
            }
        }
    }
}

fn answer(out: &mut String, name: &str, worth: &Worth, verdict: &Number<Verdict>) {
    let hours = match &worth.extra_hours_per_year.value {
        Some(Interval { median, low_16, high_84 }) => format!("{median:+.0} ({low_16:+.0} to {high_84:+.0})"),
        None => "unknown".to_owned(),
    };
    let cost = worth.cost_per_extra_hour.value.map_or("-".to_owned(), |c| money(c.median, ""));
    let verdict = verdict.value.map_or("none", super::names::verdict);
    let _ = writeln!(out, "{name:<26}{:>7.2}  {hours:<21}{cost:>9}  {verdict}", worth.time_ratio.median);
}
