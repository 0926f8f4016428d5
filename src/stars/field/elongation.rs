//! Elongation over the frame: a constant, a part linear in position, and a radial or tangential part.
//!
//! `chi = (a^2 - b^2)/(a^2 + b^2) (cos 2 theta + i sin 2 theta) = c0 + c1 w + c2 w^2` with the place `w = u + iv` in half
//! diagonals from the centre. Astigmatism of a corrector has such a pattern, and one misaligned has the lower terms too
//! (Schechter & Levinson 2011, arXiv 1009.0708; Jarvis, Schechter & Jain 2008, arXiv 0810.0027); drift adds to c0 alone.

use statrs::function::gamma::gamma_ur;

use crate::stats::grouped::{GroupedFit, Row, fit_grouped};

use super::placed::Placed;

/// The fitted pattern.
pub(crate) struct Elongation {
    /// Common terms: both parts of c1, both parts of c2.
    pub fit: GroupedFit<4>,
    /// c0, mean over the frames.
    pub constant: [f64; 2],
    /// Error of either part of c0.
    pub constant_sigma: f64,
    /// Chance that the frames' constants differ by errors alone; `None` with one frame.
    pub change_chance: Option<f64>,
    /// Standard deviation of either part of c0 from frame to frame, beyond its errors.
    pub change: f64,
}

impl Elongation {
    /// Error of either part of c1.
    pub fn linear_sigma(&self) -> f64 {
        let variance = |j: usize| self.fit.covariance[(j, j)];
        (0.5 * (variance(0) + variance(1))).sqrt()
    }

    /// Error of the radial part of c2.
    pub fn radial_sigma(&self) -> f64 {
        self.fit.covariance[(2, 2)].sqrt()
    }
}

/// Fits the pattern to the stars of `frames` frames.
pub(crate) fn fit(stars: &[Placed], frames: usize) -> Option<Elongation> {
    let rows: Vec<Row<4>> = stars
        .iter()
        .flat_map(|s| {
            let (u, v) = (s.u, s.v);
            let (c, d) = (u * u - v * v, 2.0 * u * v);
            let row = |part: usize, basis| Row {
                group: 2 * s.frame + part,
                frame: s.frame,
                place: s.place,
                y: s.chi[part],
                sigma: s.chi_sigma[part],
                basis,
            };
            [row(0, [u, -v, c, -d]), row(1, [v, u, d, c])]
        })
        .collect();
    let fit = fit_grouped(&rows)?;
    let part = |k: usize| (0..frames).map(move |f| 2 * f + k);
    let (first, second) = (fit.mean_level(part(0))?, fit.mean_level(part(1))?);
    let constant = [first.0, second.0];
    // Scatter of two parts about their weighted means, against what their errors explain.
    let (mut chi2, mut freedom, mut excess) = (0.0, 0usize, 0.0);
    for k in 0..2 {
        let levels: Vec<_> = part(k).filter_map(|g| fit.levels[g].as_ref()).collect();
        let weight: f64 = levels.iter().map(|l| l.sigma.powi(-2)).sum();
        let mean = levels.iter().map(|l| l.value * l.sigma.powi(-2)).sum::<f64>() / weight;
        chi2 += levels.iter().map(|l| ((l.value - mean) / l.sigma).powi(2)).sum::<f64>();
        freedom += levels.len().saturating_sub(1);
        let n = levels.len().max(2) as f64;
        let scatter = levels.iter().map(|l| (l.value - mean).powi(2)).sum::<f64>() / (n - 1.0);
        excess += 0.5 * (scatter - levels.iter().map(|l| l.sigma * l.sigma).sum::<f64>() / n);
    }
    let change_chance = (freedom > 0).then(|| gamma_ur(freedom as f64 / 2.0, (chi2 / 2.0).max(1e-300)));
    let constant_sigma = (0.5 * (first.1.powi(2) + second.1.powi(2))).sqrt();
    Some(Elongation { fit, constant, constant_sigma, change_chance, change: excess.max(0.0).sqrt() })
}
