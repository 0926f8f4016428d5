//! Reading a table of an options file against the keys that it may have; messages name key, line and range.

use std::collections::BTreeMap;
use std::ops::Range;
use std::path::{Path, PathBuf};

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::keys::{Holds, Key, Table};
use super::lacking::{Known, Lacking};
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
pub(crate) struct Stated {
    pub value: f64,
    pub sigma: f64,
}

/// The text with what messages need.
pub(crate) struct Text<'a> {
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
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Values {
    pub table: Table,
    numbers: BTreeMap<Key, Stated>,
    words: BTreeMap<Key, String>,
    truths: BTreeMap<Key, bool>,
}

impl Values {
    /// A table that the file does not have.
    pub fn none(table: Table) -> Self {
        Self { table, numbers: BTreeMap::new(), words: BTreeMap::new(), truths: BTreeMap::new() }
    }

    /// Checks a table against the keys that may stand in it.
    pub fn read(text: &Text, found: &DeTable, table: Table) -> Result<Self, OptionsError> {
        let mut values = Self::none(table);
        for (name, value) in found {
            let Some(key) = table.keys().find(|k| k.name() == name.get_ref()) else {
                return Err(OptionsError::UnknownKey {
                    path: text.path.to_owned(),
                    line: text.line(&name.span()),
                    key: name.get_ref().to_string(),
                    place: table.place().to_owned(),
                    hint: key_hint(name.get_ref(), &table.keys().map(Key::name).collect::<Vec<_>>()),
                });
            };
            values.take(text, key, value)?;
        }
        Ok(values)
    }

    fn take(&mut self, text: &Text, key: Key, value: &Spanned<DeValue>) -> Result<(), OptionsError> {
        let wrong = |range: String| text.wrong(key.name(), value, range);
        match key.declared().holds {
            Holds::Number { low, high, unit, .. } => {
                let range = || format!("a number from {low} to {high} ({unit}), or [number, standard uncertainty]");
                let stated = stated(value.get_ref()).filter(|s| s.value >= low && s.value <= high && s.sigma >= 0.0);
                self.numbers.insert(key, stated.ok_or_else(|| wrong(range()))?);
            }
            Holds::Text => {
                let word = value.get_ref().as_str().filter(|s| !s.trim().is_empty());
                let word = word.ok_or_else(|| wrong("a text in quotes".to_owned()))?;
                self.words.insert(key, word.to_owned());
            }
            Holds::Word(known) => {
                let word = value.get_ref().as_str().filter(|w| known.contains(w));
                let range = || format!("one of {}, in quotes", known.join(", "));
                self.words.insert(key, word.ok_or_else(|| wrong(range()))?.to_owned());
            }
            Holds::Truth => {
                let truth = value.get_ref().as_bool();
                self.truths.insert(key, truth.ok_or_else(|| wrong("true or false".to_owned()))?);
            }
            Holds::Tables => {}
        }
        Ok(())
    }

    /// A number with its uncertainty.
    pub fn number(&self, key: Key) -> Option<Stated> {
        self.numbers.get(&key).copied()
    }

    /// A number alone.
    pub fn value(&self, key: Key) -> Option<f64> {
        self.number(key).map(|s| s.value)
    }

    /// A number with its uncertainty, or that it is not stated.
    pub fn needed(&self, key: Key) -> Known<Stated> {
        self.number(key).ok_or(self.lacks(key))
    }

    /// That a key is not stated here.
    pub fn lacks(&self, key: Key) -> Lacking {
        Lacking::KeyNotStated { key, table: self.table }
    }

    pub fn word(&self, key: Key) -> Option<String> {
        self.words.get(&key).cloned()
    }

    pub fn truth(&self, key: Key) -> Option<bool> {
        self.truths.get(&key).copied()
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
