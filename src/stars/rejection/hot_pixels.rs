//! Peaks that are one hot pixel.

use crate::fits::Grid;
use crate::frame::Lattice;

/// Sum of the neighbours over the centre below which a peak is one hot pixel: half of what a star of 1 px FWHM, centred
/// on its pixel, gives in its four nearest neighbours (0.63, Gaussian after the pixel) or in its four diagonal ones (0.10).
const HOT_PIXEL_NEIGHBOURS: [f64; 2] = [0.31, 0.05];

/// Whether one pixel of the 3x3 at a peak stands alone, within its noise. `ring_adu` is the level around the peak, ADU.
///
/// Near the border of the frame, where its neighbours are missing, none does.
#[inline(always)]
pub(crate) fn is_hot_pixel<T: Copy + Into<f32>>(
    plane: Grid<T>,
    lattice: Lattice,
    peak: (usize, usize),
    ring_adu: f64,
) -> bool {
    let (rows, columns) = plane.dim();
    let at = |x: usize, y: usize| plane.at(x, y);
    let (mut x, mut y, mut highest) = (peak.0, peak.1, f32::NEG_INFINITY);
    for b in peak.1.saturating_sub(1)..(peak.1 + 2).min(rows) {
        for a in peak.0.saturating_sub(1)..(peak.0 + 2).min(columns) {
            let value = at(a, b);
            if value > highest && lattice.holds(a, b) {
                (x, y, highest) = (a, b, value);
            }
        }
    }
    if x < 2 || y < 2 || x + 2 >= columns || y + 2 >= rows {
        return false;
    }
    let (around, limit) = match lattice {
        Lattice::All => ([at(x - 1, y), at(x + 1, y), at(x, y - 1), at(x, y + 1)], HOT_PIXEL_NEIGHBOURS[0]),
        Lattice::Green(_) => {
            let diagonal = [at(x - 1, y - 1), at(x + 1, y + 1), at(x + 1, y - 1), at(x - 1, y + 1)];
            (diagonal, HOT_PIXEL_NEIGHBOURS[1])
        }
    };
    let around: f64 = around.iter().map(|v| f64::from(*v)).sum();
    // Above a background b the neighbours hold `around - 4 b` and the pixel `highest - b`: it stands alone on a background
    // above this one.
    let least = (around - limit * f64::from(highest)) / (4.0 - limit);
    if ring_adu <= least {
        return false;
    }
    // In a crowd the ring lies on other stars; half of the border of the 5x5 pixels then tells the background better.
    let (mut above, mut counted) = (0, 0);
    for b in y - 2..=y + 2 {
        for a in x - 2..=x + 2 {
            let outer = a.abs_diff(x) == 2 || b.abs_diff(y) == 2;
            if outer && lattice.holds(a, b) {
                above += usize::from(f64::from(at(a, b)) > least);
                counted += 1;
            }
        }
    }
    2 * above >= counted
}
