//! Bias frames of one temperature: read noise from pairs, level, fixed pattern, row noise, the mean frame.

use std::path::{Path, PathBuf};

use crate::fits::Pixels;
use crate::stats;

use super::codes::{FLOOR_FRACTION, Histogram};
use super::load::{LoadError, walk};
use super::spread::{Spread, spread};
use super::tiles::Grid;

/// Cells whose variance is further than this from the others are left out, in standard deviations: 1 in 16 000 by chance.
pub(super) const CELL_CLIP_SIGMAS: f64 = 4.0;
/// Every so many-th pixel makes the first estimate of a difference's spread (a prime, so that no column is favoured).
const SAMPLE_STRIDE: usize = 37;
/// Half width of the window of a row's mean, in standard deviations.
const ROW_WINDOW_SIGMAS: f64 = 5.0;

/// Variance of one frame from a pair, ADU^2, rounding to codes contained.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PairVariance {
    pub variance: f64,
    pub sigma: f64,
    pub cells: usize,
}

/// Pixels that pile up at the lowest code of a bias frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Floor {
    /// Share of pixels there.
    pub fraction: f64,
    /// Mean and sigma of the normal law behind it, ADU, where it is a true floor.
    pub censored: Option<(f64, f64)>,
}

/// What the bias frames of one temperature say.
#[derive(Debug, Clone, Default)]
pub(super) struct BiasSet {
    pub celsius: Option<f64>,
    /// Mean level of each frame with its statistical error, ADU.
    pub levels: Vec<(f64, f64)>,
    /// Sum of the frames, row by row, ADU.
    pub sum: Vec<f32>,
    /// Mean of each cell over the frames, ADU.
    pub cell_mean: Vec<f64>,
    /// Variance of one frame in each cell, rows levelled, ADU^2; empty with one frame.
    pub cell_variance: Vec<f64>,
    /// One entry a pair of successive frames.
    pub pairs: Vec<PairVariance>,
    /// Variance of row offsets of one frame, ADU^2, one entry a pair.
    pub row_variance: Vec<f64>,
    /// Variance within the cells of the first frame: fixed pattern and read noise, ADU^2.
    pub single_frame_variance: Option<f64>,
    /// Worst pile-up at the lowest code.
    pub floor: Option<Floor>,
}

impl BiasSet {
    /// Mean level over the frames, ADU.
    pub fn level(&self) -> Option<f64> {
        stats::mean_and_std(&self.levels.iter().map(|l| l.0).collect::<Vec<_>>()).map(|m| m.0)
    }

    /// Mean of the row variance, ADU^2, never negative.
    pub fn mean_row_variance(&self) -> f64 {
        stats::mean_and_std(&self.row_variance).map_or(0.0, |m| m.0.max(0.0))
    }
}

/// Combines the variances of cells: clipped mean and its standard error.
pub(super) fn combine_cells(variances: &[f64]) -> Option<PairVariance> {
    let kept = stats::clipped(variances, CELL_CLIP_SIGMAS)?;
    Some(PairVariance { variance: kept.mean, sigma: kept.sigma / (kept.n as f64).sqrt(), cells: kept.n })
}

/// Factor on the error of a mean of `pairs` successive differences: neighbours share a frame.
///
/// Variance of the successive-difference estimate `(3n - 4)/(n - 1)^2` against `2/(n - 1)` of separate pairs (von
/// Neumann et al. 1941, from memory).
pub(super) fn shared_frame_factor(pairs: usize) -> f64 {
    if pairs == 0 { 1.0 } else { ((3 * pairs - 1) as f64 / (2 * pairs) as f64).sqrt() }
}

/// Measures the bias frames at `paths`; frames that cannot be used go to `refuse`.
pub(super) fn measure(
    paths: &[PathBuf],
    celsius: Option<f64>,
    grid: &Grid,
    step: u32,
    progress: &(dyn Fn(&Path) + Sync),
    refuse: &mut Vec<(PathBuf, LoadError)>,
) -> BiasSet {
    let mut set = BiasSet { celsius, ..BiasSet::default() };
    let mut before: Option<Pixels> = None;
    let mut variance_sum: Vec<f64> = Vec::new();
    walk(paths, (grid.width, grid.height), progress, |i, frame| {
        let frame = match frame {
            Ok(frame) => frame,
            Err(e) => return refuse.push((paths[i].clone(), e)),
        };
        set.note_floor(&frame, step);
        set.add(&frame);
        match before.take() {
            None => set.first_frame(&frame, grid, step),
            Some(earlier) => {
                let variances = set.pair(&earlier, &frame, grid, step);
                if variance_sum.is_empty() {
                    variance_sum = variances;
                } else {
                    variance_sum.iter_mut().zip(variances).for_each(|(sum, v)| *sum += v);
                }
            }
        }
        before = Some(frame);
    });
    let pairs = set.pairs.len().max(1) as f64;
    set.cell_variance = variance_sum.into_iter().map(|v| v / pairs).collect();
    if let (Some(mean), Some(first)) = (set.level(), set.levels.first().map(|l| l.0)) {
        set.cell_mean.iter_mut().for_each(|m| *m += mean - first);
    }
    set
}

impl BiasSet {
    fn note_floor(&mut self, frame: &Pixels, step: u32) {
        let Some(histogram) = Histogram::new(frame) else { return };
        let fraction = histogram.floor_fraction();
        let is_floor = fraction > FLOOR_FRACTION && histogram.has_floor(step);
        let censored = if is_floor { histogram.censored_normal(step) } else { None };
        let floor = Floor { fraction, censored };
        let rank = |f: &Floor| (f.censored.is_some(), f.fraction);
        if self.floor.as_ref().is_none_or(|old| rank(&floor) > rank(old)) {
            self.floor = Some(floor);
        }
    }

    fn add(&mut self, frame: &Pixels) {
        let (rows, columns) = frame.dim();
        if self.sum.is_empty() {
            self.sum = vec![0.0; rows * columns];
        }
        let mut row = vec![0.0; columns];
        for (y, sum) in self.sum.chunks_exact_mut(columns).enumerate() {
            frame.copy_row(y, &mut row);
            sum.iter_mut().zip(&row).for_each(|(s, v)| *s += v);
        }
    }

    fn first_frame(&mut self, frame: &Pixels, grid: &Grid, step: u32) {
        let cells = grid.map(|cell| {
            let mut values: Vec<f64> = cell.pixels().map(|(x, y)| frame.at(x, y)).collect();
            spread(&mut values, f64::from(step))
        });
        let known: Vec<Spread> = cells.iter().copied().flatten().collect();
        let n = known.len().max(1) as f64;
        let level = known.iter().map(|s| s.mean).sum::<f64>() / n;
        let error = known.iter().map(|s| s.mean_sigma().powi(2)).sum::<f64>().sqrt() / n;
        self.levels.push((level, error));
        self.cell_mean = cells.iter().map(|s| s.map_or(level, |s| s.mean)).collect();
        let variances: Vec<f64> = known.iter().map(|s| s.variance).collect();
        self.single_frame_variance = combine_cells(&variances).map(|v| v.variance);
    }

    /// Adds a pair; returns the variance of one frame in each cell.
    fn pair(&mut self, earlier: &Pixels, frame: &Pixels, grid: &Grid, step: u32) -> Vec<f64> {
        let difference = |x: usize, y: usize| frame.at(x, y) - earlier.at(x, y);
        let (w, h) = (grid.width, grid.height);
        let mut sample: Vec<f64> = (0..w * h).step_by(SAMPLE_STRIDE).map(|i| difference(i % w, i / w)).collect();
        let Some(rough) = spread(&mut sample, f64::from(step)) else { return vec![f64::NAN; grid.cells.len()] };
        let half = (ROW_WINDOW_SIGMAS * rough.variance.sqrt()).max(1.5 * f64::from(step));
        let rows: Vec<(f64, usize)> = (0..h)
            .map(|y| {
                let inside = (0..w).map(|x| difference(x, y)).filter(|d| (d - rough.mean).abs() <= half);
                let (sum, n) = inside.fold((0.0, 0usize), |(s, n), d| (s + d, n + 1));
                (if n > 0 { sum / n as f64 } else { rough.mean }, n)
            })
            .collect();
        let levelled = w as f64 / (w as f64 - 1.0).max(1.0);
        let row_offsets: Vec<f64> = rows.iter().map(|r| r.0).collect();
        let shift = row_offsets.iter().sum::<f64>() / h as f64;
        // Rows that differ by noise alone are left as they are, so that whole numbers stay whole.
        let expected = rough.variance / w as f64;
        let between = stats::clipped(&row_offsets, CELL_CLIP_SIGMAS).map_or(0.0, |c| c.sigma.powi(2));
        let rows_wander = between > expected * (1.0 + 5.0 * (2.0 / h as f64).sqrt());
        let cells = grid.map(|cell| {
            let mut values: Vec<f64> =
                cell.pixels().map(|(x, y)| difference(x, y) - if rows_wander { rows[y].0 } else { 0.0 }).collect();
            let s = spread(&mut values, if rows_wander { 0.0 } else { f64::from(step) });
            s.map_or(f64::NAN, |s| 0.5 * s.variance * if rows_wander { levelled } else { 1.0 })
        });
        let before = self.levels.last().copied().unwrap_or((0.0, 0.0));
        self.levels.push((before.0 + shift, before.1));
        if let Some(pair) = combine_cells(&cells) {
            self.pairs.push(pair);
            self.row_variance.push(if rows_wander {
                0.5 * (between - 2.0 * pair.variance / w as f64).max(0.0)
            } else {
                0.0
            });
        }
        cells
    }
}
