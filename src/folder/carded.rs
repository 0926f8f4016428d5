//! A value that remembers the card it came from.

use crate::facts::Source;

/// A value and the card (or rig key) that gave it.
#[derive(Debug, Clone, PartialEq)]
pub struct Carded<T> {
    /// The value, in the unit of the field.
    pub value: T,
    /// FITS keyword, or `rig file` and the key.
    pub card: String,
    /// Whether the user's rig file gave it.
    pub from_rig: bool,
    /// The conversion that the recorded text took to become this value.
    pub converted: Option<String>,
}

impl<T> Carded<T> {
    /// A value from a header card.
    pub fn new(value: T, card: &str) -> Self {
        Self { value, card: card.to_owned(), from_rig: false, converted: None }
    }

    /// A value from the rig file.
    pub fn from_rig(value: T, key: &str) -> Self {
        Self { value, card: format!("rig file: {key}"), from_rig: true, converted: None }
    }

    /// Where it comes from: the header, or the rig file.
    pub fn source(&self) -> Source {
        if self.from_rig { Source::Rig } else { Source::Header }
    }

    /// The same value, with the conversion that led to it.
    #[must_use]
    pub fn by(self, conversion: impl Into<String>) -> Self {
        Self { converted: Some(conversion.into()), ..self }
    }
}
