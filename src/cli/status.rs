//! The exit status.

use crate::report::{FrameRow, FrameStatus, Report};

/// All frames handled.
pub const ALL_HANDLED: u8 = 0;
/// The report was written, but some files could not be read or used.
pub const SOME_LEFT_OUT: u8 = 1;
/// Nothing could be produced.
pub const NOTHING: u8 = 2;

/// 1 where a frame could not be read or used. Files that never claimed to be frames do not count.
pub fn status_of(report: &Report) -> u8 {
    let left_out = |f: &FrameRow| match f.status {
        FrameStatus::Used => false,
        FrameStatus::Unreadable => true,
        FrameStatus::Excluded => f.width.is_some(),
    };
    if report.frames.iter().any(left_out) { SOME_LEFT_OUT } else { ALL_HANDLED }
}
