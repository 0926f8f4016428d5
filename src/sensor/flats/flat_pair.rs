//! Two flats of about the same level: variance against signal, cell by cell.
//!
//! The second flat is brought to the level of the first, row by row where a flickering lamp has banded the rows and then
//! cell by cell, so that the response of the pixels (PRNU) and dust leave the difference. With `f2 -> r q(row) f2` the
//! difference has the variance `(S1 + r^2 <q> S2) / g + (1 + r^2 <q^2>) D`, S2 being the level after q.

use rayon::prelude::*;

use crate::fits::Pixels;
use crate::stats;

use crate::sensor::bias::pairs::BiasSet;
use crate::sensor::plane::spread::Spread;
use crate::sensor::plane::tiles::{CELL_CLIP_SIGMAS, Cell, TileGrid};
use crate::sensor::plane::windowed::{LANES, spread_of_many};

/// A cell must stay this many of its standard deviations below saturation.
const CLEAR_OF_CLIPPING_SIGMAS: f64 = 5.0;
/// Rows are banded where their ratios scatter by more than noise explains, in standard errors of that variance.
const BANDED_ERRORS: f64 = 5.0;
/// Half width of the window in which pixels make PRNU, in standard deviations of the cell: defects are counted elsewhere.
const PRNU_WINDOW_SIGMAS: f64 = 5.0;

/// One cell of one pair.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct CellPoint {
    /// Index of the cell in the grid.
    pub cell: usize,
    /// Signal above bias that the variance belongs to, ADU, and the mean of its square.
    pub signal: f64,
    pub square: f64,
    /// Temporal variance of one frame, ADU^2.
    pub variance: f64,
    /// What a frame without light has of it, ADU^2.
    pub dark: f64,
    /// Pixels.
    pub n: usize,
    /// Level of the first flat over that of the second.
    pub ratio: f64,
    /// Covariance of the two flats over the product of their levels, the bias's own pattern taken off: PRNU squared.
    pub prnu2: f64,
}

/// What one pair says.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct FlatPair {
    pub cells: Vec<CellPoint>,
    /// Median ratio of the levels, first over second.
    pub ratio: f64,
    /// Relative scatter of the rows beyond noise; 0 where the rows are alike.
    pub banding: f64,
}

/// What is done with the rows' own levels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum RowLevels {
    /// Brought together where they differ by more than noise.
    Levelled,
    /// Left alone: stars make rows differ too.
    AsTheyAre,
}

/// Measures a pair against the biases; cells near saturation are left out.
pub(crate) fn measure(
    a: &Pixels,
    b: &Pixels,
    biases: &BiasSet,
    grid: &TileGrid,
    saturation_adu: f64,
    levels: RowLevels,
) -> FlatPair {
    let parities = if grid.sites() > 1 { 2 } else { 1 };
    let rows = match levels {
        RowLevels::Levelled => RowRatios::new(a, b, biases.level().unwrap_or(0.0), grid, parities),
        RowLevels::AsTheyAre => RowRatios::alike(parities),
    };
    let dark_rows = if rows.banding > 0.0 { 0.0 } else { biases.mean_row_variance() };
    let pattern = stats::mean_and_std(&biases.pattern.iter().map(|p| p.0).collect::<Vec<_>>()).map_or(0.0, |m| m.0);
    let cells = grid.map_indexed(|i, cell| {
        let bias = biases.cell_mean[i];
        let dark = biases.cell_variance.get(i).copied().filter(|v| v.is_finite())? + dark_rows;
        let first: Vec<f64> = cell.pixels().map(|(x, y)| a.at(x, y) - bias).collect();
        let second: Vec<f64> = cell.pixels().map(|(x, y)| rows.at(x, y) * (b.at(x, y) - bias)).collect();
        let (s1, s2) = (spread_of_many(&first, 0.0)?, spread_of_many(&second, 0.0)?);
        let clear = |s: &Spread| s.mean + bias + CLEAR_OF_CLIPPING_SIGMAS * s.variance.sqrt() < saturation_adu;
        if s1.mean <= 0.0 || s2.mean <= 0.0 || !clear(&s1) || !clear(&s2) {
            return None;
        }
        let r = s1.mean / s2.mean;
        let difference: Vec<f64> = first.iter().zip(&second).map(|(f, s)| f - r * s).collect();
        let v = spread_of_many(&difference, 0.0)?;
        let (q1, q2) = rows.moments(cell);
        let weight = 1.0 + r * r * q2;
        let prnu2 = (covariance(&first, &second, cell, &s1, &s2) - pattern) / (s1.mean * s2.mean);
        Some(CellPoint {
            cell: i,
            signal: (s1.mean + r * r * q1 * s2.mean) / weight,
            square: (s1.mean * s1.mean + (r * s2.mean).powi(2)) / weight,
            variance: v.variance * rows.levelled / weight,
            dark,
            n: v.n,
            ratio: r * q1,
            prnu2,
        })
    });
    let cells: Vec<CellPoint> = cells.into_iter().flatten().collect();
    let ratio = stats::median(&cells.iter().map(|c| c.ratio).collect::<Vec<_>>()).unwrap_or(1.0);
    FlatPair { cells, ratio, banding: rows.banding }
}

/// Terms that are taken off each flat within a cell: shadows of dust and vignetting are no PRNU.
const TERMS: usize = 5;

/// Pixel by pixel covariance of two flats of one cell, a smooth surface taken off each.
fn covariance(first: &[f64], second: &[f64], cell: &Cell, s1: &Spread, s2: &Spread) -> f64 {
    let (half1, half2) = (PRNU_WINDOW_SIGMAS * s1.variance.sqrt(), PRNU_WINDOW_SIGMAS * s2.variance.sqrt());
    // About the mean place: half a pixel off it, the terms would no longer be orthogonal.
    let n = first.len() as f64;
    let (cx, cy) = cell.pixels().fold((0.0, 0.0), |(cx, cy), (x, y)| (cx + x as f64 / n, cy + y as f64 / n));
    let places: Vec<(f64, f64)> = cell.pixels().map(|(x, y)| (x as f64 - cx, y as f64 - cy)).collect();
    let (xx, yy) = places.iter().fold((0.0, 0.0), |(xx, yy), (x, y)| (xx + x * x / n, yy + y * y / n));
    // Even columns and rows make these orthogonal but for a pixel in a thousand that is left out.
    let basis = |(x, y): (f64, f64)| [1.0, x, y, x * x - xx, y * y - yy];
    let inside = || {
        let both = first.iter().zip(second).zip(&places).map(|((f, s), place)| (f - s1.mean, s - s2.mean, *place));
        both.filter(|(f, s, _)| f.abs() <= half1 && s.abs() <= half2)
    };
    let mut sums = [[0.0; 3]; TERMS];
    for (f, s, place) in inside() {
        for (sum, b) in sums.iter_mut().zip(basis(place)) {
            let add = [f * b, s * b, b * b];
            sum.iter_mut().zip(add).for_each(|(sum, v)| *sum += v);
        }
    }
    let surface = |place: (f64, f64), which: usize| {
        basis(place).iter().zip(&sums).map(|(b, sum)| b * sum[which] / sum[2]).sum::<f64>()
    };
    let sum: f64 = inside().map(|(f, s, place)| (f - surface(place, 0)) * (s - surface(place, 1))).sum();
    sum / (sums[0][2] - TERMS as f64)
}

/// Ratio of the sums of two rows above `bias`, and its relative variance for rows of `length` pixels.
///
/// The variance is that of the differences from neighbour to neighbour: blind to vignetting that differs, and no list to
/// sort.
#[multiversion::multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl", "x86_64+avx2", "x86_64+sse4.2"))]
fn row_ratio(first: &[f32], second: &[f32], bias: f64, length: f64) -> (f64, f64) {
    let n = first.len() as f64;
    let (mut f, mut s) = ([0f64; LANES], [0f64; LANES]);
    for (at, (u, v)) in first.iter().zip(second).enumerate() {
        f[at % LANES] += f64::from(*u);
        s[at % LANES] += f64::from(*v);
    }
    let [f, s] = [f, s].map(|sums| sums.iter().sum::<f64>() - n * bias);
    let ratio = f / s;
    let mut squares = [0f64; LANES];
    let behind = first.iter().zip(second);
    for (at, ((u, v), (before_u, before_v))) in first.iter().zip(second).skip(1).zip(behind).enumerate() {
        let step = f64::from(*u) - f64::from(*before_u) - ratio * (f64::from(*v) - f64::from(*before_v));
        squares[at % LANES] += step * step;
    }
    (ratio, 0.5 * squares.iter().sum::<f64>() / (n - 1.0) * length / (f * f))
}

/// Factors that bring each row of the second flat to the first; 1 for rows that no variance is taken from.
struct RowRatios {
    factors: Vec<f64>,
    parities: usize,
    banding: f64,
    /// What the variance must be multiplied by, since each row's own mean was taken off.
    levelled: f64,
}

impl RowRatios {
    fn alike(parities: usize) -> Self {
        Self { factors: Vec::new(), parities, banding: 0.0, levelled: 1.0 }
    }

    fn new(a: &Pixels, b: &Pixels, bias: f64, grid: &TileGrid, parities: usize) -> Self {
        let (w, h) = (grid.width, grid.height);
        let length = (w / parities) as f64;
        let buffers = || (vec![0f32; w], Vec::with_capacity(w), Vec::with_capacity(w));
        // Ratio of the sums of a row, and its relative variance from the scatter of the differences within the row.
        let looked_at: Vec<(usize, usize)> =
            grid.telling_rows().into_iter().flat_map(|y| (0..parities).map(move |parity| (y, parity))).collect();
        let rows: Vec<(f64, f64)> = looked_at
            .par_iter()
            .map_init(buffers, |(row, first, second), (y, parity)| {
                let mut of_colour = |frame: &Pixels, into: &mut Vec<f32>| {
                    frame.copy_row(*y, row);
                    into.clear();
                    into.extend(row.iter().skip(*parity).step_by(parities));
                };
                of_colour(a, first);
                of_colour(b, second);
                if first.iter().chain(second.iter()).any(|v| !v.is_finite()) {
                    let known: Vec<bool> = first.iter().zip(second.iter()).map(|(f, s)| (f + s).is_finite()).collect();
                    for row in [&mut *first, second] {
                        let mut known = known.iter();
                        row.retain(|_| known.next() == Some(&true));
                    }
                }
                row_ratio(first, second, bias, length)
            })
            .collect();
        if rows.iter().any(|r| !(r.0 > 0.0 && r.0.is_finite() && r.1.is_finite())) {
            return Self::alike(parities);
        }
        // The median row: a cosmic ray or a defect raises its own row only.
        let noise = stats::median(&rows.iter().map(|r| r.1).collect::<Vec<_>>()).unwrap_or(f64::MAX);
        // Each parity has a ratio of its own: colours may drift apart.
        let mut logs: Vec<f64> = rows.iter().map(|r| r.0.ln()).collect();
        for p in 0..parities {
            let own: Vec<f64> = logs.iter().skip(p).step_by(parities).copied().collect();
            let middle = stats::median(&own).unwrap_or(0.0);
            logs.iter_mut().skip(p).step_by(parities).for_each(|l| *l -= middle);
        }
        let between = stats::clipped(&logs, CELL_CLIP_SIGMAS).map_or(0.0, |c| c.sigma.powi(2));
        if between <= noise * (1.0 + BANDED_ERRORS * (2.0 / logs.len() as f64).sqrt()) {
            return Self::alike(parities);
        }
        let mut factors = vec![1.0; h * parities];
        looked_at.iter().zip(&logs).for_each(|((y, parity), log)| factors[y * parities + parity] = log.exp());
        Self { factors, parities, banding: (between - noise).sqrt(), levelled: length / (length - 1.0).max(1.0) }
    }

    fn at(&self, x: usize, y: usize) -> f64 {
        self.factors.get(y * self.parities + x % self.parities).copied().unwrap_or(1.0)
    }

    /// Means over the cell of the factor and of its square.
    fn moments(&self, cell: &Cell) -> (f64, f64) {
        if self.factors.is_empty() {
            return (1.0, 1.0);
        }
        let (n, q, q2) = cell.pixels().fold((0.0, 0.0, 0.0), |(n, q, q2), (x, y)| {
            let f = self.at(x, y);
            (n + 1.0, q + f, q2 + f * f)
        });
        (q / n, q2 / n)
    }
}
