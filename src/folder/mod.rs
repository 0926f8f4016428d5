//! What lies in the folder: files, headers, kinds, sessions and sensors.

mod header;
mod kind;

pub use header::{Carded, CfaPattern, FrameHeader};
pub use kind::FrameKind;
