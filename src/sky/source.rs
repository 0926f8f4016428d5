//! A star of a frame, for the match.

/// A star of the frame, as far as its place matters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Source {
    /// Column and row, px of the file, 0-based, integer at pixel centres.
    pub x_px: f64,
    pub y_px: f64,
    /// One standard error along an axis, px.
    pub sigma_px: f64,
}
