//! Width over the frame: `F = F_frame (1 + a u + b v + c u^2 + d u v + e v^2)`.
//!
//! Fitted to the logarithm of the widths, so that a bright night and a poor one weigh by their relative errors, and each
//! frame has its own level: seeing moves all stars of a frame together.

use nalgebra::SVector;

use crate::stats::grouped::{GroupedFit, Row, fit_grouped};

use super::placed::Placed;

/// Terms beside the level.
pub const WIDTH_TERMS: usize = 5;
/// Linear steps; the surface is nearly linear in its terms, so that three settle to 1e-6.
const STEPS: usize = 5;
/// Least width against the centre's that a step may reach.
const LEAST_RELATIVE: f64 = 0.1;

/// Functions that the terms multiply.
pub(crate) fn basis(u: f64, v: f64) -> [f64; WIDTH_TERMS] {
    [u, v, u * u, u * v, v * v]
}

/// Width against that at the centre.
pub(crate) fn relative_width(terms: &[f64; WIDTH_TERMS], u: f64, v: f64) -> f64 {
    1.0 + basis(u, v).iter().zip(terms).map(|(b, t)| b * t).sum::<f64>()
}

/// Fits the surface. `None` where the stars do not determine it.
pub(crate) fn fit(stars: &[Placed]) -> Option<GroupedFit<WIDTH_TERMS>> {
    let mut terms = SVector::<f64, WIDTH_TERMS>::zeros();
    let mut result = None;
    for _ in 0..STEPS {
        let rows: Vec<Row<WIDTH_TERMS>> = stars
            .iter()
            .map(|s| {
                let functions = SVector::from(basis(s.u, s.v));
                let at = (1.0 + functions.dot(&terms)).max(LEAST_RELATIVE);
                let slope = functions / at;
                Row {
                    group: s.frame,
                    frame: s.frame,
                    place: s.place,
                    y: s.ln_fwhm - at.ln() + slope.dot(&terms),
                    sigma: s.ln_sigma,
                    basis: slope.into(),
                }
            })
            .collect();
        let fit = fit_grouped(&rows)?;
        terms = fit.values;
        result = Some(fit);
    }
    result
}

/// Growth of the width from the centre to a corner, mean over directions, with its error.
pub(crate) fn bend(width: &GroupedFit<WIDTH_TERMS>) -> (f64, f64) {
    width.propagate(|t| 0.5 * (t[2] + t[4]))
}

/// Width at the corners over that at the centre; the terms that change sign from corner to corner leave the mean.
pub(crate) fn mean_of_corners(t: &SVector<f64, WIDTH_TERMS>, [hu, hv]: [f64; 2]) -> f64 {
    1.0 + t[2] * hu * hu + t[4] * hv * hv
}
