//! What would supply a missing value.

use std::fmt;

/// Something that a user can take, write or state.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Help {
    Bias,
    Dark,
    Flat,
    Light,
    /// A card of the headers.
    Card(&'static str),
    /// A key of the rig file.
    RigKey(&'static str),
    /// A key of the options file.
    OptionKey(&'static str),
}

/// The form of `would_help` in `report.json`: a kind of frame, a card's name, or a file's key behind a colon.
impl fmt::Display for Help {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        match self {
            Self::Bias => f.write_str("bias"),
            Self::Dark => f.write_str("dark"),
            Self::Flat => f.write_str("flat"),
            Self::Light => f.write_str("light"),
            Self::Card(card) => f.write_str(card),
            Self::RigKey(key) => write!(f, "rig:{key}"),
            Self::OptionKey(key) => write!(f, "options:{key}"),
        }
    }
}
