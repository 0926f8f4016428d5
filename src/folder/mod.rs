//! What lies in the folder: files, headers, kinds, sessions and sensors.
#![doc = include_str!("README.md")]

mod airmass;
mod altitude;
mod carded;
mod find;
mod group;
mod header;
mod kind;
mod moments;
mod numbers;
mod oddities;
mod optics;
mod pointing;
mod read;
mod rig;
mod sight;
mod temperature;
pub mod vocabulary;

pub use crate::facts::FrameKind;
pub use carded::Carded;
pub use find::{Content, FolderError, FoundFile, content_of, find_files};
pub use group::{Night, SensorKey, SessionKey, UNNAMED_CAMERA, night_of};
pub use header::{CfaPattern, FrameHeader, PixelReadings};
pub use pointing::{HeaderWcs, Pointing};
pub use read::read_header;
pub use rig::{AirClass, POINTING_FORMS, Rig, RigError, key_hint};
