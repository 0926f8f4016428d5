//! The reply to a question in one or two sentences over all sessions, and what stands behind it.

use super::quantity::{lack, missing};
use crate::facts::Missing;

/// Labels that are written out before "and n more" stands for the rest.
const LABELS_WRITTEN: usize = 4;

/// What is said of one session that is measured.
pub(crate) struct FindingWords {
    /// The answer in a word or two: "Yes", "In part".
    pub opening: &'static str,
    /// The answer after the opening, where this is the only session.
    pub statement: String,
    /// Key number with its uncertainty and unit, as sessions are compared.
    pub shown: String,
    /// What would be said as a caution right behind the statement, or an empty text.
    pub caution: String,
    /// All the rest.
    pub detail: String,
}

/// A session that is measured, with its words.
pub(crate) struct Measured<'a, V> {
    pub label: &'a str,
    pub verdict: V,
    pub stake: f64,
    pub words: FindingWords,
}

/// A session that is not measured, and why.
pub(crate) struct Unmeasured<'a> {
    pub label: &'a str,
    pub because: &'a Missing,
}

/// For one session its statement; for several what they have in common, or which one differs.
pub(crate) fn reply<V>(
    measured: &[Measured<V>],
    unmeasured: &[Unmeasured],
    compared: fn(&[&Measured<V>]) -> String,
) -> String {
    let first = match (measured, unmeasured.len()) {
        ([], 0) => return "Not measurable, because there is no session: no usable light frame was found.".to_owned(),
        ([], _) => return format!("Not measurable, because {}.", missing(unmeasured[0].because)),
        ([only], 0) => format!("{}: {}. {}", only.words.opening, only.words.statement, only.words.caution),
        ([only], _) => format!("{}, as far as {} tells: {}.", only.words.opening, only.label, only.words.statement),
        (several, _) => compared(&several.iter().collect::<Vec<_>>()),
    };
    let second = match unmeasured {
        [] => String::new(),
        // What would supply it is in the detail.
        [first, ..] => {
            let labels: Vec<&str> = unmeasured.iter().map(|u| u.label).collect();
            format!("Not measurable in {}, because {}.", list(&labels), lack(first.because))
        }
    };
    format!("{} {second}", first.trim_end()).trim_end().to_owned()
}

/// The leading session's detail, then what would supply the values of those that are not measured.
pub(crate) fn detail<V>(measured: &[Measured<V>], unmeasured: &[Unmeasured]) -> String {
    let Some(lead) = measured.iter().max_by(|a, b| a.stake.total_cmp(&b.stake)) else { return String::new() };
    let mut text = match measured.len() + unmeasured.len() {
        1 => lead.words.detail.clone(),
        _ => format!("For {}: {}", lead.label, lead.words.detail),
    };
    for u in unmeasured {
        let because = missing(u.because);
        if because != lack(u.because) {
            text.push_str(&format!(" For {}: not measurable, because {because}.", u.label));
        }
    }
    text
}

/// Two sessions or more that are measured, those of a verdict together.
pub(crate) fn by_grade_words<V: Copy + Ord + Into<&'static str>>(
    known: &[&Measured<V>],
    subject: &str,
    object: &str,
) -> String {
    let groups = by_grade(known);
    if let [one] = groups.as_slice() {
        return format!("{}, in {}: {subject} {} {object}.", one[0].words.opening, all(one.len()), named_range(one));
    }
    let parts: Vec<String> = groups
        .iter()
        .enumerate()
        .map(|(k, group)| {
            let object = if k == 0 { format!(" {object}") } else { String::new() };
            let labels: Vec<&str> = group.iter().map(|m| m.label).collect();
            let word: &str = group[0].verdict.into();
            format!("{}{object} in {} ({word})", range(group), list(&labels))
        })
        .collect();
    format!("It depends: {subject} {}.", parts.join(", but "))
}

/// Sessions of the same verdict together, the lowest verdict first; within one in the order of their stake.
pub(crate) fn by_grade<'a, 'b, V: Copy + Ord>(known: &[&'a Measured<'b, V>]) -> Vec<Vec<&'a Measured<'b, V>>> {
    let mut ordered = known.to_vec();
    ordered.sort_by(|a, b| a.verdict.cmp(&b.verdict).then(b.stake.total_cmp(&a.stake)));
    ordered.chunk_by(|a, b| a.verdict == b.verdict).map(<[_]>::to_vec).collect()
}

pub(crate) fn all(n: usize) -> String {
    if n == 2 { "both sessions".to_owned() } else { format!("all {n} sessions") }
}

/// The key numbers from one end to the other, with the names of the sessions at the ends.
pub(crate) fn named_range<V>(members: &[&Measured<V>]) -> String {
    match members {
        [first, .., last] if first.words.shown != last.words.shown => {
            format!("{} ({}) to {} ({})", first.words.shown, first.label, last.words.shown, last.label)
        }
        _ => range(members),
    }
}

/// The key numbers from one end to the other.
fn range<V>(members: &[&Measured<V>]) -> String {
    match members {
        [] => String::new(),
        [first, .., last] if first.words.shown != last.words.shown => {
            format!("{} to {}", first.words.shown, last.words.shown)
        }
        [first, ..] => first.words.shown.clone(),
    }
}

fn list(labels: &[&str]) -> String {
    let written = &labels[..labels.len().min(LABELS_WRITTEN)];
    match (labels.len() - written.len(), written) {
        (0, [rest @ .., a, b]) => {
            let before: String = rest.iter().map(|l| format!("{l}, ")).collect();
            format!("{before}{a} and {b}")
        }
        (0, _) => written.join(", "),
        (more, _) => format!("{} and {more} more", written.join(", ")),
    }
}
