//! Weighted least squares through variance against signal, cells that lie off left out; the errors are those of whole cells.
//!
//! Errors come from the scatter of whole tiles over all pairs (sandwich with clusters: Liang & Zeger 1986, from memory), so
//! that what pairs share, a frame or a tile's dark variance, is contained.

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector};

use crate::sensor::plane::tiles::CELL_CLIP_SIGMAS;
use crate::stats;

/// Rounds of weighing and clipping; they settle in three.
const ROUNDS: usize = 6;
/// Scatter of the pairs about the curve in its own standard errors that widens the errors: chance exceeds it in 1 of 700.
const MISFIT_ERRORS: f64 = 3.0;

/// One cell of one pair.
pub(super) struct Row {
    pub cell: usize,
    /// Pair and colour.
    pub level: usize,
    pub signal: f64,
    pub square: f64,
    /// Variance above the dark one.
    pub excess: f64,
    pub dark: f64,
    pub n: f64,
}

/// Coefficients of `excess = c0 signal + c1 signal^2` (or of the first alone) with their covariance.
pub(super) struct Solved {
    pub c: [f64; 2],
    pub covariance: [[f64; 2]; 2],
    pub chi2_per_degree: f64,
    /// Whether whole levels lie off the curve by more than chance.
    pub levels_stray: bool,
    /// Intercept and its error where it is free.
    pub intercept: Option<(f64, f64)>,
    pub kept: Vec<usize>,
}

/// Which terms are fitted beside the signal itself.
#[derive(Clone, Copy)]
pub(super) struct Curve {
    pub curved: bool,
    pub with_intercept: bool,
}

/// Coefficients, with the weights and the cells that gave them.
struct Settled {
    c: DVector<f64>,
    /// Coefficients that the weights were made with.
    weights: DVector<f64>,
    normal: DMatrix<f64>,
    kept: Vec<usize>,
}

/// Residuals over their variances, summed up by what shares an error.
struct Residuals {
    by_cell: BTreeMap<usize, DVector<f64>>,
    /// With the sum of the weights.
    by_level: BTreeMap<usize, (f64, f64)>,
    /// What an error that all cells share does.
    common: DVector<f64>,
    chi2: f64,
}

impl Curve {
    /// The coefficients and their errors; `dark_sigma` is the error of a dark variance that all cells share, ADU^2.
    pub fn solve(self, rows: &[&Row], dark_sigma: f64) -> Option<Solved> {
        let terms = self.terms();
        let Settled { c, weights, normal, kept } = self.settle(rows)?;
        let inverse = normal.try_inverse()?;
        let residuals = self.residuals(kept.iter().map(|i| rows[*i]), &c, &weights);
        let groups = residuals.by_cell.len() as f64;
        let mut meat = DMatrix::zeros(terms, terms);
        residuals.by_cell.values().for_each(|u: &DVector<f64>| meat += u * u.transpose());
        let scale = groups / (groups - terms as f64).max(1.0);
        let shared = &inverse * &residuals.common;
        let mut covariance =
            scale * &inverse * meat * &inverse + dark_sigma * dark_sigma * &shared * shared.transpose();
        let degrees = (kept.len() as f64 - terms as f64).max(1.0);
        let chi2_per_degree = residuals.chi2 / degrees;
        // Levels that stray from the curve as a whole: a lamp, a shutter or another curvature. Their errors follow from the cells'.
        let free = residuals.by_level.len() as f64 - terms as f64;
        let strays: f64 = residuals.by_level.values().map(|(sum, weight)| sum * sum / weight).sum::<f64>()
            / chi2_per_degree.max(f64::MIN_POSITIVE);
        let levels_stray = free >= 1.0 && strays / free > 1.0 + MISFIT_ERRORS * (2.0 / free).sqrt();
        if levels_stray {
            covariance *= strays / free;
        }
        let last = terms - 1;
        Some(Solved {
            c: [c[0], if self.curved { c[1] } else { 0.0 }],
            covariance: if self.curved {
                [[covariance[(0, 0)], covariance[(0, 1)]], [covariance[(0, 1)], covariance[(1, 1)]]]
            } else {
                [[covariance[(0, 0)], 0.0], [0.0, 0.0]]
            },
            chi2_per_degree,
            levels_stray,
            intercept: self.with_intercept.then(|| (c[last], covariance[(last, last)].sqrt())),
            kept,
        })
    }

    fn terms(self) -> usize {
        1 + usize::from(self.curved) + usize::from(self.with_intercept)
    }

    fn basis(self, r: &Row) -> DVector<f64> {
        let mut x = vec![r.signal];
        x.extend(self.curved.then_some(r.square));
        x.extend(self.with_intercept.then_some(1.0));
        DVector::from_vec(x)
    }

    /// Variance of a variance from n values of which a window of 3 sigma was used, with the curve's variance for the true one.
    fn sigma(self, r: &Row, c: &DVector<f64>) -> f64 {
        let shot = (self.basis(r).dot(c)).max(0.01 * c[0] * r.signal);
        (2.0 / (r.n - 1.0)).sqrt() * (shot + r.dark)
    }

    /// Weighs and clips until nothing changes.
    fn settle(self, rows: &[&Row]) -> Option<Settled> {
        let terms = self.terms();
        // The brighter half says enough for a start; a median, since dust that moved may spoil any cell but not most.
        let bright = stats::median(&rows.iter().map(|r| r.signal).collect::<Vec<_>>())?;
        let slopes = rows.iter().filter(|r| r.signal >= bright).map(|r| r.excess / r.signal);
        let mut c = DVector::zeros(terms);
        c[0] = stats::median(&slopes.collect::<Vec<_>>())?.max(1e-9);
        let zeros = DMatrix::zeros(terms, terms);
        let mut settled = Settled { weights: c.clone(), c, normal: zeros, kept: Vec::new() };
        for _ in 0..ROUNDS {
            let weights = settled.c;
            let z: Vec<f64> =
                rows.iter().map(|r| (r.excess - self.basis(r).dot(&weights)) / self.sigma(r, &weights)).collect();
            let (middle, spread) = stats::median_and_mad_sigma(&z)?;
            let near = |i: &usize| (z[*i] - middle).abs() <= CELL_CLIP_SIGMAS * spread.max(1.0);
            let kept: Vec<usize> = (0..rows.len()).filter(near).collect();
            let mut normal = DMatrix::zeros(terms, terms);
            let mut right = DVector::zeros(terms);
            for r in kept.iter().map(|i| rows[*i]) {
                let (x, w) = (self.basis(r), self.sigma(r, &weights).powi(-2));
                normal += w * &x * x.transpose();
                right += w * r.excess * x;
            }
            let c = normal.clone().cholesky()?.solve(&right);
            settled = Settled { c, weights, normal, kept };
        }
        Some(settled)
    }

    fn residuals<'a>(self, rows: impl Iterator<Item = &'a Row>, c: &DVector<f64>, weights: &DVector<f64>) -> Residuals {
        let zeros = || DVector::zeros(self.terms());
        let (by_cell, by_level) = (BTreeMap::new(), BTreeMap::new());
        let mut sums = Residuals { by_cell, by_level, common: zeros(), chi2: 0.0 };
        for r in rows {
            let (x, s) = (self.basis(r), self.sigma(r, weights));
            let residual = r.excess - x.dot(c);
            sums.chi2 += (residual / s).powi(2);
            *sums.by_cell.entry(r.cell).or_insert_with(zeros) += residual / (s * s) * &x;
            sums.common += &x / (s * s);
            let level = sums.by_level.entry(r.level).or_insert((0.0, 0.0));
            *level = (level.0 + residual / (s * s), level.1 + 1.0 / (s * s));
        }
        sums
    }
}
