//! Colour filter mosaics: which sites count.

use crate::fits::Pixels;
use crate::folder::CfaPattern;
use crate::stats::median_mut;

/// Which pixels of a plane carry the measured colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lattice {
    /// Every pixel: a monochrome sensor, or one plane of a colour cube.
    All,
    /// Only the green sites of a mosaic, a diagonal lattice of pitch sqrt 2 px.
    Green(CfaPattern),
}

impl Lattice {
    /// Whether the pixel at column `x`, row `y` counts.
    pub fn holds(self, x: usize, y: usize) -> bool {
        match self {
            Self::All => true,
            Self::Green(pattern) => pattern.is_green(x, y),
        }
    }

    /// Distance along a row or a column to the next site that counts, px.
    pub fn pitch(self) -> usize {
        if self == Self::All { 1 } else { 2 }
    }
}

/// Relative difference of the diagonals that is taken for real.
const DIAGONAL_CONTRAST: f64 = 0.02;

/// The colour pattern, with its rows exchanged where the pixels show that the greens lie on the other diagonal.
///
/// The two green sites of a cell see the same light, so their levels agree; writers differ in whether the pattern is
/// told from the top or from the bottom row. The flag says that the pixels overruled the header. `level` is the bias
/// level, ADU, or 0.
pub fn measured_pattern(plane: &Pixels, told: CfaPattern, level: f64) -> (CfaPattern, bool) {
    let (rows, columns) = plane.dim();
    let site = |dx: usize, dy: usize| {
        let mut sample: Vec<f64> = (0..rows.saturating_sub(1) / 2)
            .step_by((rows / 128).max(1))
            .flat_map(|j| (0..columns.saturating_sub(1) / 2).step_by((columns / 128).max(1)).map(move |i| (i, j)))
            .map(|(i, j)| plane.at(2 * i + dx, 2 * j + dy))
            .collect();
        median_mut(&mut sample).unwrap_or(0.0) - level
    };
    let (main, other) = ((site(0, 0) - site(1, 1)).abs(), (site(1, 0) - site(0, 1)).abs());
    let scale = site(0, 0).abs().max(site(1, 0).abs()).max(1.0);
    let told_main = told.is_green(0, 0);
    let (green, not_green) = if told_main { (main, other) } else { (other, main) };
    if green - not_green > DIAGONAL_CONTRAST * scale { (told.shifted(0, 1), true) } else { (told, false) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;

    #[test]
    fn pixels_overrule_a_pattern_told_from_the_wrong_row() {
        let level = |x: usize, y: usize| [[900u16, 1200], [1200, 700]][y % 2][x % 2];
        let plane = Pixels::U16(Array2::from_shape_fn((64, 64), |(y, x)| level(x, y)));
        let rggb = CfaPattern::parse("RGGB").unwrap();
        let gbrg = CfaPattern::parse("GBRG").unwrap();
        assert_eq!(measured_pattern(&plane, rggb, 500.0), (rggb, false));
        assert_eq!(measured_pattern(&plane, gbrg, 500.0), (gbrg.shifted(0, 1), true));
        assert!(measured_pattern(&plane, gbrg, 500.0).0.is_green(1, 0));
    }
}
