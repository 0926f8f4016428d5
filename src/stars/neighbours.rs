//! Which peaks stand near a star, and which pixels are kept out of its stamp: a neighbour's and clipped ones.

use super::Peak;
use super::fit::Stamp;

/// Peaks in square cells, so that neighbours are found without looking at all.
pub(super) struct Neighbours {
    cell_px: f64,
    across: usize,
    cells: std::collections::HashMap<usize, Vec<usize>>,
}

impl Neighbours {
    pub fn new(peaks: &[Peak], columns: usize, reach_px: f64) -> Self {
        let across = (columns as f64 / reach_px) as usize + 3;
        let mut cells: std::collections::HashMap<usize, Vec<usize>> = std::collections::HashMap::new();
        for (i, p) in peaks.iter().enumerate() {
            let (cx, cy) = ((p.x as f64 / reach_px) as usize + 1, (p.y as f64 / reach_px) as usize + 1);
            cells.entry(cy * across + cx).or_default().push(i);
        }
        Self { cell_px: reach_px, across, cells }
    }

    /// Peaks within one cell of peak `i`, with their distance in px.
    pub fn around<'a>(&'a self, peaks: &'a [Peak], i: usize) -> impl Iterator<Item = (usize, f64)> + 'a {
        let p = peaks[i];
        let (cx, cy) = ((p.x as f64 / self.cell_px) as usize + 1, (p.y as f64 / self.cell_px) as usize + 1);
        (cy - 1..=cy + 1)
            .flat_map(move |y| (cx - 1..=cx + 1).map(move |x| y * self.across + x))
            .filter_map(|cell| self.cells.get(&cell))
            .flatten()
            .filter(move |k| **k != i)
            .map(move |k| (*k, (peaks[*k].x as f64 - p.x as f64).hypot(peaks[*k].y as f64 - p.y as f64)))
    }
}

/// Takes the pixels within `radius_px` of a peak out of a stamp.
pub(super) fn blank(stamp: &mut Stamp, peak: &Peak, radius_px: f64) {
    for (k, value) in stamp.values.iter_mut().enumerate() {
        let (x, y) = ((k % stamp.width + stamp.left) as f64, (k / stamp.width + stamp.top) as f64);
        if (x - peak.x as f64).hypot(y - peak.y as f64) < radius_px {
            *value = f32::NAN;
        }
    }
}

/// Takes clipped pixels and their direct neighbours, which may hold what spilled over, out of a stamp.
pub(super) fn blank_clipped(stamp: &mut Stamp, clipped_adu: f64) {
    let clipped: Vec<usize> = (0..stamp.values.len()).filter(|k| f64::from(stamp.values[*k]) >= clipped_adu).collect();
    let width = stamp.width;
    for k in clipped {
        let (column, last) = (k % width, stamp.values.len());
        stamp.values[k] = f32::NAN;
        for (exists, at) in [
            (column > 0, k.wrapping_sub(1)),
            (column + 1 < width, k + 1),
            (k >= width, k.wrapping_sub(width)),
            (k + width < last, k + width),
        ] {
            if exists {
                stamp.values[at] = f32::NAN;
            }
        }
    }
}
