//! What whole rows and whole columns of the difference of two frames share.

use rayon::prelude::*;

use crate::stats;

use super::bias::CELL_CLIP_SIGMAS;
use super::spread::Spread;

/// Half width of the window of a line's mean, in standard deviations.
const WINDOW_SIGMAS: f64 = 5.0;
/// Lines wander where the variance of their means exceeds what pixel noise explains by this many of its standard errors.
const WANDER_ERRORS: f64 = 5.0;

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
    /// Measures `count` lines of `length` pixels each, `at(line, place)`; `rough` is the spread of all pixels.
    pub fn new(
        count: usize,
        length: usize,
        step: f64,
        rough: &Spread,
        at: impl Fn(usize, usize) -> f64 + Sync + Send,
    ) -> Self {
        let half = (WINDOW_SIGMAS * rough.variance.sqrt()).max(1.5 * step);
        let mean_of = |line: usize| {
            let inside = (0..length).map(|i| at(line, i)).filter(|d| (d - rough.mean).abs() <= half);
            let (sum, n) = inside.fold((0.0, 0usize), |(s, n), d| (s + d, n + 1));
            if n > 0 { sum / n as f64 } else { rough.mean }
        };
        let means: Vec<f64> = (0..count).into_par_iter().map(mean_of).collect();
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
