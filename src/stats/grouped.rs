//! Least squares with a level of its own for each group of rows, and errors that allow for what rows share.
//!
//! Stars of one frame share its seeing, and one star stands in every frame at about the same place with the same flaw.
//! Neither averages out with the number of rows. The scatter from row to row therefore gives the least error only; what
//! leaving out one frame at a time, and one place at a time, says beyond it is added (jackknife: Efron 1982, from memory).

use std::collections::BTreeMap;

use nalgebra::{SMatrix, SVector};

use super::{MAD_TO_SIGMA, median, median_mut};

/// Residuals beyond this many robust standard deviations are left out: 1 in 16 000 of a normal law.
const CLIP_SIGMAS: f64 = 4.0;
/// Rounds of clipping and weighing; they settle in about five.
const MOST_ROUNDS: usize = 12;
/// Fewest frames whose scatter is an error: with fewer the jackknife itself is uncertain by more than 80 %.
pub const FEWEST_FRAMES: usize = 4;

/// One observation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row<const P: usize> {
    /// Which level applies, counted from 0.
    pub group: usize,
    /// Which frame it comes from.
    pub frame: usize,
    /// Which part of the frame it comes from.
    pub place: usize,
    pub y: f64,
    /// One-sigma uncertainty of `y`.
    pub sigma: f64,
    /// Functions of position that the common coefficients multiply.
    pub basis: [f64; P],
}

/// Level of one group.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Level<const P: usize> {
    pub value: f64,
    /// From the rows of the group alone, the coefficients taken as exact.
    pub sigma: f64,
    /// Number of rows kept.
    pub n: usize,
    mean_basis: SVector<f64, P>,
}

/// Common coefficients and levels.
#[derive(Debug, Clone, PartialEq)]
pub struct GroupedFit<const P: usize> {
    pub values: SVector<f64, P>,
    pub covariance: SMatrix<f64, P, P>,
    /// One a group; `None` where nothing of it was kept.
    pub levels: Vec<Option<Level<P>>>,
    /// Number of rows kept.
    pub n: usize,
    /// Share of each place in the error of a level: sum of weighted residuals over the group's weight.
    influence: BTreeMap<(usize, usize), f64>,
}

/// One round's sums.
struct Normal<const P: usize> {
    weights: Vec<f64>,
    group_weight: Vec<f64>,
    mean_y: Vec<f64>,
    mean_basis: Vec<SVector<f64, P>>,
}

impl<const P: usize> Normal<P> {
    fn new(rows: &[Row<P>], kept: &[bool], extra: f64, groups: usize) -> Self {
        let mut sums = Self {
            weights: Vec::with_capacity(rows.len()),
            group_weight: vec![0.0; groups],
            mean_y: vec![0.0; groups],
            mean_basis: vec![SVector::zeros(); groups],
        };
        for (row, kept) in rows.iter().zip(kept) {
            let w = if *kept { (row.sigma * row.sigma + extra).max(1e-30).recip() } else { 0.0 };
            sums.weights.push(w);
            sums.group_weight[row.group] += w;
            sums.mean_y[row.group] += w * row.y;
            sums.mean_basis[row.group] += SVector::from(row.basis) * w;
        }
        for g in 0..groups {
            let w = sums.group_weight[g].max(1e-300);
            sums.mean_y[g] /= w;
            sums.mean_basis[g] /= w;
        }
        sums
    }

    fn centred(&self, row: &Row<P>) -> (f64, SVector<f64, P>) {
        (row.y - self.mean_y[row.group], SVector::from(row.basis) - self.mean_basis[row.group])
    }

    fn curvature(&self, rows: &[Row<P>]) -> (SMatrix<f64, P, P>, SVector<f64, P>) {
        let mut sums = (SMatrix::zeros(), SVector::zeros());
        for (row, w) in rows.iter().zip(&self.weights).filter(|(_, w)| **w > 0.0) {
            let (y, x) = self.centred(row);
            sums.0 += x * x.transpose() * *w;
            sums.1 += x * (*w * y);
        }
        sums
    }
}

/// Fits `y = level[group] + basis . values`. `None` where the rows do not determine the coefficients.
pub fn fit_grouped<const P: usize>(rows: &[Row<P>]) -> Option<GroupedFit<P>> {
    let groups = rows.iter().map(|r| r.group + 1).max()?;
    let typical = median(&rows.iter().map(|r| r.sigma * r.sigma).collect::<Vec<_>>())?;
    let mut kept = vec![true; rows.len()];
    let mut extra = 0.0;
    for _ in 0..MOST_ROUNDS {
        let sums = Normal::new(rows, &kept, extra, groups);
        let (curvature, right) = sums.curvature(rows);
        let values = curvature.cholesky()?.solve(&right);
        let residuals: Vec<f64> = rows
            .iter()
            .map(|row| {
                let (y, x) = sums.centred(row);
                y - x.dot(&values)
            })
            .collect();
        let mut sizes: Vec<f64> = residuals.iter().zip(&kept).filter(|(_, k)| **k).map(|(r, _)| r.abs()).collect();
        let spread = MAD_TO_SIGMA * median_mut(&mut sizes)?;
        let more = (spread * spread - typical).max(0.0);
        let scaled = |i: usize| residuals[i].abs() / (rows[i].sigma.powi(2) + more).sqrt().max(1e-150);
        let mut ratios: Vec<f64> = (0..rows.len()).filter(|i| kept[*i]).map(scaled).collect();
        let limit = CLIP_SIGMAS * MAD_TO_SIGMA * median_mut(&mut ratios)?;
        let next: Vec<bool> = (0..rows.len()).map(|i| scaled(i) <= limit).collect();
        let settled = next == kept && (more - extra).abs() <= 1e-6 * (more + typical);
        (kept, extra) = (next, more);
        if settled {
            break;
        }
    }
    solved(rows, &kept, extra, groups)
}

fn solved<const P: usize>(rows: &[Row<P>], kept: &[bool], extra: f64, groups: usize) -> Option<GroupedFit<P>> {
    let sums = Normal::new(rows, kept, extra, groups);
    let (curvature, right) = sums.curvature(rows);
    let inverse = curvature.cholesky()?.inverse();
    let values = inverse * right;
    let n = kept.iter().filter(|k| **k).count();
    let filled = sums.group_weight.iter().filter(|w| **w > 0.0).count();
    let freedom = n.checked_sub(P + filled).filter(|f| *f > 0)? as f64;
    let mut chi2 = 0.0;
    let mut frames: BTreeMap<usize, Part<P>> = BTreeMap::new();
    let mut places: BTreeMap<usize, Part<P>> = BTreeMap::new();
    let mut influence: BTreeMap<(usize, usize), f64> = BTreeMap::new();
    let mut counts = vec![0; groups];
    for (row, w) in rows.iter().zip(&sums.weights).filter(|(_, w)| **w > 0.0) {
        let (y, x) = sums.centred(row);
        let residual = y - x.dot(&values);
        chi2 += w * residual * residual;
        let empty = || (SMatrix::zeros(), SVector::zeros());
        for part in [frames.entry(row.frame).or_insert_with(empty), places.entry(row.place).or_insert_with(empty)] {
            part.0 += x * x.transpose() * *w;
            part.1 += x * (w * residual);
        }
        *influence.entry((row.group, row.place)).or_default() += w * residual / sums.group_weight[row.group];
        counts[row.group] += 1;
    }
    let scale = chi2 / freedom;
    let formal = inverse * scale;
    let mut growth = SVector::<f64, P>::repeat(1.0);
    let mut allow = |other: SMatrix<f64, P, P>| {
        for j in 0..P {
            growth[j] += (other[(j, j)] / formal[(j, j)] - 1.0).max(0.0);
        }
    };
    if frames.len() >= FEWEST_FRAMES {
        allow(jackknife(&curvature, &frames)?);
    }
    // With fewer places than terms each one decides a term, and leaving it out says nothing.
    if places.len() > 2 * P {
        allow(jackknife(&curvature, &places)?);
    }
    let factor = SMatrix::from_diagonal(&growth.map(f64::sqrt));
    let levels = (0..groups)
        .map(|g| {
            let w = sums.group_weight[g];
            let mean_basis = sums.mean_basis[g];
            let value = sums.mean_y[g] - mean_basis.dot(&values);
            (counts[g] > 0).then(|| Level { value, sigma: (scale / w).sqrt(), n: counts[g], mean_basis })
        })
        .collect();
    Some(GroupedFit { values, covariance: factor * formal * factor, levels, n, influence })
}

/// Curvature and gradient of the rows of one frame or place.
type Part<const P: usize> = (SMatrix<f64, P, P>, SVector<f64, P>);

/// Covariance from leaving out one part at a time; `None` where one part alone determines a coefficient.
fn jackknife<const P: usize>(all: &SMatrix<f64, P, P>, parts: &BTreeMap<usize, Part<P>>) -> Option<SMatrix<f64, P, P>> {
    let moved: Option<Vec<SVector<f64, P>>> =
        parts.values().map(|(a, g)| Some(-(all - a).cholesky()?.solve(g))).collect();
    let moved = moved?;
    let n = moved.len() as f64;
    let mean = moved.iter().sum::<SVector<f64, P>>() / n;
    let sum = moved.iter().map(|m| (m - mean) * (m - mean).transpose()).sum::<SMatrix<f64, P, P>>();
    Some(sum * ((n - 1.0) / n))
}

impl<const P: usize> GroupedFit<P> {
    /// Mean of the levels of some groups and its uncertainty: their scatter, what places share, the coefficients' errors.
    pub fn mean_level(&self, groups: impl Iterator<Item = usize> + Clone) -> Option<(f64, f64)> {
        let known: Vec<&Level<P>> = groups.clone().filter_map(|g| self.levels.get(g)?.as_ref()).collect();
        let n = known.len() as f64;
        let mean = known.iter().map(|l| l.value).sum::<f64>() / n;
        let formal = known.iter().map(|l| l.sigma * l.sigma).sum::<f64>() / (n * n);
        let mut variance = formal;
        if known.len() > 1 {
            let scatter = known.iter().map(|l| (l.value - mean).powi(2)).sum::<f64>() / (n * (n - 1.0));
            variance += (scatter - formal).max(0.0);
        }
        let mut places: BTreeMap<usize, f64> = BTreeMap::new();
        for g in groups {
            for ((_, place), share) in self.influence.range((g, 0)..=(g, usize::MAX)) {
                *places.entry(*place).or_default() += share / n;
            }
        }
        if places.len() > 1 {
            let c = places.len() as f64;
            let shared = places.values().map(|s| s * s).sum::<f64>() * c / (c - 1.0);
            variance += (shared - formal).max(0.0);
        }
        let mean_basis = known.iter().map(|l| l.mean_basis).sum::<SVector<f64, P>>() / n;
        variance += (mean_basis.transpose() * self.covariance * mean_basis)[0];
        (n > 0.0).then(|| (mean, variance.sqrt()))
    }

    /// A function of the coefficients with its uncertainty, to first order.
    pub fn propagate(&self, f: impl Fn(&SVector<f64, P>) -> f64) -> (f64, f64) {
        let gradient = SVector::<f64, P>::from_fn(|j, _| {
            let step = 0.1 * self.covariance[(j, j)].sqrt().max(1e-12);
            let (mut up, mut down) = (self.values, self.values);
            up[j] += step;
            down[j] -= step;
            (f(&up) - f(&down)) / (2.0 * step)
        });
        (f(&self.values), (gradient.transpose() * self.covariance * gradient)[0].max(0.0).sqrt())
    }
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};
    use rand_distr::StandardNormal;
    use rand_xoshiro::Xoshiro256PlusPlus;

    use super::*;

    /// Slope 2 in groups of different level; every frame's slope is off by `wander`, every place by `flaw`.
    fn pull(seed: u64, wander: f64, flaw: f64) -> (f64, f64) {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
        let mut normal = move || rng.sample::<f64, _>(StandardNormal);
        let flaws: Vec<f64> = (0..60).map(|_| flaw * normal()).collect();
        let mut rows = Vec::new();
        for frame in 0..8 {
            let (level, slope) = (10.0 * normal(), 2.0 + wander * normal());
            for (place, flaw) in flaws.iter().enumerate() {
                let x = place as f64 / 30.0 - 1.0;
                let y = level + slope * x + flaw + 0.1 * normal();
                rows.push(Row { group: frame, frame, place, y, sigma: 0.1, basis: [x] });
            }
        }
        rows[7].y += 30.0;
        let fit = fit_grouped(&rows).unwrap();
        ((fit.values[0] - 2.0) / fit.covariance[(0, 0)].sqrt(), fit.covariance[(0, 0)].sqrt())
    }

    #[test]
    fn errors_hold_whether_rows_frames_or_places_scatter() {
        for (wander, flaw) in [(0.0, 0.0), (0.1, 0.0), (0.0, 0.1)] {
            let seeds = 200;
            let pulls: Vec<f64> = (0..seeds).map(|s| pull(s, wander, flaw).0).collect();
            let rms = (pulls.iter().map(|p| p * p).sum::<f64>() / seeds as f64).sqrt();
            eprintln!("wander {wander}, flaw {flaw}: rms of pulls {rms:.2}");
            // 1 by construction; eight frames know their scatter to 27 %, and excesses are only ever added.
            assert!((0.7..1.25).contains(&rms), "{wander} {flaw}: {rms}");
        }
    }

    #[test]
    fn rows_on_one_line_do_not_determine_a_surface() {
        let row =
            |i: usize| Row { group: 0, frame: 0, place: i, y: i as f64, sigma: 1.0, basis: [i as f64, 2.0 * i as f64] };
        assert!(fit_grouped(&(0..20).map(row).collect::<Vec<_>>()).is_none_or(|f| f.covariance[(0, 0)] > 1e6));
    }
}
