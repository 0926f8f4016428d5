//! Sentences in code: where one stands, and where one is read.

use std::collections::BTreeMap;

use proc_macro2::Delimiter::Parenthesis;

use super::source::{Part, Row};

/// Methods that look into a text.
const LOOKS: [&str; 16] = [
    "contains",
    "starts_with",
    "ends_with",
    "split",
    "rsplit",
    "split_once",
    "rsplit_once",
    "strip_prefix",
    "strip_suffix",
    "trim_start_matches",
    "trim_end_matches",
    "find",
    "rfind",
    "replace",
    "replacen",
    "matches",
];

/// Words from which on a text is a sentence; what a format fills in is none.
const SENTENCE_WORDS: usize = 4;

fn words(text: &str) -> usize {
    let (mut depth, mut plain) = (0usize, String::new());
    for c in text.chars() {
        match c {
            '{' => depth += 1,
            '}' => depth = depth.saturating_sub(1),
            c if depth == 0 => plain.push(c),
            _ => {}
        }
    }
    plain.split_whitespace().filter(|w| w.chars().any(char::is_alphabetic)).count()
}

pub fn is_sentence(text: &str) -> bool {
    words(text) >= SENTENCE_WORDS
}

/// Line and text of each sentence, but those of a panic that cannot happen.
pub fn sentences(row: &Row) -> Vec<(usize, String)> {
    let last_resort = |before: &[Part]| match before {
        [.., Part::Sign('.'), Part::Word(w), Part::Open(Parenthesis)] => w == "expect",
        [.., Part::Word(w), Part::Sign('!'), Part::Open(Parenthesis)] => w == "unreachable",
        _ => false,
    };
    let text = |(i, part): (usize, &Part)| match part {
        Part::Text(t) if is_sentence(t) && !last_resort(&row.parts[..i]) => Some((row.lines[i], t.clone())),
        _ => None,
    };
    row.parts.iter().enumerate().filter_map(text).collect()
}

/// Line and wording of each place where code looks into a text for a literal, or holds it against one of several words.
pub fn read_texts(row: &Row) -> Vec<(usize, String)> {
    let constants = constants(row);
    let literal = |part: &Part| match part {
        Part::Text(t) => Some(t.clone()),
        Part::Word(w) => constants.get(w.as_str()).map(|t| (*t).to_owned()),
        _ => None,
    };
    let several = |part: &Part| literal(part).filter(|t| words(t) > 1);
    let mut found = Vec::new();
    for (i, &line) in row.lines.iter().enumerate() {
        let what = match &row.parts[i..] {
            [Part::Sign('.'), Part::Word(look), Part::Open(Parenthesis), rest @ ..] if LOOKS.contains(&&**look) => {
                let rest = if rest[0] == Part::Sign('&') { &rest[1..] } else { rest };
                literal(&rest[0]).map(|t| format!(".{look}({t:?})"))
            }
            [Part::Sign('=' | '!'), Part::Sign('='), text, ..] => several(text).map(|t| format!("== {t:?}")),
            [text, Part::Sign('='), Part::Sign('=' | '>'), ..] => several(text).map(|t| format!("{t:?} ==")),
            [text, Part::Sign('!'), Part::Sign('='), ..] => several(text).map(|t| format!("{t:?} !=")),
            _ => None,
        };
        found.extend(what.map(|w| (line, w)));
    }
    found
}

/// Texts that stand under a name: `const NAME: &str = "text"`.
fn constants(row: &Row) -> BTreeMap<&str, &str> {
    let mut found = BTreeMap::new();
    for window in row.parts.windows(7) {
        let named = match window {
            [Part::Word(k), Part::Word(name), Part::Sign(':'), Part::Sign('&'), Part::Word(s), Part::Sign('='), t]
                if ["const", "static"].contains(&&**k) && s == "str" =>
            {
                t.text().map(|t| (name.as_str(), t))
            }
            _ => None,
        };
        found.extend(named);
    }
    found
}
