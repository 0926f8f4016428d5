//! Which peaks stand near a star, and which pixels are kept out of its stamp: a neighbour's and clipped ones.

use crate::stars::Peak;
use crate::stars::profile::stamp::Stamp;

/// Peaks in square cells, so that neighbours are found without looking at all.
pub(crate) struct Neighbours {
    cell_px: f64,
    across: usize,
    down: usize,
    /// Where the peaks of each cell begin in `members`; one more than there are cells.
    first: Vec<u32>,
    /// Number and place of each peak, cell by cell.
    members: Vec<(u32, f32, f32)>,
}

impl Neighbours {
    /// `reach_px` is the distance within which all neighbours will be found.
    pub fn new(peaks: &[Peak], (rows, columns): (usize, usize), reach_px: f64) -> Self {
        let cells = |length: usize| (length as f64 / reach_px) as usize + 1;
        let (across, down) = (cells(columns), cells(rows));
        let mut all = Self { cell_px: reach_px, across, down, first: vec![0; across * down + 1], members: Vec::new() };
        let cell_of: Vec<usize> = peaks.iter().map(|p| all.cell(p)).map(|(x, y)| y * across + x).collect();
        for cell in &cell_of {
            all.first[cell + 1] += 1;
        }
        for k in 1..all.first.len() {
            all.first[k] += all.first[k - 1];
        }
        all.members = vec![(0, 0.0, 0.0); peaks.len()];
        let mut next = all.first.clone();
        for (k, (p, cell)) in peaks.iter().zip(&cell_of).enumerate() {
            all.members[next[*cell] as usize] = (k as u32, p.x as f32, p.y as f32);
            next[*cell] += 1;
        }
        all
    }

    fn cell(&self, p: &Peak) -> (usize, usize) {
        ((p.x as f64 / self.cell_px) as usize, (p.y as f64 / self.cell_px) as usize)
    }

    /// Peaks within `reach_px` (at most that of all) of peak `i`, with the squared distance in px.
    pub fn around(&self, peaks: &[Peak], i: usize, reach_px: f64) -> impl Iterator<Item = (usize, f64)> {
        let p = &peaks[i];
        let (cx, cy) = self.cell(p);
        let (left, right) = (cx.saturating_sub(1), (cx + 1).min(self.across - 1));
        let (x, y, most) = (p.x as f32, p.y as f32, reach_px * reach_px);
        (cy.saturating_sub(1)..=(cy + 1).min(self.down - 1))
            .map(move |row| self.first[row * self.across + left]..self.first[row * self.across + right + 1])
            .flat_map(move |run| &self.members[run.start as usize..run.end as usize])
            .map(move |(k, a, b)| (*k as usize, f64::from((a - x) * (a - x) + (b - y) * (b - y))))
            .filter(move |(k, distance2)| *k != i && *distance2 <= most)
    }
}

/// Takes the pixels within `radius_px` of a peak out of a stamp.
pub(crate) fn blank(stamp: &mut Stamp, peak: &Peak, radius_px: f64) {
    let most2 = radius_px * radius_px;
    for (row, y) in stamp.values.chunks_exact_mut(stamp.width).zip(stamp.top..) {
        let dy2 = y.abs_diff(peak.y).pow(2);
        for (value, x) in row.iter_mut().zip(stamp.left..) {
            if ((x.abs_diff(peak.x).pow(2) + dy2) as f64) < most2 {
                *value = f32::NAN;
            }
        }
    }
}

/// Takes clipped pixels and their direct neighbours, which may hold what spilled over, out of a stamp.
pub(crate) fn blank_clipped(stamp: &mut Stamp, clipped_adu: f64) {
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
