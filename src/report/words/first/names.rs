//! The shortest names that tell the sessions of a report apart.

use std::collections::BTreeSet;

use crate::report::model::{Report, Session};
use crate::report::words::numbers::plain;

/// Whether more than one session has lights that count: only then a sentence names which.
pub fn are_several(report: &Report) -> bool {
    report.sessions.iter().filter(|s| s.frame_counts.used > 0).count() > 1
}

/// How a session is called.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Name {
    /// Within a sentence.
    pub within: String,
    /// At its start: names from headers stay as they are written.
    pub first: String,
}

/// A name for each session, in their order: filter, with the time of a sub, with the night, else the id.
pub fn of(report: &Report) -> Vec<Name> {
    // A letter or two would be lost in a sentence.
    let filter = |s: &Session| {
        let [within, first] = match s.settings.filter.as_deref() {
            Some(f) if f.chars().count() <= 2 => ["filter", "Filter"].map(|word| format!("{word} {f}")),
            Some(f) => [f.to_owned(), f.to_owned()],
            None => ["no filter", "No filter"].map(str::to_owned),
        };
        Name { within, first }
    };
    let longer = |name: Name, more: String| Name { within: name.within + &more, first: name.first + &more };
    let timed = |s: &Session| match s.settings.exposure_s {
        Some(t) => longer(filter(s), format!(" {} s", plain(t))),
        None => filter(s),
    };
    let dated = |s: &Session| longer(timed(s), format!(" of {}", s.night.as_deref().unwrap_or("an unknown night")));
    let id = |s: &Session| Name { within: s.id.clone(), first: s.id.clone() };
    let ways: [&dyn Fn(&Session) -> Name; 4] = [&filter, &timed, &dated, &id];
    let named = |way: &dyn Fn(&Session) -> Name| report.sessions.iter().map(way).collect::<Vec<_>>();
    let apart = |names: &Vec<Name>| names.iter().map(|n| &n.within).collect::<BTreeSet<_>>().len() == names.len();
    ways.iter().map(|way| named(way)).find(apart).unwrap_or_else(|| named(&id))
}
