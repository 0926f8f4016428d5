//! Header cards as recorded, tolerant of what capture software writes.
//!
//! Source: FITS Standard 4.0 (Pence et al. 2010 and later), section 4; the CONTINUE and HIERARCH conventions.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

/// One header card with a value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Card {
    /// Keyword in upper case; for HIERARCH cards the words joined by one blank.
    pub keyword: String,
    /// The value without quotes and trailing blanks.
    pub value: String,
    /// Whether the value stood in quotes.
    pub quoted: bool,
    /// Text after the slash.
    pub comment: String,
}

/// All valued cards of one image, its own HDU first, then the primary HDU.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Cards {
    cards: Vec<Card>,
    /// Cards that could not be understood, as recorded.
    pub malformed: Vec<String>,
    /// Keywords that one HDU holds with several values; the first stands.
    pub repeated: Vec<String>,
}

impl Cards {
    /// Parses 80-byte records in order. Commentary cards are passed over.
    pub fn parse<'a>(records: impl IntoIterator<Item = &'a str>) -> Self {
        let mut all = Self::default();
        for record in records {
            all.push(record);
        }
        all.find_repeated();
        // A trailing '&' continues only where a CONTINUE card follows; otherwise it belongs to the text.
        all
    }

    fn find_repeated(&mut self) {
        let mut first: BTreeMap<&str, &str> = BTreeMap::new();
        let mut repeated = BTreeSet::new();
        for card in self.cards.iter().filter(|c| !c.value.is_empty()) {
            let value = *first.entry(&card.keyword).or_insert(&card.value);
            if value != card.value {
                repeated.insert(card.keyword.clone());
            }
        }
        self.repeated = repeated.into_iter().collect();
    }

    /// Appends the cards of an HDU that yields to those already here.
    pub fn extend_with_fallback(&mut self, other: Self) {
        let hidden = |keyword: &String| self.get(keyword).is_some();
        let repeated: Vec<String> = other.repeated.into_iter().filter(|keyword| !hidden(keyword)).collect();
        self.repeated.extend(repeated);
        self.cards.extend(other.cards);
        self.malformed.extend(other.malformed);
    }

    fn push(&mut self, record: &str) {
        let keyword = record.get(..8.min(record.len())).unwrap_or("").trim_end().to_ascii_uppercase();
        match keyword.as_str() {
            "" | "COMMENT" | "HISTORY" | "END" => {}
            "CONTINUE" => self.continue_text(record.get(8..).unwrap_or("")),
            "HIERARCH" => match record.get(8..).and_then(|r| r.split_once('=')) {
                Some((words, rest)) => {
                    let keyword = words.split_whitespace().collect::<Vec<_>>().join(" ").to_ascii_uppercase();
                    self.push_value(keyword, rest);
                }
                None => self.malformed.push(record.trim_end().to_owned()),
            },
            _ => match record.get(8..).map(str::trim_start).and_then(|r| r.strip_prefix('=')) {
                Some(rest) => self.push_value(keyword, rest),
                // Some writers exceed eight characters (`GAIN.SPE=`); the keyword runs to the equals sign.
                None => match record.split_once('=').filter(|(k, _)| !k.trim().contains(' ') && k.len() < 20) {
                    Some((k, rest)) => self.push_value(k.trim().to_ascii_uppercase(), rest),
                    None => self.malformed.push(record.trim_end().to_owned()),
                },
            },
        }
    }

    fn push_value(&mut self, keyword: String, rest: &str) {
        let (value, quoted, comment) = split_value(rest);
        self.cards.push(Card { keyword, value, quoted, comment });
    }

    fn continue_text(&mut self, rest: &str) {
        let (value, quoted, comment) = split_value(rest);
        if let Some(last) = self.cards.last_mut().filter(|c| quoted && c.quoted && c.value.ends_with('&')) {
            last.value.pop();
            last.value.push_str(&value);
            if last.comment.is_empty() {
                last.comment = comment;
            }
        }
    }

    /// The first card of that keyword that carries a value; case does not matter.
    pub fn get(&self, keyword: &str) -> Option<&Card> {
        self.cards.iter().find(|c| c.keyword.eq_ignore_ascii_case(keyword) && !c.value.is_empty())
    }

    /// The value of a card as text, blanks trimmed.
    pub fn text(&self, keyword: &str) -> Option<&str> {
        self.get(keyword).map(|c| c.value.trim()).filter(|v| !v.is_empty())
    }

    /// The value of a card as a finite number; units behind it and a decimal comma are tolerated.
    pub fn number(&self, keyword: &str) -> Option<f64> {
        self.get(keyword).and_then(|c| leading_number(&c.value))
    }

    /// All cards in order.
    pub fn iter(&self) -> impl Iterator<Item = &Card> {
        self.cards.iter()
    }
}

/// Splits what follows the equals sign into value, whether it was quoted, and comment.
fn split_value(rest: &str) -> (String, bool, String) {
    let rest = rest.trim_start();
    let Some(body) = rest.strip_prefix('\'') else {
        let (value, comment) = rest.split_once('/').unwrap_or((rest, ""));
        return (value.trim().to_owned(), false, comment.trim().to_owned());
    };
    let mut value = String::new();
    let mut chars = body.chars().peekable();
    while let Some(c) = chars.next() {
        if c != '\'' {
            value.push(c);
        } else if chars.peek() == Some(&'\'') {
            value.push('\'');
            chars.next();
        } else {
            break;
        }
    }
    let after: String = chars.collect();
    let comment = after.split_once('/').map_or("", |(_, c)| c).trim().to_owned();
    (value.trim_end().to_owned(), true, comment)
}

/// The finite number at the start of a text: `-9.8 C`, `3,76`, `1.2D+02`, `+1.0E+000`. `None` for NAN, INF, words.
pub fn leading_number(text: &str) -> Option<f64> {
    let text = text.trim();
    let end = text
        .char_indices()
        .find(|(i, c)| {
            let exponent_sign = *i > 0 && matches!(text.as_bytes()[i - 1], b'e' | b'E' | b'd' | b'D');
            !(c.is_ascii_digit()
                || matches!(c, '.' | ',')
                || (matches!(c, '+' | '-') && (*i == 0 || exponent_sign))
                || (matches!(c, 'e' | 'E' | 'd' | 'D') && *i > 0 && starts_exponent(&text[i + 1..])))
        })
        .map_or(text.len(), |(i, _)| i);
    let number = text[..end].replace(',', ".").replace(['d', 'D'], "e");
    number.trim_end_matches('.').parse::<f64>().ok().filter(|v| v.is_finite())
}

fn starts_exponent(after: &str) -> bool {
    after.trim_start_matches(['+', '-']).starts_with(|c: char| c.is_ascii_digit())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_survive_units_commas_and_foreign_exponents() {
        for (text, want) in [
            ("-9.8 C", Some(-9.8)),
            ("3,76", Some(3.76)),
            ("+1.500000000000E+002", Some(150.0)),
            ("1.2D+02", Some(120.0)),
            ("300 s", Some(300.0)),
            ("0.", Some(0.0)),
            ("NAN", None),
            ("-NaN", None),
            ("INF", None),
            ("High", None),
            ("", None),
        ] {
            assert_eq!(leading_number(text), want, "{text}");
        }
    }

    #[test]
    fn values_comments_and_quotes_are_told_apart() {
        let cards = Cards::parse([
            "SIMPLE  =                    T/CAPTURE",
            "OBJECT  = 'O''Neil / 2  '           / a name",
            "exptime = 300",
            "DATE-OBS= 2024-10-02T20:41:48",
            "HIERARCH rig ccd-temp = -10 / cold",
            "GAIN.SPE= 3",
            "FILTER  Ha",
            "COMMENT = not a value",
            "EMPTY   =                      / nothing",
        ]);
        assert_eq!(cards.text("SIMPLE"), Some("T"));
        assert_eq!(cards.text("OBJECT"), Some("O'Neil / 2"));
        assert_eq!(cards.get("OBJECT").unwrap().comment, "a name");
        assert_eq!(cards.number("EXPTIME"), Some(300.0));
        assert_eq!(cards.text("DATE-OBS"), Some("2024-10-02T20:41:48"));
        assert_eq!(cards.number("RIG CCD-TEMP"), Some(-10.0));
        assert_eq!(cards.number("GAIN.SPE"), Some(3.0));
        assert_eq!(cards.malformed, ["FILTER  Ha"]);
        assert!(cards.get("EMPTY").is_none());
        assert!(cards.get("COMMENT").is_none());
    }

    #[test]
    fn continued_text_is_joined_and_a_lone_ampersand_stays() {
        let cards =
            Cards::parse(["OBJECT  = 'first &'", "CONTINUE  'second&'", "CONTINUE  ' third' / why", "NOTE    = 'R&'"]);
        assert_eq!(cards.text("OBJECT"), Some("first second third"));
        assert_eq!(cards.get("OBJECT").unwrap().comment, "why");
        assert_eq!(cards.text("NOTE"), Some("R&"));
    }
}
