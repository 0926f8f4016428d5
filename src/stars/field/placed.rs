//! Stars at their places in the frame.

use super::chi::chi;
use crate::stars::Star;

/// Parts of the frame along either axis within which stars may share a flaw: many more than the terms of the surfaces.
const PLACES: usize = 8;

/// The stars of one frame.
#[derive(Debug, Clone, Copy)]
pub struct FieldFrame<'a> {
    pub stars: &'a [Star],
    /// Columns and rows, px.
    pub size: [usize; 2],
}

/// A star at its place.
pub(crate) struct Placed {
    pub frame: usize,
    pub place: usize,
    pub u: f64,
    pub v: f64,
    pub ln_fwhm: f64,
    pub ln_sigma: f64,
    pub chi: [f64; 2],
    pub chi_sigma: [f64; 2],
}

/// The stars of all frames; those whose fits tell nothing are left out.
pub(crate) fn placed(frames: &[FieldFrame]) -> Vec<Placed> {
    let mut stars = Vec::new();
    for (frame, f) in frames.iter().enumerate() {
        let [columns, rows] = f.size.map(|n| n as f64);
        let half_diagonal = columns.hypot(rows) / 2.0;
        let part = |at: f64, n: f64| (((at + 0.5) / n * PLACES as f64).max(0.0) as usize).min(PLACES - 1);
        for star in f.stars {
            let fit = &star.fit;
            let (chi, chi_sigma) = chi(fit);
            stars.push(Placed {
                frame,
                place: part(fit.y, rows) * PLACES + part(fit.x, columns),
                u: (fit.x - (columns - 1.0) / 2.0) / half_diagonal,
                v: (fit.y - (rows - 1.0) / 2.0) / half_diagonal,
                ln_fwhm: fit.shape.fwhm_px().ln(),
                ln_sigma: fit.sigma_ln_width,
                chi,
                chi_sigma,
            });
        }
    }
    let sound = |s: &Placed| [s.ln_fwhm, s.ln_sigma, s.chi_sigma[0], s.chi_sigma[1]].iter().all(|v| v.is_finite());
    stars.retain(|s| sound(s) && s.ln_sigma > 0.0);
    stars
}
