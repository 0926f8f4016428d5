//! Fitted images that are pairs: drawn out as no star near them is.

use crate::stats::median;

use crate::stars::star::Star;

/// Elongation (`e` of the shape) beyond that of the stars around from which an image is a pair. Two equal stars one FWHM
/// apart have 0.45 by their second moments, at a ratio of 0.4 they have 0.4; a fit sees somewhat less.
const PAIR_ELONGATION: f64 = 0.22;
/// Standard errors that the elongation must lie beyond.
const PAIR_SIGMAS: f64 = 4.0;
/// Stars around that tell what tracking and optics do there: tilt and field curvature change slowly over the frame.
const AROUND: usize = 7;

/// For each star, whether its elongation is its own and not that of the frame or of its part of the frame.
pub(crate) fn unlike_their_neighbours(stars: &[Star]) -> Vec<bool> {
    let shape = |s: &Star| (s.fit.shape.e1, s.fit.shape.e2);
    let middle = |of: &mut dyn Iterator<Item = (f64, f64)>| {
        let (e1, e2): (Vec<f64>, Vec<f64>) = of.unzip();
        Some((median(&e1)?, median(&e2)?))
    };
    let apart = |s: &Star, (e1, e2): (f64, f64)| (s.fit.shape.e1 - e1).hypot(s.fit.shape.e2 - e2);
    let Some(frame) = middle(&mut stars.iter().map(shape)).filter(|_| stars.len() > AROUND) else {
        return vec![false; stars.len()];
    };
    let is_pair = |i: usize| {
        let s = &stars[i];
        let limit = PAIR_ELONGATION.max(PAIR_SIGMAS * s.fit.sigma_e1.hypot(s.fit.sigma_e2));
        if apart(s, frame) < limit {
            return false;
        }
        let distance = |k: &usize| (stars[*k].fit.x - s.fit.x).hypot(stars[*k].fit.y - s.fit.y);
        let mut others: Vec<usize> = (0..stars.len()).filter(|k| *k != i).collect();
        others.sort_by(|a, b| distance(a).total_cmp(&distance(b)));
        middle(&mut others.iter().take(AROUND).map(|k| shape(&stars[*k]))).is_some_and(|m| apart(s, m) >= limit)
    };
    (0..stars.len()).map(is_pair).collect()
}
