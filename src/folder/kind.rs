//! What a frame was taken for, from the words that capture software writes.

use serde::{Deserialize, Serialize};

/// The kind of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FrameKind {
    /// The sky.
    Light,
    /// Shutter closed, exposure as a light's.
    Dark,
    /// Shutter closed, shortest exposure.
    Bias,
    /// An evenly lit screen or twilight sky.
    Flat,
    /// A dark that matches a flat's exposure.
    DarkFlat,
    /// A combination of frames: its noise is not a single frame's.
    Master,
    /// Neither its header nor its pixels tell.
    Unknown,
}

impl FrameKind {
    /// The word that reports use.
    pub fn label(self) -> &'static str {
        match self {
            Self::Light => "light",
            Self::Dark => "dark",
            Self::Bias => "bias",
            Self::Flat => "flat",
            Self::DarkFlat => "dark-flat",
            Self::Master => "master",
            Self::Unknown => "unknown",
        }
    }

    /// Reads the value of IMAGETYP, FRAME or OBSTYPE. `None` when the words are not known.
    ///
    /// Spellings: common practice, no source; punctuation and case do not matter.
    pub fn from_words(words: &str) -> Option<Self> {
        let flat: String = words.chars().filter(char::is_ascii_alphanumeric).collect::<String>().to_ascii_lowercase();
        let has = |part: &str| flat.contains(part);
        Some(match flat.as_str() {
            "" => return None,
            _ if has("master") || has("stack") || has("integration") || has("combined") => Self::Master,
            _ if has("dark") && has("flat") => Self::DarkFlat,
            _ if has("flat") || has("dome") || has("twilight") => Self::Flat,
            _ if has("dark") => Self::Dark,
            _ if has("bias") || has("zero") || has("offset") => Self::Bias,
            _ if has("light") || has("object") || has("science") || flat == "sci" || flat == "target" => Self::Light,
            _ => return None,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Spellings met in real headers (public issue trackers).
    #[test]
    fn spellings_of_real_headers_are_understood() {
        use FrameKind::*;
        for (words, kind) in [
            ("Light Frame", Light),
            ("LIGHT", Light),
            ("light ", Light),
            ("OBJECT", Light),
            ("Flat Field", Flat),
            ("FLAT", Flat),
            ("SKYFLAT", Flat),
            ("DOME", Flat),
            ("Dark", Dark),
            ("DARKFLAT", DarkFlat),
            ("Dark Flat", DarkFlat),
            ("Flat Dark", DarkFlat),
            ("Bias Frame", Bias),
            ("ZERO", Bias),
            ("Master Dark", Master),
        ] {
            assert_eq!(FrameKind::from_words(words), Some(kind), "{words}");
        }
        assert_eq!(FrameKind::from_words("focus"), None);
        assert_eq!(FrameKind::from_words("  "), None);
    }
}
