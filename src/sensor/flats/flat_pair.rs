//! Two flats of about the same level: variance against signal, cell by cell.
//!
//! The second flat is brought to the level of the first, row by row where a flickering lamp has banded the rows and then
//! cell by cell, so that the response of the pixels (PRNU) and dust leave the difference. With `f2 -> r q(row) f2` the
//! difference has the variance `(S1 + r^2 <q> S2) / g + (1 + r^2 <q^2>) D`, S2 being the level after q.

use rayon::prelude::*;

use crate::fits::Pixels;
use crate::stats;

use super::residual::{Cleaned, Surface, TERMS, TERMS_BESIDE_ROWS, cleaned};
use crate::sensor::bias::pairs::BiasSet;
use crate::sensor::plane::spread::Spread;
use crate::sensor::plane::tiles::{CELL_CLIP_SIGMAS, Cell, TileGrid};
use crate::sensor::plane::windowed::{LANES, spread_of_many};

/// A cell must stay this many of its standard deviations below saturation.
pub(super) const CLEAR_OF_CLIPPING_SIGMAS: f64 = 5.0;
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
    pub starlight: Starlight,
}

/// Measures a pair against the biases; cells near saturation are left out.
pub(crate) fn measure(a: &Pixels, b: &Pixels, biases: &BiasSet, grid: &TileGrid, saturation_adu: f64) -> FlatPair {
    let parities = if grid.sites() > 1 { 2 } else { 1 };
    let rows = RowRatios::new(a, b, biases.level().unwrap_or(0.0), grid, parities);
    let dark_rows = if rows.banding > 0.0 { 0.0 } else { biases.mean_row_variance() };
    let everywhere = dark_rows + biases.jump_variance();
    let pattern = stats::mean_and_std(&biases.pattern.iter().map(|p| p.0).collect::<Vec<_>>()).map_or(0.0, |m| m.0);
    let cells = grid.map_indexed(|i, cell| {
        let bias = biases.cell_mean[i];
        let dark = biases.cell_variance.get(i).copied().filter(|v| v.is_finite())? + everywhere;
        let first: Vec<f64> = cell.pixels().map(|(x, y)| a.at(x, y) - bias).collect();
        let second: Vec<f64> = cell.pixels().map(|(x, y)| rows.at(x, y) * (b.at(x, y) - bias)).collect();
        let (s1, s2) = (spread_of_many(&first, 0.0)?, spread_of_many(&second, 0.0)?);
        let clear = |s: &Spread| s.mean + bias + CLEAR_OF_CLIPPING_SIGMAS * s.variance.sqrt() < saturation_adu;
        if s1.mean <= 0.0 || s2.mean <= 0.0 || !clear(&s1) || !clear(&s2) {
            return None;
        }
        let r = s1.mean / s2.mean;
        let difference: Vec<f64> = first.iter().zip(&second).map(|(f, s)| f - r * s).collect();
        let surface = Surface::of(cell);
        let v = cleaned(&difference, &surface, rows.banding > 0.0)?;
        let (q1, q2) = rows.moments(cell);
        let weight = 1.0 + r * r * q2;
        let prnu2 = (covariance(&first, &second, &surface, &s1, &s2) - pattern) / (s1.mean * s2.mean);
        let point = CellPoint {
            cell: i,
            signal: (s1.mean + r * r * q1 * s2.mean) / weight,
            square: (s1.mean * s1.mean + (r * s2.mean).powi(2)) / weight,
            variance: v.variance / weight,
            dark,
            n: v.n,
            ratio: r * q1,
            prnu2,
        };
        Some((point, v))
    });
    let (cells, cleaned): (Vec<CellPoint>, Vec<Cleaned>) = cells.into_iter().flatten().unzip();
    let ratio = stats::median(&cells.iter().map(|c| c.ratio).collect::<Vec<_>>()).unwrap_or(1.0);
    let across = grid.cells.first().map_or(1, |cell| Surface::of(cell).across());
    let starlight = Starlight::of(&cleaned, (rows.banding > 0.0).then_some(across));
    FlatPair { cells, ratio, banding: rows.banding, starlight }
}

/// What stars left in the difference of a pair.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Starlight {
    /// Share of the pixels that were left out for stars.
    pub masked: f64,
    /// Correlation of neighbouring pixels of one colour in the rest, and its error.
    pub correlation: (f64, f64),
}

impl Starlight {
    /// `across` pixels lie in a row of a cell where each row's own mean was taken off.
    fn of(cells: &[Cleaned], across: Option<usize>) -> Self {
        let n = cells.len().max(1) as f64;
        let sums = cells.iter().fold([0.0; 3], |a, c| [0, 1, 2].map(|k| a[k] + c.neighbours[k]));
        let pixels = cells.iter().map(|c| c.n as f64).sum::<f64>().max(1.0);
        // A surface taken off makes neighbours unlike; a row's mean those in the row, which are half of them.
        let by_surface = match across {
            None => (TERMS - 1) as f64 * n / pixels,
            Some(across) => 0.5 / across as f64 + TERMS_BESIDE_ROWS as f64 * n / pixels,
        };
        let correlation = if sums[1] > 0.0 { sums[0] / sums[1] + by_surface } else { 0.0 };
        let masked = cells.iter().map(|c| c.masked).sum::<f64>() / n;
        Self { masked, correlation: (correlation, sums[2].max(1.0).sqrt().recip()) }
    }
}

/// Pixel by pixel covariance of two flats of one cell, a smooth surface taken off each: shadows of dust and vignetting are no PRNU.
fn covariance(first: &[f64], second: &[f64], surface: &Surface, s1: &Spread, s2: &Spread) -> f64 {
    let (half1, half2) = (PRNU_WINDOW_SIGMAS * s1.variance.sqrt(), PRNU_WINDOW_SIGMAS * s2.variance.sqrt());
    let inside: Vec<Option<(f64, f64)>> = first
        .iter()
        .zip(second)
        .map(|(f, s)| (f - s1.mean, s - s2.mean))
        .map(|(f, s)| (f.abs() <= half1 && s.abs() <= half2).then_some((f, s)))
        .collect();
    let a = surface.strengths(inside.iter().map(|v| v.map(|v| v.0)));
    let b = surface.strengths(inside.iter().map(|v| v.map(|v| v.1)));
    let known = inside.iter().enumerate().filter_map(|(i, v)| v.map(|v| (i, v)));
    let (sum, n) = known
        .fold((0.0, 0.0), |(sum, n), (i, (f, s))| (sum + (f - surface.at(i, &a)) * (s - surface.at(i, &b)), n + 1.0));
    sum / (n - TERMS as f64)
}

/// Pixels of a row that are held against each other: more than a star lights.
const BLOCK_PX: usize = 64;
/// Standard deviations from the middle of its block from which a pixel is a star's.
const STAR_SIGMAS: f64 = 4.0;
/// Median of the size of a difference of two normal values, in standard deviations of one: 0.6745 times the root of 2.
const STEP_TO_SIGMA: f64 = 0.953_9;

/// Ratio of the sums of two rows over the pixels that no star lit in one of them more than in the other, from a first ratio.
fn without_stars(first: &[f32], second: &[f32], bias: f64, rough: f64) -> f64 {
    let off = |i: usize| f64::from(first[i]) - bias - rough * (f64::from(second[i]) - bias);
    let (mut f, mut s) = (0.0, 0.0);
    let mut block = Vec::with_capacity(BLOCK_PX);
    let mut start = 0;
    while start < first.len() {
        // The last block takes what is left.
        let end = if first.len() - start < 2 * BLOCK_PX { first.len() } else { start + BLOCK_PX };
        block.clear();
        block.extend((start + 1..end).map(|i| (off(i) - off(i - 1)).abs()));
        let sigma = stats::median_mut(&mut block).unwrap_or(0.0) / STEP_TO_SIGMA;
        block.clear();
        block.extend((start..end).map(off));
        let middle = stats::median_mut(&mut block).unwrap_or(0.0);
        for i in (start..end).filter(|i| (off(*i) - middle).abs() <= STAR_SIGMAS * sigma.max(f64::MIN_POSITIVE)) {
            f += f64::from(first[i]) - bias;
            s += f64::from(second[i]) - bias;
        }
        start = end;
    }
    f / s
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
    let ratio = without_stars(first, second, bias, f / s);
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
}

impl RowRatios {
    fn alike(parities: usize) -> Self {
        Self { factors: Vec::new(), parities, banding: 0.0 }
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
        Self { factors, parities, banding: (between - noise).sqrt() }
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
