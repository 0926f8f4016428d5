//! What a frame is, and what told so.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The kind of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
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
}

/// What told the kind of a frame.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum KindSource {
    /// Nothing did.
    Nothing,
    /// Its pixels, against the header or names, or where those say nothing.
    Pixels,
    /// Its exposure beside that of others, against the header.
    Exposure,
    /// A header card.
    Card(String),
    /// The user, on the command line or in the rig file.
    Stated(String),
    /// The name of its file or of a folder that it lies in.
    Name(String),
    /// As the report that it was read from words it.
    Quoted(String),
}
