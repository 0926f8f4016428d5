//! What lies in the folder: files, headers, kinds, sessions and sensors.
#![doc = include_str!("README.md")]

mod airmass;
mod altitude;
mod carded;
mod clocks;
mod find;
mod group;
mod header;
mod kind;
mod kind_words;
mod moments;
mod numbers;
mod objects;
mod oddities;
mod optics;
mod pointing;
mod read;
mod rig;
mod sight;
mod stated_kinds;
mod temperature;
pub mod vocabulary;

pub use crate::facts::FrameKind;
pub(crate) use altitude::sun_altitude_deg;
pub use carded::Carded;
pub use find::{Content, FolderError, FoundFile, content_of, find_files};
pub use group::{Night, SensorKey, SessionKey, UNNAMED_CAMERA, night_of};
pub use header::{CfaPattern, FrameHeader, PixelReadings};
pub use kind_words::{kind_in_names, kind_in_words};
pub use pointing::{HeaderWcs, Pointing};
pub use read::read_header;
pub use rig::{AirClass, POINTING_FORMS, Rig, RigError, key_hint};
pub use stated_kinds::{KindPatterns, each_kind, stated_kind};
