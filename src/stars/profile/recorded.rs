//! Width of a star image as recorded: of the profile after the pixel.

use std::f64::consts::PI;

use super::moffat::{GAUSS_LEGENDRE, Prepared, Radial};

/// Rounds that a crossing is sought in, and the change of its place at which it is found, px.
const ROUNDS: usize = 30;
const SETTLED_PX: f64 = 1e-7;
/// Directions in which the contour is followed, over half a turn.
const DIRECTIONS: usize = 8;

/// FWHM of the image after the pixel has blurred it, px: `2 sqrt(A / pi)` with A the area within the contour at half of the
/// maximum, and so an average over all directions.
///
/// Solved on the model itself. The quadrature rule `sqrt(FWHM^2 + 0.462)` is low by up to 3 % near 1 px.
pub(crate) fn recorded_fwhm<R: Radial>(prepared: &Prepared<R>) -> f64 {
    let half = 0.5 * prepared.fine(0.0, 0.0);
    let mut sum = 0.0;
    for i in 0..DIRECTIONS {
        let (sin, cos) = (PI * (i as f64 + 0.5) / DIRECTIONS as f64).sin_cos();
        let at = |r: f64| prepared.fine(r * cos, r * sin) - half;
        // Half of the width before the pixel lies below, that and the pixel's diagonal above.
        let inner = prepared.form.rho2(cos, sin).sqrt().recip();
        sum += crossing(at, inner, inner + 0.75).powi(2);
    }
    2.0 * (sum / DIRECTIONS as f64).sqrt()
}

/// Where a falling function passes zero between two places: secants that keep the bracket (Illinois rule).
fn crossing(f: impl Fn(f64) -> f64, low: f64, high: f64) -> f64 {
    let (mut a, mut b) = ((low, f(low)), (high, f(high)));
    let mut last = low;
    for _ in 0..ROUNDS {
        let x = (a.0 * b.1 - b.0 * a.1) / (b.1 - a.1);
        let y = f(x);
        if (x - last).abs() < SETTLED_PX {
            return x;
        }
        last = x;
        if y * b.1 < 0.0 {
            a = b;
        } else {
            a.1 *= 0.5;
        }
        b = (x, y);
    }
    last
}

impl<R: Radial> Prepared<R> {
    /// The pixel integral by 4x4 cells of the highest order: exact to 1e-9 for any star that can be measured.
    pub fn fine(&self, dx: f64, dy: f64) -> f64 {
        const CELLS: usize = 4;
        let mut sum = 0.0;
        for cell in 0..CELLS * CELLS {
            let centre = |i: usize| (i as f64 + 0.5) / CELLS as f64 - 0.5;
            let (cx, cy) = (centre(cell % CELLS), centre(cell / CELLS));
            for (oy, wy) in GAUSS_LEGENDRE[3] {
                for (ox, wx) in GAUSS_LEGENDRE[3] {
                    let (x, y) = (dx + cx + ox / CELLS as f64, dy + cy + oy / CELLS as f64);
                    sum += wx * wy * self.radial.at(self.form.rho2(x, y)).0;
                }
            }
        }
        sum / (CELLS * CELLS) as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::{ImageParts, RadialTable};
    use crate::stars::Shape;

    // galsim 2.8.5: area of the contour of Gaussian(fwhm) times Pixel(1), drawn 64 times a FWHM. Along a row of pixels it is up to
    // 0.4 % less (C1.10). beta = 500 stands for the Gaussian; its width after the pixel differs by less than 0.1 %.
    #[test]
    fn recorded_width_of_a_gaussian() {
        for (before, after) in [(1.0, 1.254_71), (1.5, 1.661_51), (2.0, 2.118_72), (3.0, 3.078_02), (4.0, 4.058_71)] {
            let got = recorded_fwhm(&Shape::new(before, 0.0, 0.0, f64::INFINITY).prepare());
            assert!((got / after - 1.0).abs() < 1e-3, "{before}: {got} {after}");
        }
    }

    #[test]
    fn recorded_width_of_turbulence_and_moffats() {
        // galsim 2.8.5, area of the contour of the image times the pixel: Moffat(beta=3.5) of 1.5, 2.2, 4.5 px.
        for (before, after) in [(1.5, 1.7243), (2.2, 2.3545), (4.5, 4.5760)] {
            let got = recorded_fwhm(&Shape::new(before, 0.0, 0.0, 3.5).prepare());
            assert!((got / after - 1.0).abs() < 1e-4, "{before}: {got} {after}");
        }
        // The same of Kolmogorov(fwhm) of 1, 1.5, 2, 3 px, here by the parts that meet it best.
        let parts = ImageParts { inverse_beta: 0.433_8, gaussian: 0.621_2, aperture: None };
        let table = RadialTable::image(&parts);
        for (before, after) in [(1.0, 1.2925), (1.5, 1.6910), (2.0, 2.1419), (3.0, 3.0936)] {
            let got = recorded_fwhm(&Shape::new(before, 0.0, 0.0, 2.15).filled_by(&table));
            assert!((got / after - 1.0).abs() < 5e-4, "{before}: {got} {after}");
        }
    }
}
