//! What whole rows and whole columns of the difference of two frames share.

use std::ops::Range;

use rayon::prelude::*;

use crate::fits::Pixels;
use crate::stats;

use super::bias::CELL_CLIP_SIGMAS;
use super::spread::Spread;
use super::windowed::LANES;

/// Half width of the window of a line's mean, in standard deviations.
const WINDOW_SIGMAS: f64 = 5.0;
/// Lines wander where the variance of their means exceeds what pixel noise explains by this many of its standard errors.
const WANDER_ERRORS: f64 = 5.0;

/// Rows that one thread takes at a time.
const BAND_ROWS: usize = 64;

/// One direction: all rows, or all columns.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Lines {
    /// Mean of each line.
    pub means: Vec<f64>,
    /// Mean of the means.
    pub mean: f64,
    /// Variance of the means beyond what pixel noise explains (may be negative by chance), and its standard error.
    pub variance: (f64, f64),
    /// Whether that is more than chance.
    pub wander: bool,
}

impl Lines {
    /// Measures the rows and the columns of `frame` less `earlier`; `rough` is the spread of the difference.
    pub fn of_difference(earlier: &Pixels, frame: &Pixels, step: f64, rough: &Spread) -> [Self; 2] {
        let (rows, columns) = frame.dim();
        let half = (WINDOW_SIGMAS * rough.variance.sqrt()).max(1.5 * step);
        // Bands of rows of a fixed height, put together in their order: threads change nothing.
        let starts: Vec<usize> = (0..rows).step_by(BAND_ROWS).collect();
        let bands: Vec<Band> = starts
            .par_iter()
            .map(|start| Band::new(earlier, frame, *start..(start + BAND_ROWS).min(rows), rough.mean, half))
            .collect();
        let mut across = vec![Sum::default(); columns];
        for band in &bands {
            across.iter_mut().zip(&band.columns).for_each(|(all, part)| all.add(*part));
        }
        let mean = |sums: &[Sum]| sums.iter().map(|s| s.mean().unwrap_or(rough.mean)).collect();
        let rows_means: Vec<f64> = bands.iter().flat_map(|band| -> Vec<f64> { mean(&band.rows) }).collect();
        [Self::new(rows_means, columns, rough), Self::new(mean(&across), rows, rough)]
    }

    /// From the means of lines of `length` pixels each.
    fn new(means: Vec<f64>, length: usize, rough: &Spread) -> Self {
        let count = means.len();
        let expected = rough.variance / length as f64;
        let relative_error = (2.0 / count as f64).sqrt();
        let between = stats::clipped(&means, CELL_CLIP_SIGMAS).map_or(0.0, |c| c.sigma.powi(2));
        Self {
            mean: means.iter().sum::<f64>() / count as f64,
            variance: (between - expected, between.max(expected) * relative_error),
            wander: between > expected * (1.0 + WANDER_ERRORS * relative_error),
            means,
        }
    }
}

/// Sum of the values inside the window and their number.
#[derive(Debug, Clone, Copy, Default)]
struct Sum {
    sum: f64,
    n: f64,
}

impl Sum {
    fn add(&mut self, other: Self) {
        self.sum += other.sum;
        self.n += other.n;
    }

    fn mean(&self) -> Option<f64> {
        (self.n > 0.0).then(|| self.sum / self.n)
    }
}

/// Sums of some rows, and of the columns within them.
struct Band {
    rows: Vec<Sum>,
    columns: Vec<Sum>,
}

impl Band {
    fn new(earlier: &Pixels, frame: &Pixels, rows: Range<usize>, centre: f64, half: f64) -> Self {
        let columns = frame.dim().1;
        let (mut now, mut before) = (vec![0f32; columns], vec![0f32; columns]);
        let mut band = Self { rows: Vec::with_capacity(rows.len()), columns: vec![Sum::default(); columns] };
        for y in rows {
            frame.copy_row(y, &mut now);
            earlier.copy_row(y, &mut before);
            band.rows.push(add_row(&now, &before, centre, half, &mut band.columns));
        }
        band
    }
}

/// Adds the differences of a row that lie inside the window to those of the columns; the sum over the row.
///
/// Sums are in double precision: those of whole numbers are exact in any order.
#[multiversion::multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl", "x86_64+avx2", "x86_64+sse4.2"))]
fn add_row(now: &[f32], before: &[f32], centre: f64, half: f64, columns: &mut [Sum]) -> Sum {
    let (mut sums, mut counts) = ([0f64; LANES], [0f64; LANES]);
    let mut add = |at: usize, lane: usize| {
        let d = f64::from(now[at]) - f64::from(before[at]);
        let inside = (d - centre).abs() <= half;
        let (value, one) = if inside { (d, 1.0) } else { (0.0, 0.0) };
        sums[lane] += value;
        counts[lane] += one;
        columns[at].add(Sum { sum: value, n: one });
    };
    (0..now.len()).for_each(|at| add(at, at % LANES));
    Sum { sum: sums.iter().sum(), n: counts.iter().sum() }
}
