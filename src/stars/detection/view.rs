//! A frame with its sky: what every look at a peak's pixels needs.

use crate::fits::Pixels;
use crate::frame::Lattice;

use crate::stars::{Peak, SkyMap};

/// One plane, which of its pixels count, and the sky under it.
#[derive(Clone, Copy)]
pub(crate) struct View<'a> {
    pub plane: &'a Pixels,
    pub lattice: Lattice,
    pub sky: &'a SkyMap,
}

impl View<'_> {
    /// Brightest counting pixel of the 3x3 at a peak, and its value, ADU.
    pub fn brightest(&self, peak: &Peak) -> (usize, usize, f64) {
        let (rows, columns) = self.plane.dim();
        let lattice = self.lattice;
        let (mut x, mut y, mut highest) = (peak.x, peak.y, f64::NEG_INFINITY);
        for b in peak.y.saturating_sub(1)..(peak.y + 2).min(rows) {
            for a in peak.x.saturating_sub(1)..(peak.x + 2).min(columns) {
                let value = self.plane.at(a, b);
                if value > highest && lattice.holds(a, b) {
                    (x, y, highest) = (a, b, value);
                }
            }
        }
        (x, y, highest)
    }
}
