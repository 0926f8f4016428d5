//! Sentences of the letter.

use super::names::{doubt, uncertain};
use super::reasons::not_computable;
use super::rows::money;
use crate::upgrade::compare::{Comparison, OptionResult};
use crate::upgrade::options::Kind;
use crate::upgrade::worth::Interval;
use crate::verdict::Verdict;

/// What an option is, and its price.
pub(crate) fn kind(option: &OptionResult, currency: &str) -> String {
    let what = match option.kind {
        Kind::Camera => "Another camera",
        Kind::Cooler => "A cooler for the present camera",
        Kind::Optics => "Added optics",
    };
    let cost = option.net_cost.map_or("; its price is not stated".to_owned(), |c| {
        format!("; price less what the present gear brings: {}", money(c, currency))
    });
    format!("{what}{cost}.")
}

/// The answer over the year, in one sentence.
pub(crate) fn answer(option: &OptionResult, currency: &str) -> String {
    let Some(all) = &option.altogether.value else {
        return format!("As a whole {}.", not_computable(&option.altogether));
    };
    let hours = match &all.as_now.extra_hours_per_year.value {
        Some(Interval { median, low_16, high_84 }) => {
            format!("{median:+.0} hours a year ({low_16:+.0} to {high_84:+.0})")
        }
        None => format!("{:.2} of the present time for the same result", all.as_now.time_ratio.median),
    };
    let cost = all.as_now.cost_per_extra_hour.value.map_or(String::new(), |c| {
        format!(", {} each ({} to {})", money(c.median, currency), money(c.low_16, ""), money(c.high_84, ""))
    });
    match all.verdict.value {
        Some(Verdict::PaysOff) => format!("Pays off: {hours}{cost}."),
        Some(Verdict::DoesNotPayOff) => format!("Does not pay off: {hours}{cost}."),
        Some(Verdict::Depends) => format!("It depends: {hours}{cost}."),
        None => format!("{hours}{cost}; no verdict, because {}.", all.verdict.why()),
    }
}

/// Heading of one session.
pub(crate) fn if_all_hours_were_like(session: &Comparison) -> String {
    format!("If all hours were like {}", session.session_id)
}

/// Time ratios of the sessions, whose mean the year is.
pub(crate) fn by_session(option: &OptionResult) -> String {
    let sessions: Vec<String> = option
        .sessions
        .iter()
        .map(|c| match &c.gain.value {
            Some(gain) => {
                let Interval { median, low_16, high_84 } = gain.as_now.worth.time_ratio;
                format!("{}: {median:.2} of the present time ({low_16:.2} to {high_84:.2})", c.words())
            }
            None => format!("{}: {}", c.words(), not_computable(&c.gain)),
        })
        .collect();
    sessions.join("; ") + "."
}

/// What the answer hangs on, and what it is less sure for.
pub(crate) fn hinge(option: &OptionResult) -> String {
    let gains: Vec<_> = option.sessions.iter().filter_map(|c| c.gain.value.as_ref()).collect();
    let mut sentences: Vec<String> = Vec::new();
    let mut inputs: Vec<&str> = gains.iter().filter_map(|g| Some(uncertain(g.depends_most_on?.input))).collect();
    inputs.dedup();
    if !inputs.is_empty() {
        sentences.push(format!("Depends most on {}.", inputs.join(" and ")));
    }
    for caution in gains.iter().flat_map(|g| &g.cautions) {
        let sentence = format!("Caution: {}.", doubt(caution));
        if !sentences.contains(&sentence) {
            sentences.push(sentence);
        }
    }
    sentences.join(" ")
}
