//! The pixels that a star is fitted to.

/// Pixels around one star.
#[derive(Debug, Clone, PartialEq)]
pub struct Stamp {
    /// Column of the first pixel.
    pub left: usize,
    /// Row of the first pixel.
    pub top: usize,
    /// Columns.
    pub width: usize,
    /// Row by row, ADU; NaN for pixels that do not count.
    pub values: Vec<f32>,
}
