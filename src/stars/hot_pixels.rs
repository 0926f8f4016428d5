//! Peaks that are one hot pixel.

use crate::frame::Lattice;
use crate::stats::median_mut;

use super::Peak;
use super::view::View;

/// Sum of the neighbours over the centre below which a peak is one hot pixel: half of what a star of 1 px FWHM, centred
/// on its pixel, gives in its four nearest neighbours (0.63, Gaussian after the pixel) or in its four diagonal ones (0.10).
const HOT_PIXEL_NEIGHBOURS: [f64; 2] = [0.31, 0.05];
/// Whether one pixel stands alone, within its noise.
pub(super) fn is_hot_pixel(view: View, peak: &Peak) -> bool {
    let (rows, columns) = view.plane.dim();
    let lattice = view.lattice;
    let (x, y, highest) = view.brightest(peak);
    if x < 2 || y < 2 || x + 2 >= columns || y + 2 >= rows {
        return false;
    }
    let (offsets, limit): ([(i32, i32); 4], f64) = match lattice {
        Lattice::All => ([(-1, 0), (1, 0), (0, -1), (0, 1)], HOT_PIXEL_NEIGHBOURS[0]),
        Lattice::Green(_) => ([(-1, -1), (1, 1), (1, -1), (-1, 1)], HOT_PIXEL_NEIGHBOURS[1]),
    };
    let around: f64 =
        offsets.iter().map(|(dx, dy)| view.plane.at((x as i32 + dx) as usize, (y as i32 + dy) as usize)).sum();
    // Above a background b the neighbours hold `around - 4 b` and the pixel `highest - b`.
    let alone = |background: f64| around - limit * highest < (4.0 - limit) * background;
    let ring = view.sky.level_at(x, y) + peak.ring_adu;
    // In a crowd the ring lies on other stars; the border of the 5x5 pixels then tells the background better.
    alone(ring) && alone(border_median(view, x, y).min(ring))
}

/// Median of the 16 pixels around the 3x3 ones at (x, y), as far as they count.
fn border_median(view: View, x: usize, y: usize) -> f64 {
    let mut border = [0.0; 16];
    let mut n = 0;
    for b in y - 2..=y + 2 {
        for a in x - 2..=x + 2 {
            let outer = a.abs_diff(x) == 2 || b.abs_diff(y) == 2;
            if outer && view.lattice.holds(a, b) {
                border[n] = view.plane.at(a, b);
                n += 1;
            }
        }
    }
    median_mut(&mut border[..n]).unwrap_or(f64::INFINITY)
}
