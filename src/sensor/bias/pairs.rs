//! Bias frames of one temperature: read noise from pairs, level, fixed pattern, row and column noise, the mean frame.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use rayon::prelude::*;

use crate::facts::Quantity;
use crate::fits::Pixels;
use crate::frame::{NoiseCorrelation, correlation_of_difference, correlation_of_frame};
use crate::stats;

use super::lines::Lines;
use super::rounded;
use super::tail::{self, PixelScatter};
use crate::sensor::plane::codes::Histogram;
use crate::sensor::plane::copies::Copies;
use crate::sensor::plane::load::{LoadError, walk};
use crate::sensor::plane::spread::{Spread, spread};
use crate::sensor::plane::tiles::{CELL_CLIP_SIGMAS, TileGrid};
use crate::sensor::plane::windowed::spread_of_many;

/// Every so many-th pixel makes the first estimate of a difference's spread (a prime, so that no column is favoured).
const SAMPLE_STRIDE: usize = 37;
/// Noise in steps between codes below which moments no longer tell it from the rounding: at half a step the correction
/// of the variance by step^2/12 errs by up to 2 %, at this by less than 1e-3.
const COARSE_STEPS: f64 = 0.7;
/// Half width of the window of a pixel's covariance, in standard deviations of one frame.
const PATTERN_WINDOW_SIGMAS: f64 = 5.0;
/// Pairs of which the correlation of neighbours is looked at: it is a property of the camera, known to half a per cent
/// from each, and a pair costs some ten milliseconds.
const CORRELATED_PAIRS: usize = 8;
/// Differences beyond this many standard deviations are flaws, not noise: cosmic rays and read errors.
const TAIL_WINDOW_SIGMAS: f64 = 10.0;
/// Differences that count for the noise of all pixels: some jump by ten times the noise of the others and more, hits of cosmic rays are
/// larger still.
const JUMP_WINDOW_SIGMAS: f64 = 30.0;
/// Differences of coarse codes that no rounded normal noise makes: jumps of a pixel, in standard deviations and steps.
const JUMP_SIGMAS: f64 = 3.5;
const JUMP_STEPS: f64 = 1.0;

/// Variance of one frame from a pair, ADU^2, rounding to codes contained.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct PairVariance {
    pub variance: f64,
    pub sigma: f64,
    pub cells: usize,
}

/// Pixels that pile up at the lowest code of a bias frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Floor {
    /// Share of pixels there.
    pub fraction: f64,
    /// The lowest code, ADU.
    pub lowest_adu: u32,
    /// Mean and sigma of the normal law behind it, ADU, where it is a true floor.
    pub censored: Option<(f64, f64)>,
}

/// What the bias frames of one temperature say.
#[derive(Debug, Clone, Default)]
pub(crate) struct BiasSet {
    pub celsius: Option<f64>,
    /// Exposure of its frames, s: 0 but where darks stand for biases.
    pub exposure_s: f64,
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
    /// The same over all pixels, those that jump from level to level too, with its error; one entry a pair.
    pub of_all: Vec<(f64, f64)>,
    /// Pairs whose noise is the likeliest behind rounding and clipping; moments gave that of the others.
    pub fitted: usize,
    /// Pairs whose codes cannot tell the noise.
    pub untold: usize,
    /// Variance of row offsets of one frame, ADU^2, one entry a pair; 0 where chance explains them.
    pub row_variance: Vec<f64>,
    /// Variance of the row and of the column offsets of one frame with its error, ADU^2, one entry a pair; may be negative.
    pub rows: Vec<(f64, f64)>,
    pub columns: Vec<(f64, f64)>,
    /// Covariance of the two frames of a pair with its error: variance of what does not change, ADU^2.
    pub pattern: Vec<(f64, f64)>,
    /// Correlation of neighbours in the differences of the first pairs; that of the first frame by itself.
    pub neighbours: Vec<NoiseCorrelation>,
    pub neighbours_of_first: Option<NoiseCorrelation>,
    /// Excess kurtosis of the differences with its error, one entry a pair.
    pub kurtosis: Vec<(f64, f64)>,
    /// Median and root mean square of the pixels' own noise, share of noisy pixels; `None` with too few frames.
    pub pixel_noise: Option<[Quantity; 3]>,
    /// Variance within the cells of the first frame: fixed pattern and read noise, ADU^2.
    pub single_frame_variance: Option<f64>,
    /// Worst pile-up at the lowest code.
    pub floor: Option<Floor>,
    /// Frames left out because they repeat an earlier one pixel for pixel, each with that one.
    pub copies: Vec<[PathBuf; 2]>,
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

    /// What pixels that jump add to the variance of all, ADU^2: bright frames, whose noise is wider than the jumps, have it in theirs.
    pub fn jump_variance(&self) -> f64 {
        let excess: Vec<f64> = self.of_all.iter().zip(&self.pairs).map(|(all, own)| all.0 - own.variance).collect();
        stats::mean_and_std(&excess).map_or(0.0, |m| m.0.max(0.0))
    }

    /// Error of a dark variance that all cells share, ADU^2: 0 where each cell has its own.
    pub fn common_variance_sigma(&self) -> f64 {
        if self.fitted == 0 { 0.0 } else { self.pairs.iter().map(|p| p.sigma).fold(0.0, f64::max) }
    }
}

/// Combines the variances of cells: clipped mean and its standard error.
pub(crate) fn combine_cells(variances: &[f64]) -> Option<PairVariance> {
    let kept = stats::clipped(variances, CELL_CLIP_SIGMAS)?;
    Some(PairVariance { variance: kept.mean, sigma: kept.sigma / (kept.n as f64).sqrt(), cells: kept.n })
}

/// Factor on the error of a mean of `pairs` successive differences: neighbours share a frame.
///
/// Variance of the successive-difference estimate `(3n - 4)/(n - 1)^2` against `2/(n - 1)` of separate pairs (von
/// Neumann et al. 1941, from memory).
pub(crate) fn shared_frame_factor(pairs: usize) -> f64 {
    if pairs == 0 { 1.0 } else { ((3 * pairs - 1) as f64 / (2 * pairs) as f64).sqrt() }
}

/// Measures the bias frames at `paths`; frames that cannot be used go to `refuse`.
pub(crate) fn measure(
    paths: &[PathBuf],
    celsius: Option<f64>,
    grid: &TileGrid,
    step: u32,
    progress: &(dyn Fn(&Path) + Sync),
    refuse: &mut Vec<(PathBuf, LoadError)>,
) -> BiasSet {
    let mut set = BiasSet { celsius, ..BiasSet::default() };
    let mut before: Option<Arc<Pixels>> = None;
    let mut variance_sum: Vec<f64> = Vec::new();
    let mut scatter = (paths.len() >= tail::FEWEST_FRAMES).then(PixelScatter::default);
    let mut copies = Copies::default();
    let mut floor_shifts = Vec::new();
    walk(paths, (grid.width, grid.height), progress, |i, frame| {
        let frame = match frame {
            Ok(frame) => frame,
            Err(e) => return refuse.push((paths[i].clone(), e)),
        };
        if let Some(earlier) = copies.repeats(i, &frame) {
            return set.copies.push([paths[i].clone(), paths[earlier].clone()]);
        }
        set.note_floor(&frame, step);
        match before.take() {
            None => {
                set.neighbours_of_first = correlation_of_frame(&frame, grid.is_mosaic());
                set.first_frame(&frame, grid, step);
            }
            Some(earlier) => {
                if set.neighbours.len() < CORRELATED_PAIRS {
                    set.neighbours.extend(correlation_of_difference(&earlier, &frame, grid.is_mosaic()));
                }
                let (variances, shift) = set.pair(&earlier, &frame, grid, step);
                floor_shifts.extend(shift);
                if variance_sum.is_empty() {
                    variance_sum = variances;
                } else {
                    variance_sum.iter_mut().zip(variances).for_each(|(sum, v)| *sum += v);
                }
            }
        }
        if let (Some(scatter), Some(first), Some(last)) = (&mut scatter, set.levels.first(), set.levels.last()) {
            scatter.add(&frame, last.0 - first.0, &set.sum);
        }
        set.add(&frame);
        before = Some(frame);
    });
    set.pixel_noise = scatter.and_then(|s| s.derive(f64::from(step)));
    let pairs = (set.pairs.len() + set.untold).max(1) as f64;
    set.cell_variance = variance_sum.into_iter().map(|v| v / pairs).collect();
    if let (Some(mean), Some(first)) = (set.level(), set.levels.first().map(|l| l.0)) {
        set.cell_mean.iter_mut().for_each(|m| *m += mean - first);
    }
    if let Some((shift, _)) = stats::mean_and_std(&floor_shifts) {
        // Pixels raised to the floor raise the mean: the level behind it is lower.
        set.levels.iter_mut().for_each(|l| l.0 += shift);
        set.cell_mean.iter_mut().for_each(|m| *m += shift);
    }
    set
}

impl BiasSet {
    fn note_floor(&mut self, frame: &Pixels, step: u32) {
        let Some(histogram) = Histogram::new(frame) else { return };
        let fraction = histogram.floor_fraction();
        let is_floor = histogram.has_floor(step);
        let censored = if is_floor { histogram.censored_normal(step) } else { None };
        let floor = Floor { fraction, lowest_adu: histogram.lowest(), censored };
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
        let add = |row: &mut Vec<f32>, (y, sum): (usize, &mut [f32])| {
            frame.copy_row(y, row);
            sum.iter_mut().zip(row).for_each(|(s, v)| *s += *v);
        };
        self.sum.par_chunks_exact_mut(columns).enumerate().for_each_init(|| vec![0.0; columns], add);
    }

    fn first_frame(&mut self, frame: &Pixels, grid: &TileGrid, step: u32) {
        let cells = grid.map(|cell| {
            let values: Vec<f64> = cell.pixels().map(|(x, y)| frame.at(x, y)).collect();
            spread_of_many(&values, f64::from(step))
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

    /// Adds a pair; returns the variance of one frame in each cell, and where pixels sit at a floor what its level
    /// behind the floor has against the mean.
    fn pair(&mut self, earlier: &Pixels, frame: &Pixels, grid: &TileGrid, step: u32) -> (Vec<f64>, Option<f64>) {
        let unknown = || (vec![f64::NAN; grid.cells.len()], None);
        let everywhere = |v: f64| grid.map_telling(|_, _| v);
        let q = f64::from(step);
        let difference = |x: usize, y: usize| frame.at(x, y) - earlier.at(x, y);
        let (w, h) = (grid.width, grid.height);
        let mut sample: Vec<f64> = (0..w * h).step_by(SAMPLE_STRIDE).map(|i| difference(i % w, i / w)).collect();
        let Some(rough) = spread(&mut sample, q) else { return unknown() };
        let [rows, columns] = Lines::of_difference(earlier, frame, q, &rough);
        self.rows.push((0.5 * rows.variance.0, 0.5 * rows.variance.1));
        self.columns.push((0.5 * columns.variance.0, 0.5 * columns.variance.1));
        let before = self.levels.last().copied().unwrap_or((0.0, 0.0));
        self.levels.push((before.0 + rows.mean, before.1));
        self.pattern.extend(self.covariance(earlier, frame, grid));
        let row_variance = if rows.wander { 0.5 * rows.variance.0.max(0.0) } else { 0.0 };

        // Lines that differ by noise alone are left as they are, so that whole numbers stay whole.
        let offset = |x: usize, y: usize| {
            let row = if rows.wander { rows.means[y] } else { 0.0 };
            row + if columns.wander { columns.means[x] - columns.mean } else { 0.0 }
        };
        let levelled = |lines: &Lines, length: usize| {
            if lines.wander { length as f64 / (length as f64 - 1.0).max(1.0) } else { 1.0 }
        };
        let levelled = levelled(&rows, w) * levelled(&columns, h);
        let wander = rows.wander || columns.wander;
        let rough_variance = 0.5 * rough.variance - row_variance - q * q / 12.0;
        let floor = self.floor.filter(|f| f.censored.is_some());
        let rows_looked_at = || (0..h).step_by(grid.thinning().pow(2)).collect();
        if step > 0 && (floor.is_some() || rough_variance < (COARSE_STEPS * q).powi(2)) {
            let start = floor.and_then(|f| f.censored);
            let lines = row_variance + if columns.wander { 0.5 * columns.variance.0.max(0.0) } else { 0.0 };
            let Some(noise) = rounded::over_frame(earlier, frame, step, floor.map(|f| f.lowest_adu), start) else {
                self.untold += 1;
                return (everywhere(0.5 * rough.variance), None);
            };
            self.fitted += 1;
            let variance = noise.variance.0 - lines + q * q / 12.0;
            self.pairs.push(PairVariance { variance, sigma: noise.variance.1, cells: noise.regions });
            self.row_variance.push(row_variance);
            let normal_adu = (2.0 * variance.max(0.0)).sqrt();
            let from = JUMP_SIGMAS * normal_adu + JUMP_STEPS * q;
            let limit = JUMP_WINDOW_SIGMAS * normal_adu.max(q);
            let own = |x: usize, y: usize| difference(x, y) - offset(x, y);
            let [jumps] = size_moments([SizeWindow { from, limit }], w, rows_looked_at(), own);
            let (more, error) = jumps.half_mean_square();
            self.of_all.push((variance + more, noise.variance.1.hypot(error)));
            let shift = noise.level - 0.5 * (before.0 + self.levels.last().map_or(before.0, |l| l.0));
            return (everywhere(variance), floor.map(|_| shift));
        }
        let cells = grid.map_telling(|_, cell| {
            let values: Vec<f64> = cell.pixels().map(|(x, y)| difference(x, y) - offset(x, y)).collect();
            spread_of_many(&values, if wander { 0.0 } else { q }).map_or(f64::NAN, |s| 0.5 * s.variance * levelled)
        });
        if let Some(pair) = combine_cells(&cells) {
            self.pairs.push(pair);
            self.row_variance.push(row_variance);
            let own = |x: usize, y: usize| difference(x, y) - offset(x, y) - if rows.wander { 0.0 } else { rows.mean };
            let sigma_adu = (2.0 * pair.variance).sqrt();
            let windows = [TAIL_WINDOW_SIGMAS, JUMP_WINDOW_SIGMAS]
                .map(|sigmas| SizeWindow { from: 0.0, limit: sigmas * sigma_adu });
            let [tail, all] = size_moments(windows, w, rows_looked_at(), own);
            self.kurtosis.push(tail.excess_kurtosis());
            let (variance, error) = all.half_mean_square();
            self.of_all.push((variance * levelled, error.max(pair.sigma)));
        }
        (cells, None)
    }

    /// Covariance of two frames within the cells: what does not change from one to the other.
    fn covariance(&self, earlier: &Pixels, frame: &Pixels, grid: &TileGrid) -> Option<(f64, f64)> {
        let half = PATTERN_WINDOW_SIGMAS * self.single_frame_variance?.sqrt();
        let n = self.levels.len();
        let first = self.levels.first()?.0;
        let shifts = [self.levels[n - 2].0 - first, self.levels[n - 1].0 - first];
        let cells = grid.map_telling(|i, cell| {
            let centre = self.cell_mean[i];
            let both = cell
                .pixels()
                .map(|(x, y)| (earlier.at(x, y) - centre - shifts[0], frame.at(x, y) - centre - shifts[1]));
            let inside = both.filter(|(a, b)| a.abs() <= half && b.abs() <= half);
            let (n, a, b, ab) =
                inside.fold((0.0, 0.0, 0.0, 0.0), |(n, sa, sb, sab), (a, b)| (n + 1.0, sa + a, sb + b, sab + a * b));
            (ab - a * b / n) / (n - 1.0)
        });
        let kept = stats::clipped(&cells, CELL_CLIP_SIGMAS)?;
        Some((kept.mean, kept.sigma / (kept.n as f64).sqrt()))
    }
}

/// Differences whose size lies between two bounds, ADU.
struct SizeWindow {
    from: f64,
    limit: f64,
}

/// Number of differences up to the upper bound, and sums of squares and fourth powers of those within both.
#[derive(Clone, Copy, Default)]
struct SizeMoments {
    n: f64,
    second: f64,
    fourth: f64,
}

/// The moments within each window, in one pass.
fn size_moments<const K: usize>(
    windows: [SizeWindow; K],
    w: usize,
    rows: Vec<usize>,
    at: impl Fn(usize, usize) -> f64 + Sync,
) -> [SizeMoments; K] {
    let row = |y: usize| {
        let mut sums = [SizeMoments::default(); K];
        for d in (0..w).map(|x| at(x, y)) {
            sums.iter_mut().zip(&windows).for_each(|(sums, window)| sums.take(d, window));
        }
        sums
    };
    // Rows are summed up in their order, so that threads change nothing.
    let rows: Vec<[SizeMoments; K]> = rows.into_par_iter().map(row).collect();
    rows.into_iter().fold([SizeMoments::default(); K], |mut all, row| {
        all.iter_mut().zip(row).for_each(|(all, row)| all.add(row));
        all
    })
}

impl SizeMoments {
    /// Takes a difference in, where it lies within the window.
    fn take(&mut self, d: f64, window: &SizeWindow) {
        if d.abs() <= window.limit {
            let within = d.abs() >= window.from;
            self.add(Self {
                n: 1.0,
                second: if within { d * d } else { 0.0 },
                fourth: if within { d.powi(4) } else { 0.0 },
            });
        }
    }

    fn add(&mut self, other: Self) {
        self.n += other.n;
        self.second += other.second;
        self.fourth += other.fourth;
    }

    /// Fourth moment over the squared second, less 3, and its error for normal data.
    fn excess_kurtosis(&self) -> (f64, f64) {
        (self.n * self.fourth / (self.second * self.second) - 3.0, (24.0 / self.n).sqrt())
    }

    /// Half of the mean square, and its error from the scatter of the squares: the variance of one frame of a pair.
    fn half_mean_square(&self) -> (f64, f64) {
        let mean = self.second / self.n;
        let error = ((self.fourth / self.n - mean * mean).max(0.0) / self.n).sqrt();
        (0.5 * mean, 0.5 * error)
    }
}
