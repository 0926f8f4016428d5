//! The contour of a star image at half of its maximum, traced on the image itself.

use std::f64::consts::{PI, TAU};

use ndarray::Array2;

use super::{Profile, SimStar};

/// Rays on which the contour is looked for, and samples per FWHM of the image that they cross.
const RAYS: usize = 180;
const PER_FWHM: f64 = 16.0;

/// A contour, taken as an ellipse where axes are asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Contour {
    /// `2 sqrt(A / pi)` of the area A inside, px.
    pub fwhm_px: f64,
    /// 1 - minor/major of the ellipse that is nearest in the inverse square of the radius.
    pub ellipticity: f64,
}

impl Contour {
    /// Of a star before the pixel.
    pub fn before_pixel(star: &SimStar) -> Self {
        Self::of(star, false)
    }

    /// Of the same image as pixels record it, were they as dense as one likes: each the integral over its square.
    pub fn recorded(star: &SimStar) -> Self {
        Self::of(star, true)
    }

    fn of(star: &SimStar, behind_pixel: bool) -> Self {
        let per_px = (PER_FWHM / star.fwhm_minor_px).ceil() as usize;
        let image = Profile::new(*star).fine(per_px, behind_pixel);
        Self::traced(&image, per_px as f64)
    }

    /// On an image whose maximum is its middle sample.
    fn traced(image: &Array2<f64>, per_px: f64) -> Self {
        let middle = (image.nrows() / 2) as f64;
        let half = 0.5 * cubic(image, middle, middle);
        let radius = |angle: f64| {
            let (sin, cos) = angle.sin_cos();
            let at = |r: f64| cubic(image, middle + r * cos, middle + r * sin);
            let beyond = (1..).map(f64::from).find(|r| at(*r) < half).expect("the image falls to its edge");
            let (mut low, mut high) = (beyond - 1.0, beyond);
            for _ in 0..40 {
                let r = 0.5 * (low + high);
                if at(r) > half { low = r } else { high = r }
            }
            low
        };
        let (mut area, mut mean, mut along, mut across) = (0.0, 0.0, 0.0, 0.0);
        for i in 0..RAYS {
            let angle = TAU * i as f64 / RAYS as f64;
            let r2 = radius(angle).powi(2);
            area += PI / RAYS as f64 * r2;
            // 1/r^2 of an ellipse is a constant and a wave of twice the angle.
            mean += r2.recip() / RAYS as f64;
            along += 2.0 * (2.0 * angle).cos() / (r2 * RAYS as f64);
            across += 2.0 * (2.0 * angle).sin() / (r2 * RAYS as f64);
        }
        let wave = along.hypot(across);
        let ratio = ((mean - wave) / (mean + wave)).sqrt();
        Self { fwhm_px: 2.0 * (area / PI).sqrt() / per_px, ellipticity: 1.0 - ratio }
    }
}

/// Cubic interpolation through the four neighbours along each axis (Keys 1981, IEEE Trans. ASSP 29, 1153).
fn cubic(image: &Array2<f64>, x: f64, y: f64) -> f64 {
    let weights = |t: f64| {
        let (a, b) = (1.0 + t, 2.0 - t);
        let near = |d: f64| (1.5 * d - 2.5) * d * d + 1.0;
        let far = |d: f64| ((-0.5 * d + 2.5) * d - 4.0) * d + 2.0;
        [far(a), near(t), near(1.0 - t), far(b)]
    };
    let (i, j) = (x.floor() as usize, y.floor() as usize);
    let (across, down) = (weights(x.fract()), weights(y.fract()));
    let mut sum = 0.0;
    for (wy, row) in down.iter().zip(j - 1..) {
        for (wx, column) in across.iter().zip(i - 1..) {
            sum += wy * wx * image[(row, column)];
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::{StarImage, Turbulence};

    /// What the cubic between samples of a sixteenth of the width costs.
    const TRACED: f64 = 5e-5;

    fn star(image: StarImage, fwhm_px: f64, ratio: f64) -> SimStar {
        let round = SimStar::of(image, 0.0, 0.0, 1.0, fwhm_px);
        let (fwhm_major_px, fwhm_minor_px) = (fwhm_px / ratio.sqrt(), fwhm_px * ratio.sqrt());
        SimStar { fwhm_major_px, fwhm_minor_px, angle_rad: 0.6, ..round }
    }

    #[test]
    fn a_star_states_the_contour_of_its_image() {
        let seen =
            Turbulence { lambda_over_d_px: 1.5, obstruction: 0.38, sigma_px: 0.3, ..Turbulence::kolmogorov(1.2) };
        let turbulent = StarImage::Turbulence(seen);
        for (image, fwhm_px) in [(turbulent, seen.fwhm_px()), (turbulent, 3.1), (StarImage::Moffat { beta: 3.0 }, 2.2)]
        {
            for ratio in [1.0, 0.8] {
                let star = star(image, fwhm_px, ratio);
                let got = Contour::before_pixel(&star);
                assert!((got.fwhm_px / star.fwhm_px() - 1.0).abs() < TRACED, "{image:?}: {got:?}");
                assert!((got.ellipticity - star.ellipticity()).abs() < TRACED, "{image:?}: {got:?}");
            }
        }
    }

    // galsim 2.8.5: Convolve(Kolmogorov(fwhm=f), Pixel(1)) drawn with method='no_pixel' at a scale of 0.005, samples above half of
    // the maximum counted; counting is good to 1e-4.
    #[test]
    fn the_recorded_width_meets_galsim() {
        const COUNTED: f64 = 1.5e-4;
        for (fwhm_px, expected) in [(1.0, 1.29254), (1.5, 1.69088), (2.0, 2.14164), (3.0, 3.09393)] {
            let image = StarImage::Turbulence(Turbulence::kolmogorov(fwhm_px));
            let got = Contour::recorded(&SimStar::of(image, 0.0, 0.0, 1.0, fwhm_px));
            assert!((got.fwhm_px / expected - 1.0).abs() < COUNTED && got.ellipticity < TRACED, "{fwhm_px}: {got:?}");
        }
    }
}
