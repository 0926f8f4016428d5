//! Reads a number by its row of the vocabulary: unit, range, and whether its cards agree.

use super::Carded;
use super::vocabulary::Entry;
use crate::facts::header::HeaderCaution;
use crate::fits::{Card, Cards, leading_number};

/// The value of the most trusted card that holds a possible one; what is refused or contradicts it is noted.
pub(crate) fn number(cards: &Cards, entry: &Entry, notes: &mut Vec<HeaderCaution>) -> Option<Carded<f64>> {
    let mut found: Vec<Carded<f64>> = Vec::new();
    for (keyword, factor) in entry.cards {
        let Some(card) = cards.get(keyword) else { continue };
        let Some(value) = in_unit(card, keyword, *factor, entry) else { continue };
        if entry.range.contains(&value.value) {
            found.push(value);
        } else {
            notes.push(refused(entry, keyword, card, value.value));
        }
    }
    let first = found.first()?.clone();
    let limit = entry.conflict.unwrap_or(f64::INFINITY);
    let off = |v: f64| (v - first.value).abs() > limit * first.value.abs().max(v.abs());
    if let Some(other) = found.iter().find(|f| off(f.value)) {
        notes.push(HeaderCaution::CardsDisagree {
            card: first.card.clone(),
            value: first.value,
            other: other.card.clone(),
            other_value: other.value,
            unit: entry.unit.to_owned(),
            quantity: entry.name.to_owned(),
        });
    }
    Some(first)
}

fn refused(entry: &Entry, keyword: &str, card: &Card, value: f64) -> HeaderCaution {
    let perhaps = entry.perhaps.filter(|(_, factor)| entry.range.contains(&(value * factor)));
    HeaderCaution::Refused {
        card: keyword.to_owned(),
        written: card.value.clone(),
        quantity: entry.name.to_owned(),
        unit: entry.unit.to_owned(),
        perhaps_in: perhaps.map(|(unit, _)| unit.to_owned()),
    }
}

/// The card's number in the unit of the row, with the conversion that it took.
fn in_unit(card: &Card, keyword: &str, factor: f64, entry: &Entry) -> Option<Carded<f64>> {
    let number = leading_number(&card.value)?;
    let named = unit_of(card, entry);
    let (unit, factor) = named.map_or((None, factor), |(unit, factor)| (Some(unit), factor));
    let mut carded = Carded::new(number * factor, keyword);
    if factor != 1.0 {
        let from = unit.map_or_else(|| "its usual unit".to_owned(), str::to_owned);
        carded.converted = Some(format!("{number} from {from} to {}: times {factor}", entry.unit));
    }
    Some(carded)
}

/// The unit that a card names: behind its number, in brackets at the head of its comment (standard, section 4.3.2), or
/// as a word of its comment where it cannot be another word.
fn unit_of(card: &Card, entry: &Entry) -> Option<(&'static str, f64)> {
    let known = |word: &str| entry.spellings.iter().find(|(s, _)| *s == word).copied();
    let words = |text: &str| -> Vec<String> {
        text.to_ascii_lowercase()
            .split(|c: char| !c.is_ascii_alphabetic())
            .filter(|w| !w.is_empty())
            .map(str::to_owned)
            .collect()
    };
    let behind = card.value.trim_start_matches(|c: char| !c.is_ascii_alphabetic());
    // `1.2E3 s`: the exponent is no unit.
    let behind = words(behind).into_iter().find(|w| known(w).is_some());
    let brackets = card.comment.split_once('[').and_then(|(_, rest)| rest.split_once(']')).map(|(unit, _)| unit);
    let bracketed = brackets.and_then(|unit| words(unit).into_iter().find(|w| known(w).is_some()));
    // `in`, `m`, `s` and `min` are words of sentences too.
    let spoken = words(&card.comment)
        .into_iter()
        .find(|w| w.len() > 1 && !["in", "min"].contains(&w.as_str()) && known(w).is_some());
    behind.or(bracketed).or(spoken).and_then(|w| known(&w))
}

#[cfg(test)]
mod tests {
    use super::super::vocabulary::{APERTURE, EXPOSURE, FOCAL, PIXEL};
    use super::*;

    fn read(entry: &Entry, lines: &[&str]) -> (Option<f64>, Vec<HeaderCaution>) {
        let mut notes = Vec::new();
        let value = number(&Cards::parse(lines.iter().copied()), entry, &mut notes);
        (value.map(|v| v.value), notes)
    }

    #[test]
    fn units_are_taken_from_where_they_stand() {
        for (entry, line, want) in [
            (&EXPOSURE, "EXPTIME = 300", 300.0),
            (&EXPOSURE, "EXPTIME = '300 s'", 300.0),
            (&EXPOSURE, "EXPTIME = 300000 / [ms] exposure", 300.0),
            (&EXPOSURE, "EXPOSURE= 300000 / exposure in milliseconds", 300.0),
            (&EXPOSURE, "EXPTIME = 3.0E2 / exposure in seconds, min of all", 300.0),
            (&EXPOSURE, "IMG_EXP = 1999 / Exposure (ms)", 1.999),
            (&EXPOSURE, "IMG_EXP = 1999", 1.999),
            (&EXPOSURE, "EXPOINUS= 2500000", 2.5),
            (&EXPOSURE, "EXPTIME = '5 min'", 300.0),
            (&FOCAL, "FOCALLEN= '530 mm'", 530.0),
            (&FOCAL, "FOCALLEN= '0.53 m'", 530.0),
            (&FOCAL, "FOCALLEN= '530,0' / Focal length of the telescope in mm", 530.0),
            (&FOCAL, "FOCALLEN= 0.53 / [m]", 530.0),
            (&APERTURE, "APTDIA  = '4 in'", 101.6),
            (&PIXEL, "XPIXSZ  = 3.76 / pixel size in microns", 3.76),
            (&PIXEL, "XPIXSZ  = '0.00376 mm'", 3.76),
        ] {
            let (got, notes) = read(entry, &[line]);
            assert!((got.unwrap() / want - 1.0).abs() < 1e-12 && notes.is_empty(), "{line}: {got:?} {notes:?}");
        }
    }

    #[test]
    fn what_cannot_be_is_refused_with_a_guess_that_is_not_taken() {
        for (line, perhaps) in
            [("FOCALLEN= 0.53", Some("metres")), ("FOCALLEN= 0", None), ("FOCALLEN= -1", None), ("FOCALLEN= 1E9", None)]
        {
            let (got, notes) = read(&FOCAL, &[line]);
            let [HeaderCaution::Refused { quantity, perhaps_in, .. }] = &notes[..] else { panic!("{line}: {notes:?}") };
            assert_eq!((got, quantity.as_str(), perhaps_in.as_deref()), (None, "focal length", perhaps), "{line}");
        }
        assert_eq!(read(&FOCAL, &["FOCALLEN= NAN"]), (None, Vec::new()), "missing, not wrong");
        // The next card stands in for one that is refused.
        let (got, notes) = read(&FOCAL, &["FOCALLEN= 0", "FOCLEN  = 530"]);
        assert!(got == Some(530.0) && notes.len() == 1);
    }

    #[test]
    fn cards_that_differ_by_more_than_a_hundredth_are_told() {
        assert!(read(&EXPOSURE, &["EXPTIME = 300", "EXPOSURE= 302.9"]).1.is_empty());
        let (got, notes) = read(&EXPOSURE, &["EXPOSURE= 304", "EXPTIME = 300"]);
        let [HeaderCaution::CardsDisagree { value, other_value, .. }] = notes[..] else { panic!("{notes:?}") };
        assert_eq!((got, value, other_value), (Some(300.0), 300.0, 304.0));
    }
}
