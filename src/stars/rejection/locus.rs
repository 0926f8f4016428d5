//! The width that a frame's stars share: they have one at all brightnesses, while galaxies, tracks and knots of a nebula
//! have any.
//!
//! Fitted images that agree within their errors, and more of them than stand beside them in width, are the stars.

use std::cmp::Ordering;

use statrs::distribution::{Binomial, DiscreteCDF};

use crate::stars::profile::fit::StarFit;
use crate::stats::median;

/// Least half width of the window in which stars agree, in ln FWHM: optics change the width over a frame by as much where
/// the surface below does not follow.
const LEAST_HALF: f64 = 0.04;
/// Standard errors of a typical fit that the window reaches to either side.
const SIGMAS: f64 = 2.5;
/// Its most, in ln FWHM: images that agree only so are no measure of a width.
const MOST_HALF: f64 = 0.3;
/// Range of ln FWHM that images without a common width fill: from 0.6 to 1.8 times, within which fits are kept at all.
const RANGE: f64 = 1.1;
/// Chance that images of any width agree so, below which they are stars: once in a hundred frames that show none.
const CHANCE: f64 = 0.01;
/// Standard deviations by which the window must hold more than those beside it.
const CONTRAST_SIGMAS: f64 = 3.0;
/// Share of the images that must agree for a frame's widths to be taken as they are, without a look beside.
const NEARLY_ALL: f64 = 0.8;
/// Fits from which a tilt of the focal surface is followed: three numbers from fewer would make them agree.
const LEAST_FOR_TILT: usize = 12;
/// Rounds in which surface and members settle.
const ROUNDS: usize = 3;
/// Standard deviations from the common width at its place, its own error included, beyond which an image is no star.
const UNLIKE_SIGMAS: f64 = 5.0;
/// Images around that tell what the optics do there.
const AROUND: usize = 7;
/// Terms of the surface over the frame: level, tilt along both axes, curvature.
const TERMS: usize = 4;

/// The common width of a frame's stars.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Locus {
    /// ln FWHM over the frame: level, per px along x and y from the centre, per px^2.
    surface: [f64; TERMS],
    centre: (f64, f64),
    half: f64,
    /// Whether nearly all images agree: those that do not may lie where the optics widen more than the surface follows.
    nearly_all: bool,
}

impl Locus {
    /// The locus of fitted images; `None` where there is none. At least three have to agree.
    pub fn of<'a>(fits: impl Iterator<Item = &'a StarFit>, (columns, rows): (usize, usize)) -> Option<Self> {
        let centre = (0.5 * columns as f64, 0.5 * rows as f64);
        let scale = centre.0.hypot(centre.1).max(1.0);
        let images: Vec<Image> = fits
            .map(|f| {
                let (u, v) = ((f.x - centre.0) / scale, (f.y - centre.1) / scale);
                Image { ln_width: f.shape.fwhm_px().ln(), sigma: f.sigma_ln_width, terms: [1.0, u, v, u * u + v * v] }
            })
            .collect();
        let sigma = median(&images.iter().map(|i| i.sigma).collect::<Vec<_>>())?;
        let half = (SIGMAS * sigma).max(LEAST_HALF);
        if images.len() < 3 || half > MOST_HALF {
            return None;
        }
        // Where all are stars their middle is a start; among many galaxies only the densest place is.
        let starts = [median(&images.iter().map(|i| i.ln_width).collect::<Vec<_>>())?, densest(&images, half)];
        let settled = starts.iter().map(|start| settle(&images, *start, half));
        let (surface, agreeing) = settled.max_by_key(|s| s.1)?;
        let found = Self {
            surface: [surface[0], surface[1] / scale, surface[2] / scale, surface[3] / (scale * scale)],
            centre,
            half,
            nearly_all: agreeing as f64 >= NEARLY_ALL * images.len() as f64,
        };
        is_real(&images, &surface, half, agreeing).then_some(found)
    }

    /// How each image is unlike the stars at its place: `Less` where it is sharper, `Greater` where it is wider.
    pub fn unlike(&self, fits: &[&StarFit]) -> Vec<Option<Ordering>> {
        let ln_width = |k: usize| fits[k].shape.fwhm_px().ln();
        let of = |k: usize| {
            let fit = fits[k];
            let error = (self.half / SIGMAS).hypot(fit.sigma_ln_width);
            let apart = |from: f64| (ln_width(k) - from).abs() > UNLIKE_SIGMAS * error;
            let here = self.ln_width_at(fit);
            if !apart(here) || (self.nearly_all && !apart(around(fits, k).unwrap_or(here))) {
                return None;
            }
            Some(ln_width(k).total_cmp(&here))
        };
        (0..fits.len()).map(of).collect()
    }

    fn ln_width_at(&self, fit: &StarFit) -> f64 {
        let (x, y) = (fit.x - self.centre.0, fit.y - self.centre.1);
        let [level, along, down, bend] = self.surface;
        level + along * x + down * y + bend * (x * x + y * y)
    }
}

/// Median ln FWHM of the images nearest to one.
fn around(fits: &[&StarFit], k: usize) -> Option<f64> {
    let distance2 = |i: &usize| (fits[*i].x - fits[k].x).powi(2) + (fits[*i].y - fits[k].y).powi(2);
    let mut others: Vec<usize> = (0..fits.len()).filter(|i| *i != k).collect();
    others.sort_by(|a, b| distance2(a).total_cmp(&distance2(b)));
    median(&others.iter().take(AROUND).map(|i| fits[*i].shape.fwhm_px().ln()).collect::<Vec<_>>())
}

/// A fitted image.
struct Image {
    ln_width: f64,
    sigma: f64,
    terms: [f64; TERMS],
}

impl Image {
    fn beyond(&self, surface: &[f64; TERMS]) -> f64 {
        self.ln_width - self.terms.iter().zip(surface).map(|(t, s)| t * s).sum::<f64>()
    }
}

/// Middle of the window that holds most images; the narrower of two, since galaxies are wider than stars.
fn densest(images: &[Image], half: f64) -> f64 {
    let mut widths: Vec<f64> = images.iter().map(|i| i.ln_width).collect();
    widths.sort_by(f64::total_cmp);
    let (mut best, mut most, mut end) = (widths[0], 0, 0);
    for (first, low) in widths.iter().enumerate() {
        while end < widths.len() && widths[end] <= low + 2.0 * half {
            end += 1;
        }
        if end - first > most {
            (best, most) = (low + half, end - first);
        }
    }
    best
}

/// Surface through the images near it, and how many these are.
fn settle(images: &[Image], start: f64, half: f64) -> ([f64; TERMS], usize) {
    let mut surface = [start, 0.0, 0.0, 0.0];
    let near = |surface: &[f64; TERMS], reach: f64| -> Vec<&Image> {
        images.iter().filter(|i| i.beyond(surface).abs() <= reach).collect()
    };
    for round in 0..ROUNDS {
        // A tilted frame's stars spread at first over more than the window.
        let members = near(&surface, half * (ROUNDS - round) as f64);
        let level = [median(&members.iter().map(|i| i.ln_width).collect::<Vec<_>>()).unwrap_or(start), 0.0, 0.0, 0.0];
        surface = if members.len() >= LEAST_FOR_TILT { through(&members).unwrap_or(level) } else { level };
    }
    let agreeing = near(&surface, half).len();
    (surface, agreeing)
}

/// Least squares, each image weighed by its error and a floor that keeps the brightest from deciding alone.
fn through(members: &[&Image]) -> Option<[f64; TERMS]> {
    let (mut matrix, mut right) = (nalgebra::Matrix4::<f64>::zeros(), nalgebra::Vector4::zeros());
    for image in members {
        let terms = nalgebra::Vector4::from(image.terms);
        let weight = (image.sigma.powi(2) + LEAST_HALF.powi(2)).recip();
        matrix += terms * terms.transpose() * weight;
        right += terms * (image.ln_width * weight);
    }
    let solved = matrix.cholesky()?.solve(&right);
    Some([solved[0], solved[1], solved[2], solved[3]])
}

/// Whether so many images agree neither by chance nor as part of a broad distribution.
fn is_real(images: &[Image], surface: &[f64; TERMS], half: f64, agreeing: usize) -> bool {
    let n = images.len();
    let share = (2.0 * half / RANGE).min(1.0);
    // Any of the images may stand at the middle of the window.
    if agreeing < 3 || n as f64 * at_least(n - 1, agreeing - 1, share) > CHANCE {
        return false;
    }
    let within = |from: f64, to: f64| images.iter().filter(|i| (from..to).contains(&i.beyond(surface))).count() as f64;
    let beside = within(-3.0 * half, -half).max(within(half, 3.0 * half));
    let inside = agreeing as f64;
    inside >= NEARLY_ALL * n as f64 || inside - beside > CONTRAST_SIGMAS * (inside + beside).sqrt()
}

/// Chance of at least `k` of `n` where each has `p`.
fn at_least(n: usize, k: usize, p: f64) -> f64 {
    let Some(fewer) = k.checked_sub(1) else { return 1.0 };
    Binomial::new(p, n as u64).map_or(1.0, |law| law.sf(fewer as u64))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn chances_are_those_of_the_binomial_law() {
        // 1 - 0.5^4; 5 * 0.1^4 * 0.9 + 0.1^5; and one certain event.
        assert!((at_least(4, 1, 0.5) - 0.9375).abs() < 1e-12);
        assert!((at_least(5, 4, 0.1) - 0.00046).abs() < 1e-12);
        assert_eq!(at_least(9, 0, 0.3), 1.0);
        assert!(at_least(300, 250, 0.1) < 1e-60);
    }
}
