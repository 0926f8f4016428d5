//! The reply to a question in one or two sentences, over all sessions.

use super::answers::Question;
use super::findings::Finding;

/// Labels that are written out before "and n more" stands for the rest.
const LABELS_WRITTEN: usize = 4;

/// The reply: for one session its statement; for several what they have in common, or which one differs.
pub(crate) fn reply(question: Question, findings: &[Finding]) -> String {
    let known: Vec<&Finding> = findings.iter().filter(|f| f.grade.is_some()).collect();
    let unmeasured: Vec<&Finding> = findings.iter().filter(|f| f.grade.is_none()).collect();
    let first = match (known.as_slice(), findings.len()) {
        ([], 0) => return "Not measurable, because there is no session: no usable light frame was found.".to_owned(),
        ([], _) => return unmeasured_words(&unmeasured, findings.len()),
        ([only], 1) => [format!("{}: {}.", only.opening, only.statement), only.caution.clone()].join(" "),
        ([only], _) => format!("{}, as far as {} tells: {}.", only.opening, only.label, only.statement),
        (several, _) => compared(question, several),
    };
    let second = if unmeasured.is_empty() { String::new() } else { unmeasured_words(&unmeasured, findings.len()) };
    format!("{} {second}", first.trim_end()).trim_end().to_owned()
}

/// Why some sessions, or all of them, have no answer.
fn unmeasured_words(unmeasured: &[&Finding], of: usize) -> String {
    let because = unmeasured.first().map_or("", |f| f.statement.as_str());
    match unmeasured.len() == of {
        true => format!("Not measurable, because {because}."),
        // The first clause says what is missing; what would supply it is in the detail.
        false => {
            let clause = because.split("; ").next().unwrap_or(because);
            format!("Not measurable in {}, because {clause}.", list(unmeasured))
        }
    }
}

/// Two sessions or more that are measured.
fn compared(question: Question, known: &[&Finding]) -> String {
    let (subject, object) = match question {
        Question::Sampling => ("stars are", "wide before the pixel blurs them (FWHM)"),
        Question::ThermalNoise => ("dark current makes", "of the noise variance of an exposure"),
        Question::Cooling => return cooling_compared(known),
    };
    let groups = by_grade(known);
    if let [one] = groups.as_slice() {
        return format!("{}, in {}: {subject} {} {object}.", one[0].opening, all(one.len()), named_range(one));
    }
    let parts: Vec<String> = groups
        .iter()
        .enumerate()
        .map(|(k, g)| {
            let object = if k == 0 { format!(" {object}") } else { String::new() };
            format!("{}{object} in {} ({})", range(g), list(g), g[0].grade.map_or("", |grade| grade.1))
        })
        .collect();
    format!("It depends: {subject} {}.", parts.join(", but "))
}

/// Cooling: the session that gains most in full, the others by their range.
fn cooling_compared(known: &[&Finding]) -> String {
    let groups = by_grade(known);
    let mut ordered: Vec<&Finding> = known.to_vec();
    ordered.sort_by(|a, b| b.stake.total_cmp(&a.stake));
    let (lead, others) = (ordered[0], &ordered[1..]);
    if let [one] = groups.as_slice()
        && lead.grade.is_some_and(|g| g.0 == 0)
    {
        return format!("{} in {}; the most in {}: {}.", lead.opening, all(one.len()), lead.label, lead.statement);
    }
    let rest = match others {
        [other] => format!("in {} it would save {}.", other.label, other.shown),
        _ => format!("in the other {} sessions it would save {}.", others.len(), named_range(others)),
    };
    let opening = if groups.len() == 1 {
        format!("{}; the most in {}", lead.opening, lead.label)
    } else {
        format!("{} in {}", lead.opening, lead.label)
    };
    format!("{opening}: {}; {rest}", lead.statement)
}

fn all(n: usize) -> String {
    if n == 2 { "both sessions".to_owned() } else { format!("all {n} sessions") }
}

/// Findings of the same grade together, the lowest grade first; within one in the order of their stake.
fn by_grade<'a>(known: &[&'a Finding]) -> Vec<Vec<&'a Finding>> {
    let mut grades: Vec<usize> = known.iter().filter_map(|f| f.grade.map(|g| g.0)).collect();
    grades.sort_unstable();
    grades.dedup();
    grades
        .into_iter()
        .map(|grade| {
            let mut members: Vec<&Finding> =
                known.iter().copied().filter(|f| f.grade.is_some_and(|g| g.0 == grade)).collect();
            members.sort_by(|a, b| b.stake.total_cmp(&a.stake));
            members
        })
        .collect()
}

/// The key numbers from one end to the other, with the names of the sessions at the ends.
fn named_range(members: &[&Finding]) -> String {
    match members {
        [first, .., last] if first.shown != last.shown => {
            format!("{} ({}) to {} ({})", first.shown, first.label, last.shown, last.label)
        }
        _ => range(members),
    }
}

/// The key numbers from one end to the other.
fn range(members: &[&Finding]) -> String {
    match members {
        [] => String::new(),
        [first, .., last] if first.shown != last.shown => format!("{} to {}", first.shown, last.shown),
        [first, ..] => first.shown.clone(),
    }
}

fn list(members: &[&Finding]) -> String {
    let written: Vec<&str> = members.iter().take(LABELS_WRITTEN).map(|f| f.label.as_str()).collect();
    match (members.len().saturating_sub(LABELS_WRITTEN), written.as_slice()) {
        (0, [rest @ .., a, b]) => {
            let before: String = rest.iter().map(|l| format!("{l}, ")).collect();
            format!("{before}{a} and {b}")
        }
        (0, _) => written.join(", "),
        (more, _) => format!("{} and {more} more", written.join(", ")),
    }
}
