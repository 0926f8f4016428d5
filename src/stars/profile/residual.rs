//! Whether the stars of a frame obey the image that was fitted to them: their mean residual in cells about the centre.
//!
//! Over many stars a misfit shows long before any single star's chi2 does.

use super::equations::PEAK;
use super::joint::{JointStar, PixelResidual};
use crate::image::RadialTable;

/// Cells a side, over the square that reaches one recorded FWHM from the centre.
const CELLS: usize = 8;
/// Pixels that a cell needs: with fewer, one star decides.
const LEAST_PIXELS: usize = 3;
/// Rings of the radial profile, and their width in recorded FWHM.
const RINGS: usize = 16;
const RING_FWHM: f64 = 0.15;

/// What the stars have in common beyond their model.
#[derive(Debug, Clone)]
pub(crate) struct Misfit {
    /// Root mean square of the mean residual within one recorded FWHM, of the peak, what noise explains taken off.
    pub amplitude: f64,
    /// The mean square over its own standard error: how surely there is any.
    pub significance: f64,
    /// Root mean square of the mean residual of whole rings within one recorded FWHM, what noise explains within one standard error
    /// taken off: what changes the width alike in all directions.
    pub round_amplitude: f64,
    /// Light at distances from the centre.
    pub rings: Vec<Ring>,
}

/// Mean of the stars' recorded light in a ring.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Ring {
    /// Mean distance of its pixels, px.
    pub radius_px: f64,
    /// Light of the model there, of the peak before the pixel.
    pub model: f64,
    /// Mean residual and its error, of the same.
    pub residual: f64,
    pub sigma: f64,
}

#[derive(Debug, Clone, Copy, Default)]
struct Mean {
    weight: f64,
    residual: f64,
    radius: f64,
    model: f64,
    n: usize,
}

impl Mean {
    fn add(&mut self, pixel: &PixelResidual, peak: f64, weight: f64) {
        self.weight += weight;
        self.residual += weight * pixel.residual / peak;
        self.radius += weight * pixel.radius();
        self.model += weight * pixel.light / peak;
        self.n += 1;
    }
}

/// Judges the stars against an image in each one's own shape.
pub(crate) fn misfit(stars: &[JointStar], image: &RadialTable, recorded_fwhm_px: f64) -> Misfit {
    let mut cells = [Mean::default(); CELLS * CELLS];
    let mut rings = [Mean::default(); RINGS];
    for star in stars {
        let peak = star.p[PEAK];
        for pixel in star.residuals(image) {
            let weight = star.noise.weight(pixel.light) * peak * peak;
            let cell = |d: f64| ((d / recorded_fwhm_px + 1.0) * 0.5 * CELLS as f64).floor();
            let (i, j) = (cell(pixel.dx), cell(pixel.dy));
            let inside = 0.0..CELLS as f64;
            if inside.contains(&i) && inside.contains(&j) {
                cells[j as usize * CELLS + i as usize].add(&pixel, peak, weight);
            }
            let ring = (pixel.radius() / (RING_FWHM * recorded_fwhm_px)) as usize;
            if ring < RINGS {
                rings[ring].add(&pixel, peak, weight);
            }
        }
    }
    let told = cells.iter().filter(|c| c.n >= LEAST_PIXELS);
    // The square of a noisy mean is too large by its variance.
    let squares: Vec<f64> = told.map(|c| (c.residual / c.weight).powi(2) - c.weight.recip()).collect();
    let n = squares.len().max(1) as f64;
    let mean = squares.iter().sum::<f64>() / n;
    // The square of a normal value of variance v has the variance 2 v^2.
    let error = cells.iter().filter(|c| c.n >= LEAST_PIXELS).map(|c| 2.0 * c.weight.powi(-2)).sum::<f64>().sqrt() / n;
    let ring = |m: &Mean| Ring {
        radius_px: m.radius / m.weight,
        model: m.model / m.weight,
        residual: m.residual / m.weight,
        sigma: m.weight.sqrt().recip(),
    };
    let significance = if error > 0.0 { mean / error } else { 0.0 };
    let rings: Vec<Ring> = rings.iter().filter(|m| m.n >= LEAST_PIXELS).map(ring).collect();
    let near = || rings.iter().filter(|r| r.radius_px < recorded_fwhm_px);
    let n = near().count().max(1) as f64;
    let square = near().map(|r| r.residual.powi(2) - r.sigma.powi(2)).sum::<f64>() / n;
    let error = near().map(|r| 2.0 * r.sigma.powi(4)).sum::<f64>().sqrt() / n;
    let round_amplitude = (square - error).max(0.0).sqrt();
    Misfit { amplitude: mean.max(0.0).sqrt(), significance, round_amplitude, rings }
}
