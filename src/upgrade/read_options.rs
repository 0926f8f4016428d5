//! Reading a table of an options file against the keys that it may have; messages name key, line and range.

use std::collections::BTreeMap;
use std::ops::Range;
use std::path::{Path, PathBuf};

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::keys::{Holds, Key};
use crate::folder::key_hint;

/// Why an options file cannot be used.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum OptionsError {
    #[error("{path}: {reason}", path = path.display())]
    Read { path: PathBuf, reason: String },
    #[error("{path}, line {line}: not TOML: {reason}", path = path.display())]
    Syntax { path: PathBuf, line: usize, reason: String },
    #[error("{path}, line {line}: unknown key `{key}` in {place}; {hint}", path = path.display())]
    UnknownKey { path: PathBuf, line: usize, key: String, place: String, hint: String },
    #[error("{path}, line {line}: `{key}` = {value}; it must be {range}", path = path.display())]
    Value { path: PathBuf, line: usize, key: String, value: String, range: String },
    #[error("{path}, line {line}: {what}", path = path.display())]
    Incomplete { path: PathBuf, line: usize, what: String },
}

/// A stated number and its standard uncertainty, 0 where none was stated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stated {
    pub value: f64,
    pub sigma: f64,
}

/// The text with what messages need.
pub struct Text<'a> {
    pub text: &'a str,
    pub path: &'a Path,
}

impl Text<'_> {
    /// Line of a place in the text, from 1.
    pub fn line(&self, span: &Range<usize>) -> usize {
        self.text[..span.start.min(self.text.len())].matches('\n').count() + 1
    }

    /// What is wrong as a whole with the table that stands at `span`.
    pub fn incomplete(&self, span: &Range<usize>, what: String) -> OptionsError {
        OptionsError::Incomplete { path: self.path.to_owned(), line: self.line(span), what }
    }

    fn wrong(&self, key: &str, value: &Spanned<DeValue>, range: String) -> OptionsError {
        OptionsError::Value {
            path: self.path.to_owned(),
            line: self.line(&value.span()),
            key: key.to_owned(),
            value: self.text.get(value.span()).unwrap_or("?").to_owned(),
            range,
        }
    }
}

/// The values of one table, checked.
#[derive(Debug, Default)]
pub struct Values {
    numbers: BTreeMap<&'static str, Stated>,
    words: BTreeMap<&'static str, String>,
    truths: BTreeMap<&'static str, bool>,
}

impl Values {
    /// Checks a table against its keys; `place` is its name in messages.
    pub fn read(text: &Text, table: &DeTable, keys: &[Key], place: &str) -> Result<Self, OptionsError> {
        let mut values = Self::default();
        for (name, value) in table {
            let Some(key) = keys.iter().find(|k| k.name == name.get_ref()) else {
                return Err(OptionsError::UnknownKey {
                    path: text.path.to_owned(),
                    line: text.line(&name.span()),
                    key: name.get_ref().to_string(),
                    place: place.to_owned(),
                    hint: key_hint(name.get_ref(), &keys.iter().map(|k| k.name).collect::<Vec<_>>()),
                });
            };
            values.take(text, key, value)?;
        }
        Ok(values)
    }

    fn take(&mut self, text: &Text, key: &Key, value: &Spanned<DeValue>) -> Result<(), OptionsError> {
        match key.holds {
            Holds::Number { low, high, unit } => {
                let range = || format!("a number from {low} to {high} ({unit}), or [number, standard uncertainty]");
                let stated = stated(value.get_ref()).filter(|s| s.value >= low && s.value <= high && s.sigma >= 0.0);
                self.numbers.insert(key.name, stated.ok_or_else(|| text.wrong(key.name, value, range()))?);
            }
            Holds::Text => {
                let word = value.get_ref().as_str().filter(|s| !s.trim().is_empty());
                let word = word.ok_or_else(|| text.wrong(key.name, value, "a text in quotes".to_owned()))?;
                self.words.insert(key.name, word.to_owned());
            }
            Holds::Word(known) => {
                let word = value.get_ref().as_str().filter(|w| known.contains(w));
                let range = || format!("one of {}, in quotes", known.join(", "));
                self.words.insert(key.name, word.ok_or_else(|| text.wrong(key.name, value, range()))?.to_owned());
            }
            Holds::Truth => {
                let truth = value.get_ref().as_bool();
                let truth = truth.ok_or_else(|| text.wrong(key.name, value, "true or false".to_owned()))?;
                self.truths.insert(key.name, truth);
            }
            Holds::Tables => {}
        }
        Ok(())
    }

    pub fn number(&self, key: &str) -> Option<Stated> {
        self.numbers.get(key).copied()
    }

    pub fn word(&self, key: &str) -> Option<String> {
        self.words.get(key).cloned()
    }

    pub fn truth(&self, key: &str) -> Option<bool> {
        self.truths.get(key).copied()
    }
}

/// A finite number, or a pair of them.
fn stated(value: &DeValue) -> Option<Stated> {
    match value {
        DeValue::Array(pair) => match pair.iter().collect::<Vec<_>>().as_slice() {
            [value, sigma] => Some(Stated { value: plain(value.get_ref())?, sigma: plain(sigma.get_ref())? }),
            _ => None,
        },
        one => Some(Stated { value: plain(one)?, sigma: 0.0 }),
    }
}

fn plain(value: &DeValue) -> Option<f64> {
    let number = match value {
        DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix()).ok()? as f64,
        DeValue::Float(f) => f.as_str().parse().ok()?,
        _ => return None,
    };
    number.is_finite().then_some(number)
}
