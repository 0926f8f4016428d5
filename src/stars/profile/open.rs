//! What the model of the star image leaves open, and what that means for the width.
//!
//! The image may differ from the model by bumps about some distances from the centre. How large they are expected to be, what
//! the stars say of them and how both move the half-maximum contour is one linear problem: the width is raised by what the stars
//! tell, and its error holds what they cannot tell, most where the pixels are coarse.

use nalgebra::DVector;

use super::joint::Slopes;
use super::shared::{Agreed, Together};
use crate::image::RadialTable;

/// Distances of the bumps from the centre, in half widths, and the end of the last.
const BUMPS: [f64; 7] = [0.0, 0.5, 1.0, 1.5, 2.2, 3.2, 4.8];
const END: f64 = 7.0;
/// Width of a bump over the distance of its neighbours: they overlap to an even whole.
const OVERLAP: f64 = 0.6;
/// Expected height of a bump, of the peak, times the root of the image there: as far as images of turbulence of any outer scale,
/// diffraction and blur lie from the model (`fixtures/star-images/`).
const HEIGHT: f64 = 0.0015;
/// Error that a width keeps however many stars tell it, at this FWHM in px; it falls with the fourth power, as what a pixel hides
/// does.
const LEAST_ERROR: f64 = 0.002;
const LEAST_ERROR_AT_PX: f64 = 1.3;

/// What all widths of a frame have in common.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct CommonWidth {
    /// What the stars' logarithmic widths must be raised by.
    pub raised: f64,
    /// Its error.
    pub sigma: f64,
    /// Error of 1/beta.
    pub inverse_beta_sigma: f64,
}

fn spread(rho: f64) -> f64 {
    (1.0 + rho * rho).sqrt()
}

/// Bump `j` at a distance, 1 at its middle.
fn bump(j: usize, rho: f64) -> f64 {
    let at = |k: usize| spread(BUMPS.get(k).copied().unwrap_or(END));
    // The centre's neighbour on the other side is the one on this side.
    let reach = 0.5 * (at(j + 1) - if j == 0 { 2.0 - at(1) } else { at(j - 1) });
    (-0.5 * ((spread(rho) - spread(BUMPS[j])) / (OVERLAP * reach)).powi(2)).exp()
}

/// What the stars of a frame leave open.
pub(crate) fn left_open(agreed: &mut Agreed, half_width_px: f64) -> Option<CommonWidth> {
    let Agreed { law, theta, stars, here } = agreed;
    let m = law.expected.len();
    let table = &here.table;
    let mut slopes = std::mem::take(&mut here.slopes);
    let height = |rho: f64| HEIGHT * table.value(rho * rho).max(0.0).sqrt();
    slopes.extend((0..BUMPS.len()).map(|j| RadialTable::of(|rho| bump(j, rho) * height(rho))));
    let all = Together::of(stars, table, &Slopes::of(slopes, here.diffraction.take()));
    let mut curvature = all.curvature;
    for k in m..m + BUMPS.len() {
        curvature[(k, k)] += 1.0;
    }
    let (covariance, step) = law.solved(theta, curvature, all.gradient)?;
    // What each shared parameter does to the mean of the stars' widths, and a bump to the contour besides.
    let mut moves = DVector::zeros(step.len());
    let mut total = 0.0;
    for own in all.of_stars.iter().flatten() {
        moves += own.width_slopes() / own.width_variance;
        total += own.width_variance.recip();
    }
    moves /= total;
    let slope_at_half = 2.0 * table.at(1.0).1;
    for j in 0..BUMPS.len() {
        moves[m + j] += (0.5 * bump(j, 0.0) * height(0.0) - bump(j, 1.0) * height(1.0)) / slope_at_half;
    }
    let sigma = (&covariance * &moves).dot(&moves).max(0.0).sqrt();
    let least = LEAST_ERROR * (LEAST_ERROR_AT_PX / (2.0 * half_width_px)).powi(4);
    Some(CommonWidth {
        raised: moves.dot(&step),
        sigma: sigma.hypot(least),
        inverse_beta_sigma: covariance[(0, 0)].sqrt(),
    })
}
