//! Heights of the filtered frame that are worth a look.

use std::ops::Range;

use crate::stars::SkyMap;

/// Pixels looked at together: most hold no peak and are passed over with one comparison.
pub(crate) const RUN_PX: usize = 16;
pub(crate) type Run = [f32; RUN_PX];

/// Filtered height from which a pixel may be a peak, along one row. The noise changes slowly: it is renewed every few rows.
pub(crate) struct Limits {
    /// By row parity; the site classes of a mosaic differ.
    pub height: [Vec<Run>; 2],
    /// The lowest of each run, likewise.
    lowest: [Vec<f32>; 2],
    renewed: [Option<usize>; 2],
    sigma: Vec<Run>,
    pub columns: Range<usize>,
}

/// Rows over which the noise is taken as constant, a small part of a tile.
const ROWS_OF_ONE_NOISE: usize = 16;

impl Limits {
    pub fn new(columns: Range<usize>) -> Self {
        let runs = columns.len().div_ceil(RUN_PX);
        let (pixels, lowest) = (vec![[0.0; RUN_PX]; runs], vec![0.0; runs]);
        Self {
            height: [pixels.clone(), pixels.clone()],
            lowest: [lowest.clone(), lowest],
            renewed: [None; 2],
            sigma: pixels,
            columns,
        }
    }

    /// Lowest limit of each run of row `y`.
    pub fn lowest(&self, y: usize) -> &[f32] {
        &self.lowest[y % 2]
    }

    #[inline(always)]
    pub fn follow(&mut self, sky: &SkyMap, y: usize, threshold: f64, norm: [f64; 2]) {
        let (parity, block) = (y % 2, y / ROWS_OF_ONE_NOISE);
        if self.renewed[parity] == Some(block) {
            return;
        }
        self.renewed[parity] = Some(block);
        let n = self.columns.len();
        sky.sigma_row(y, self.columns.clone(), &mut self.sigma.as_flattened_mut()[..n]);
        let scale: Run = std::array::from_fn(|k| (threshold * norm[(self.columns.start + k) % 2]) as f32);
        // Without noise there is nothing that a peak could be compared with.
        let limit = |sigma: f32, scale: f32| if sigma > 0.0 { sigma * scale } else { f32::INFINITY };
        for (limits, sigmas) in self.height[parity].iter_mut().zip(&self.sigma) {
            for ((l, s), scale) in limits.iter_mut().zip(sigmas).zip(&scale) {
                *l = limit(*s, *scale);
            }
        }
        // The ends have a neighbour on one side only, and beyond the last column there is nothing.
        let ends = self.height[parity].as_flattened_mut();
        ends[0] = f32::INFINITY;
        ends[n - 1..].fill(f32::INFINITY);
        for (lowest, run) in self.lowest[parity].iter_mut().zip(&self.height[parity]) {
            *lowest = run.iter().fold(f32::INFINITY, |low, l| if *l < low { *l } else { low });
        }
    }
}
