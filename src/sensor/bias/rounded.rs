//! Two frames of one noise, rounded to codes and clipped at the lowest: maximum likelihood.
//!
//! A pixel's values before rounding are `m1 + p + e1` and `m2 + p + e2`: levels of the two frames, a fixed pattern p and
//! temporal noise e, both normal. The counts of pairs of codes then give the noise without a moment that rounding or
//! clipping has bent: `P(a, b) = integral over p of P(a|p) P(b|p)`, each factor a difference of normal integrals and the
//! lowest code's one reaching down to minus infinity. Fisher scoring; errors from the information (Fisher 1922, Rao 1948,
//! from memory).

use std::collections::BTreeMap;

use nalgebra::{SMatrix, SVector};
use rayon::prelude::*;

use crate::fits::Pixels;

use crate::sensor::plane::codes::below;

/// Parameters: both levels, logarithm of the noise, variance of the pattern.
const PARAMETERS: usize = 4;
const NOISE: usize = 2;
const PATTERN: usize = 3;
/// Noise in bins above which codes are put together: eight bins a sigma lose nothing that matters (step^2/12 of 1/64).
const BINS_PER_SIGMA: f64 = 8.0;
/// Pixels further than this from the mean take no part, in sigmas of one frame and at least in bins: outliers are not normal.
const REACH_SIGMAS: f64 = 6.0;
const LEAST_REACH: f64 = 5.0;
/// The pattern is summed up on steps of this share of the narrower law, as far as this many of its sigmas: the sum of a
/// smooth peak is then exact to 1e-9.
const NODE_SHARE: f64 = 0.5;
const NODE_SIGMAS: f64 = 5.0;
/// Codes on either axis that are counted in a table.
const NEAR: usize = 64;
/// Least noise that is tried, bins.
const LEAST_SIGMA: f64 = 0.02;
const MOST_ROUNDS: usize = 60;
/// Steps of the numerical derivatives, in sigmas and in the logarithm.
const DIFFERENCE: f64 = 1e-3;
/// A step shorter than this many standard errors ends the search.
const SETTLED_ERRORS: f64 = 1e-3;
/// Relative error above which codes do not tell the noise.
const MOST_RELATIVE_ERROR: f64 = 0.2;
/// Fewest pixels.
const FEWEST_PIXELS: f64 = 500.0;
/// Parts of the frame along either axis that have a level and a pattern of their own, and their least side, px: a
/// gradient of the bias then stays within a part.
const MOST_PARTS: usize = 4;
const LEAST_SIDE_PX: usize = 64;
/// Noise that the search starts from where nothing is known, in codes.
const FIRST_SIGMA: f64 = 0.5;

/// How often each pair of codes occurs.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct PairCounts {
    /// Codes around the first pixel's, row by row: nearly all of them.
    near: Vec<u32>,
    first: i64,
    far: BTreeMap<(i64, i64), u32>,
}

impl PairCounts {
    /// Counts pixels; codes are multiples of the step.
    pub fn new(mut codes: impl Iterator<Item = (i64, i64)>) -> Self {
        let Some(one) = codes.next() else { return Self::default() };
        let mut counts = Self { near: vec![0; NEAR * NEAR], first: one.0 - NEAR as i64 / 2, far: BTreeMap::new() };
        for (a, b) in std::iter::once(one).chain(codes) {
            let place = |code: i64| usize::try_from(code - counts.first).ok().filter(|i| *i < NEAR);
            match (place(a), place(b)) {
                (Some(i), Some(k)) => counts.near[i * NEAR + k] += 1,
                _ => *counts.far.entry((a, b)).or_insert(0) += 1,
            }
        }
        counts
    }

    fn occupied(&self) -> impl Iterator<Item = ((i64, i64), f64)> + '_ {
        let near = self.near.iter().enumerate().filter(|(_, n)| **n > 0);
        let code = |i: usize| self.first + i as i64;
        let near = near.map(move |(i, n)| ((code(i / NEAR), code(i % NEAR)), *n));
        near.chain(self.far.iter().map(|(codes, n)| (*codes, *n))).map(|(codes, n)| (codes, f64::from(n)))
    }

    /// Median code of the first frame.
    fn median(&self) -> Option<f64> {
        let mut of_code = BTreeMap::new();
        self.occupied().for_each(|((a, _), n)| *of_code.entry(a).or_insert(0.0) += n);
        let half = 0.5 * self.total();
        let mut running = 0.0;
        let middle = of_code.iter().find(|(_, n)| {
            running += **n;
            running >= half
        });
        middle.map(|(code, _)| *code as f64)
    }

    fn total(&self) -> f64 {
        self.occupied().map(|(_, n)| n).sum()
    }
}

/// What the counts say, in codes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Rounded {
    /// Levels of the two frames before rounding and clipping.
    pub mean: [f64; 2],
    /// Temporal noise of one frame before rounding, and its relative error.
    pub sigma: f64,
    pub relative_error: f64,
    /// Standard deviation of the fixed pattern.
    pub pattern: f64,
}

/// The temporal noise of one frame over all its parts, in ADU.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct FrameNoise {
    /// Variance before rounding and its error.
    pub variance: (f64, f64),
    /// Mean of the levels behind rounding and clipping.
    pub level: f64,
    pub regions: usize,
}

/// Fits a pair of frames part by part. `step` is that between codes, `start` a first level and noise, ADU.
pub(crate) fn over_frame(
    a: &Pixels,
    b: &Pixels,
    step: u32,
    floor_adu: Option<u32>,
    start: Option<(f64, f64)>,
) -> Option<FrameNoise> {
    let (rows, columns) = a.dim();
    let (nx, ny) = ((columns / LEAST_SIDE_PX).clamp(1, MOST_PARTS), (rows / LEAST_SIDE_PX).clamp(1, MOST_PARTS));
    let q = f64::from(step);
    // Some cameras' codes are not multiples of their step but lie a constant beside them.
    let beside = (0..columns).map(|x| a.at(x, 0)).find(|v| v.is_finite()).map_or(0.0, |v| v.rem_euclid(q));
    let code = |v: f64| ((v - beside) / q).round() as i64;
    let parts: Vec<Option<Rounded>> = (0..nx * ny)
        .into_par_iter()
        .map(|i| {
            let (x, y) = (i % nx, i / nx);
            let (xs, ys) = (x * columns / nx..(x + 1) * columns / nx, y * rows / ny..(y + 1) * rows / ny);
            let pixels = ys.flat_map(|y| xs.clone().map(move |x| (a.at(x, y), b.at(x, y))));
            let known = pixels.filter(|(a, b)| a.is_finite() && b.is_finite());
            let counts = PairCounts::new(known.map(|(a, b)| (code(a), code(b))));
            let start = match start {
                Some((level, sigma)) => ((level - beside) / q, sigma / q),
                None => (counts.median()?, FIRST_SIGMA),
            };
            fit(&counts, floor_adu.map(|f| code(f64::from(f))), start)
        })
        .collect();
    let known: Vec<Rounded> = parts.into_iter().flatten().collect();
    // Relative errors weigh, so that a part which happens to read low does not count for more.
    let weight: f64 = known.iter().map(|r| r.relative_error.powi(-2)).sum();
    if known.is_empty() {
        return None;
    }
    let mean = |f: fn(&Rounded) -> f64| known.iter().map(|r| r.relative_error.powi(-2) * f(r)).sum::<f64>() / weight;
    let variance = mean(|r| r.sigma * r.sigma) * q * q;
    Some(FrameNoise {
        variance: (variance, 2.0 * variance / weight.sqrt()),
        level: mean(|r| 0.5 * (r.mean[0] + r.mean[1])) * q + beside,
        regions: known.len(),
    })
}

type Vector = SVector<f64, PARAMETERS>;
type Matrix = SMatrix<f64, PARAMETERS, PARAMETERS>;

/// Fits the counts. `floor` is the code at which lower values pile up; `start` a first level and noise, in codes.
///
/// `None` with too few pixels, or where the codes cannot tell the noise: all in one, or spread over two by the level alone.
pub(crate) fn fit(counts: &PairCounts, floor: Option<i64>, start: (f64, f64)) -> Option<Rounded> {
    let merge = (start.1 / BINS_PER_SIGMA).ceil().max(1.0) as i64;
    let origin = floor.unwrap_or(0);
    let bin = |code: i64| (code - origin).div_euclid(merge);
    let in_bins = |code: f64| (code - origin as f64 + 0.5) / merge as f64 - 0.5;
    let sigma = (start.1 / merge as f64).max(0.3);
    let centre = in_bins(start.0);
    let reach = (REACH_SIGMAS * sigma).max(LEAST_REACH);
    let mut cells: BTreeMap<(i64, i64), f64> = BTreeMap::new();
    for ((a, b), n) in counts.occupied() {
        let (a, b) = (bin(a), bin(b));
        if (a as f64 - centre).abs() <= reach && (b as f64 - centre).abs() <= reach {
            *cells.entry((a, b)).or_insert(0.0) += n;
        }
    }
    let total: f64 = cells.values().sum();
    if total < FEWEST_PIXELS || total < 0.5 * counts.total() {
        return None;
    }
    let model = Model { cells: cells.into_iter().collect(), clipped: floor.is_some() };
    let (value, information) = model.climb(Vector::new(centre, centre, sigma.ln(), 0.1 * sigma * sigma))?;
    let covariance = information.try_inverse()?;
    let relative_error = covariance[(NOISE, NOISE)].sqrt();
    let out = |bins: f64| (bins + 0.5) * merge as f64 - 0.5 + origin as f64;
    (relative_error < MOST_RELATIVE_ERROR).then(|| Rounded {
        mean: [out(value[0]), out(value[1])],
        sigma: value[NOISE].exp() * merge as f64,
        relative_error,
        pattern: value[PATTERN].max(0.0).sqrt() * merge as f64,
    })
}

struct Model {
    cells: Vec<((i64, i64), f64)>,
    /// Whether bin 0 holds all that lies below it too.
    clipped: bool,
}

impl Model {
    /// Logarithm of the probability of each cell.
    fn log_probabilities(&self, p: &Vector) -> Vec<f64> {
        let (sigma, pattern) = (p[NOISE].exp(), p[PATTERN].max(0.0).sqrt());
        let step = NODE_SHARE * sigma.min(pattern);
        let nodes = if pattern > 0.0 { (NODE_SIGMAS * pattern / step).ceil() as i64 } else { 0 };
        let (low, high) =
            self.cells.iter().fold((i64::MAX, i64::MIN), |(l, h), ((a, b), _)| (l.min(*a).min(*b), h.max(*a).max(*b)));
        let bins = (high - low + 1) as usize;
        let mut sums = vec![0.0; self.cells.len()];
        let mut weights = 0.0;
        let mut shares = [vec![0.0; bins], vec![0.0; bins]];
        for k in -nodes..=nodes {
            let offset = k as f64 * step;
            let weight = if pattern > 0.0 { (-0.5 * (offset / pattern).powi(2)).exp() } else { 1.0 };
            weights += weight;
            for (share, mean) in shares.iter_mut().zip([p[0] + offset, p[1] + offset]) {
                let edge = |bin: i64| below((bin as f64 - 0.5 - mean) / sigma);
                let mut before = if self.clipped && low == 0 { 0.0 } else { edge(low) };
                for (i, s) in share.iter_mut().enumerate() {
                    let next = edge(low + i as i64 + 1);
                    *s = next - before;
                    before = next;
                }
            }
            for (sum, ((a, b), _)) in sums.iter_mut().zip(&self.cells) {
                *sum += weight * shares[0][(a - low) as usize] * shares[1][(b - low) as usize];
            }
        }
        sums.into_iter().map(|s| (s / weights).max(1e-300).ln()).collect()
    }

    fn likelihood(&self, p: &Vector) -> f64 {
        self.log_probabilities(p).iter().zip(&self.cells).map(|(l, (_, n))| n * l).sum()
    }

    /// Gradient of the likelihood and its information (the outer products of the cells' scores).
    fn scores(&self, p: &Vector) -> (Vector, Matrix) {
        let sigma = p[NOISE].exp();
        let derivative = |i: usize| {
            let size = match i {
                NOISE => DIFFERENCE,
                PATTERN => 0.1 * DIFFERENCE * sigma * sigma,
                _ => DIFFERENCE * sigma,
            };
            let (mut up, mut down) = (*p, *p);
            up[i] += size;
            down[i] = if i == PATTERN { (p[i] - size).max(0.0) } else { p[i] - size };
            let span = up[i] - down[i];
            let (up, down) = (self.log_probabilities(&up), self.log_probabilities(&down));
            up.iter().zip(&down).map(|(u, d)| (u - d) / span).collect::<Vec<f64>>()
        };
        let slopes: Vec<Vec<f64>> = (0..PARAMETERS).map(derivative).collect();
        let (mut gradient, mut information) = (Vector::zeros(), Matrix::zeros());
        for (k, (_, n)) in self.cells.iter().enumerate() {
            let score = Vector::from_fn(|i, _| slopes[i][k]);
            gradient += *n * score;
            information += *n * score * score.transpose();
        }
        (gradient, information)
    }

    /// The most likely parameters and the information there.
    fn climb(&self, start: Vector) -> Option<(Vector, Matrix)> {
        let mut p = start;
        let mut here = self.likelihood(&p);
        for _ in 0..MOST_ROUNDS {
            let (gradient, information) = self.scores(&p);
            // A pattern that wants to be less than none stays at none, and the rest moves without it.
            let held = p[PATTERN] <= 0.0 && gradient[PATTERN] < 0.0;
            let free = information.cholesky()?.solve(&gradient);
            let (mut solved, mut towards) = (information, gradient);
            if held {
                solved.row_mut(PATTERN).fill(0.0);
                solved.column_mut(PATTERN).fill(0.0);
                solved[(PATTERN, PATTERN)] = 1.0;
                towards[PATTERN] = 0.0;
            }
            let full = solved.cholesky()?.solve(&towards);
            let mut step = full;
            let mut moved = false;
            for _ in 0..20 {
                let mut next = p + step;
                next[NOISE] = next[NOISE].max(LEAST_SIGMA.ln());
                next[PATTERN] = next[PATTERN].max(0.0);
                let there = self.likelihood(&next);
                if there >= here {
                    moved = true;
                    (p, here) = (next, there);
                    break;
                }
                step *= 0.5;
            }
            // The length of the step in standard errors.
            if !moved || full.dot(&towards) < SETTLED_ERRORS * SETTLED_ERRORS {
                // To hold the pattern at none lowers the noise by a quarter of its error on average: a last step to where
                // the likelihood would lead without that bound undoes it.
                if held {
                    p[NOISE] += free[NOISE];
                }
                return Some((p, information));
            }
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};
    use rand_xoshiro::Xoshiro256PlusPlus;

    use super::*;

    fn counts(seed: u64, level: f64, sigma: f64, pattern: f64, floor: f64) -> PairCounts {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
        let mut draw = |s: f64| if s > 0.0 { Normal::new(0.0, s).unwrap().sample(&mut rng) } else { 0.0 };
        let pixels: Vec<(i64, i64)> = (0..16_384)
            .map(|_| {
                let own = level + draw(pattern);
                let mut code = || (own + draw(sigma)).round().max(floor) as i64;
                (code(), code())
            })
            .collect();
        PairCounts::new(pixels.into_iter())
    }

    /// Pulls of the noise over seeds: 40 of them have a mean within 3/sqrt(40) = 0.47 and a spread of 0.66 to 1.4
    /// (chi-squared with 40 degrees of freedom, 0.1 % at each end).
    fn assert_true(level: f64, sigma: f64, pattern: f64, floor: Option<i64>, start: (f64, f64)) {
        let pulls: Vec<f64> = (0..40)
            .map(|seed| {
                let counts = counts(seed, level, sigma, pattern, floor.map_or(f64::MIN, |f| f as f64));
                let got = fit(&counts, floor, start).unwrap();
                assert!((got.sigma / sigma - 1.0).abs() < 0.05 + 5.0 * got.relative_error, "{got:?}");
                (got.sigma / sigma).ln() / got.relative_error
            })
            .collect();
        let n = pulls.len() as f64;
        let mean = pulls.iter().sum::<f64>() / n;
        let spread = (pulls.iter().map(|p| p * p).sum::<f64>() / n).sqrt();
        println!("{level} {sigma} {pattern} {floor:?}: {mean:.2}, {spread:.2}");
        assert!(mean.abs() < 0.47, "{level} {sigma} {pattern}: mean pull {mean}");
        assert!((0.66..1.4).contains(&spread), "{level} {sigma} {pattern}: spread {spread}");
    }

    // Truth by construction: codes drawn from the law itself.
    #[test]
    fn noise_below_a_code_is_recovered_wherever_the_level_lies() {
        for (level, pattern) in [(1000.0, 0.0), (1000.5, 0.0), (1000.25, 0.3), (1000.1, 1.0)] {
            for sigma in [0.3, 0.45, 0.7] {
                assert_true(level, sigma, pattern, None, (1000.2, 0.5));
            }
        }
    }

    #[test]
    fn noise_behind_a_floor_is_recovered_with_its_pattern() {
        for (level, sigma, pattern) in [(3.0, 3.0, 0.0), (3.0, 3.0, 2.0), (20.0, 20.0, 5.0), (0.5, 0.5, 0.0)] {
            assert_true(level, sigma, pattern, Some(0), (level + 0.2, 1.2 * sigma));
        }
    }

    #[test]
    fn one_code_alone_tells_nothing() {
        assert_eq!(fit(&PairCounts::new((0..10_000).map(|_| (5, 5))), None, (5.0, 0.3)), None);
    }
}
