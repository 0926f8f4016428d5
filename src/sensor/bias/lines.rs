//! What whole rows and whole columns of the difference of two frames share.

use std::ops::Range;

use rayon::prelude::*;

use crate::fits::Pixels;
use crate::stats;

use crate::sensor::plane::spread::Spread;
use crate::sensor::plane::tiles::CELL_CLIP_SIGMAS;
use crate::sensor::plane::windowed::LANES;

/// Half width of the window of a line's mean, in standard deviations.
const WINDOW_SIGMAS: f64 = 5.0;
/// Lines wander where the variance of their means exceeds what pixel noise explains by this many of its standard errors.
const WANDER_ERRORS: f64 = 5.0;

/// Rows that one thread takes at a time.
const BAND_ROWS: usize = 64;

/// One direction: all rows, or all columns.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Lines {
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
            let parts = band.sums.iter().zip(&band.counts);
            across.iter_mut().zip(parts).for_each(|(all, (sum, n))| all.add(Sum { sum: *sum, n: *n }));
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

/// Sums of some rows, and of the columns within them: sum and number apart, as vector units take them.
struct Band {
    rows: Vec<Sum>,
    sums: Vec<f64>,
    counts: Vec<f64>,
}

impl Band {
    fn new(earlier: &Pixels, frame: &Pixels, rows: Range<usize>, centre: f64, half: f64) -> Self {
        let columns = frame.dim().1;
        let (mut now, mut before) = (vec![0f32; columns], vec![0f32; columns]);
        let zeros = || vec![0f64; columns];
        let mut band = Self { rows: Vec::with_capacity(rows.len()), sums: zeros(), counts: zeros() };
        for y in rows {
            frame.copy_row(y, &mut now);
            earlier.copy_row(y, &mut before);
            band.rows.push(add_row(&now, &before, centre, half, &mut band.sums, &mut band.counts));
        }
        band
    }
}

/// Adds the differences of a row that lie inside the window to those of the columns; the sum over the row.
///
/// Sums are in double precision: those of whole numbers are exact in any order.
#[multiversion::multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl", "x86_64+avx2", "x86_64+sse4.2"))]
fn add_row(now: &[f32], before: &[f32], centre: f64, half: f64, sums: &mut [f64], counts: &mut [f64]) -> Sum {
    let (mut sum, mut count) = ([0f64; LANES], [0f64; LANES]);
    let pixels = now.chunks(LANES).zip(before.chunks(LANES));
    for ((now, before), (sums, counts)) in pixels.zip(sums.chunks_mut(LANES).zip(counts.chunks_mut(LANES))) {
        let lanes = now.iter().zip(before).zip(sums.iter_mut().zip(counts));
        for (((now, before), (column, columns)), (sum, count)) in lanes.zip(sum.iter_mut().zip(&mut count)) {
            let d = f64::from(*now) - f64::from(*before);
            let inside = (d - centre).abs() <= half;
            let (value, one) = if inside { (d, 1.0) } else { (0.0, 0.0) };
            *sum += value;
            *count += one;
            *column += value;
            *columns += one;
        }
    }
    Sum { sum: sum.iter().sum(), n: count.iter().sum() }
}
