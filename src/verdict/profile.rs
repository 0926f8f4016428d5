//! The star image before the pixel: what a frame's stars share, or a round Moffat with the Gaussian as its limit of infinite
//! `beta`.
//!
//! `I(r) = I0 (1 + r^2/a^2)^-beta`. Source: Moffat 1969, A&A 3, 455 (from memory). Lengths are pixels, flux is 1.

use std::f64::consts::{LN_2, PI};

use crate::image::StarImage;
use crate::image::quadrature::{gauss_legendre, panelled};
use crate::stats::FWHM_PER_SIGMA;

/// Panels a pixel side is cut into, and points a panel: holds 1e-6 of a pixel's flux down to a FWHM of 0.3 px.
const PIXEL_PANELS: usize = 4;
const PIXEL_POINTS: usize = 8;

/// Halvings of the bracket of a half-maximum point: 60 leave less than rounding of a bracket of any sensible width.
const BISECTIONS: usize = 60;

/// A round star image of unit flux.
#[derive(Debug, Clone, Copy)]
pub struct StarProfile<'a> {
    /// Full width at half maximum, px.
    fwhm_px: f64,
    /// Exponent of the wings; infinite for a Gaussian.
    beta: f64,
    /// The image, where it is known better than by its exponent.
    image: Option<&'a StarImage>,
}

impl<'a> StarProfile<'a> {
    /// A profile of the given FWHM (px) and `beta`. `None` unless FWHM > 0 and beta > 1 (else the flux is infinite).
    pub fn new(fwhm_px: f64, beta: f64) -> Option<Self> {
        (fwhm_px.is_finite() && fwhm_px > 0.0 && beta > 1.0).then_some(Self { fwhm_px, beta, image: None })
    }

    /// A Gaussian of the given FWHM (px).
    pub fn gaussian(fwhm_px: f64) -> Option<Self> {
        Self::new(fwhm_px, f64::INFINITY)
    }

    /// An image of the given FWHM (px). `None` unless FWHM > 0.
    pub fn of_image(fwhm_px: f64, image: &'a StarImage) -> Option<Self> {
        let beta = image.parts().inverse_beta.recip();
        Self::new(fwhm_px, beta).map(|star| Self { image: Some(image), ..star })
    }

    /// The same image of another FWHM (px).
    pub fn with_fwhm(self, fwhm_px: f64) -> Option<Self> {
        Self::new(fwhm_px, self.beta).map(|star| Self { image: self.image, ..star })
    }

    /// Transfer function at the frequency `f`, cycles per pixel, where the image is known.
    pub fn image_transfer(self, f: f64) -> Option<f64> {
        self.image.map(|i| i.transfer(PI * f.abs() * self.fwhm_px))
    }

    /// Full width at half maximum, px.
    pub fn fwhm_px(self) -> f64 {
        self.fwhm_px
    }

    /// Exponent of the wings; infinite for a Gaussian.
    pub fn beta(self) -> f64 {
        self.beta
    }

    /// Whether this is the Gaussian limit.
    pub fn is_gaussian(self) -> bool {
        self.beta.is_infinite()
    }

    /// Standard deviation of the Gaussian of this FWHM, px.
    pub fn sigma_px(self) -> f64 {
        self.fwhm_px / FWHM_PER_SIGMA
    }

    /// Moffat radius `a`, px: `FWHM = 2 a sqrt(2^(1/beta) - 1)`. Infinite for a Gaussian.
    pub fn radius_px(self) -> f64 {
        0.5 * self.fwhm_px / (LN_2 / self.beta).exp_m1().sqrt()
    }

    /// Flux per px^2 at the distance whose square is `r2`, px^2: `(beta - 1)/(pi a^2) (1 + r^2/a^2)^-beta`.
    pub fn density(self, r2: f64) -> f64 {
        if let Some(image) = self.image {
            let half2 = (0.5 * self.fwhm_px).powi(2);
            return image.density(r2 / half2) / half2;
        }
        if self.is_gaussian() {
            let s2 = self.sigma_px().powi(2);
            return (-0.5 * r2 / s2).exp() / (2.0 * PI * s2);
        }
        let a2 = self.radius_px().powi(2);
        (self.beta - 1.0) / (PI * a2) * (-self.beta * (r2 / a2).ln_1p()).exp()
    }

    /// Share of a Moffat's flux within `r_px`: `1 - (1 + r^2/a^2)^(1 - beta)`.
    #[cfg(test)]
    fn encircled(self, r_px: f64) -> f64 {
        if self.is_gaussian() {
            return -(-0.5 * (r_px / self.sigma_px()).powi(2)).exp_m1();
        }
        -((1.0 - self.beta) * (r_px / self.radius_px()).powi(2).ln_1p()).exp_m1()
    }

    /// Diameter that holds half of a Moffat's flux, px: `2 a sqrt(2^(1/(beta - 1)) - 1)`; the FWHM for a Gaussian.
    #[cfg(test)]
    fn half_flux_diameter_px(self) -> f64 {
        if self.is_gaussian() {
            return self.fwhm_px;
        }
        2.0 * self.radius_px() * (LN_2 / (self.beta - 1.0)).exp_m1().sqrt()
    }

    /// Effective area `1 / integral(P^2)`, px^2: `pi a^2 (2 beta - 1)/(beta - 1)^2`, `4 pi sigma^2` for a Gaussian.
    ///
    /// Source: King 1983, PASP 95, 163 (from memory).
    pub fn effective_area_px2(self) -> f64 {
        if let Some(image) = self.image {
            return image.effective_area() * (0.5 * self.fwhm_px).powi(2);
        }
        if self.is_gaussian() {
            return 4.0 * PI * self.sigma_px().powi(2);
        }
        PI * self.radius_px().powi(2) * (2.0 * self.beta - 1.0) / (self.beta - 1.0).powi(2)
    }

    /// What a unit pixel adds to the effective area, px^2, to second order in pixel over FWHM: pi/3 for a Gaussian.
    ///
    /// Formula: `A^2/12 integral |grad P|^2 = pi/6 beta (2 beta - 1)^2 / ((2 beta + 1)(beta - 1)^2)`, derived from the
    /// expansion of the pixel's transfer function; valid from 1 px FWHM on to 2 %.
    pub fn pixel_area_term_px2(self) -> f64 {
        if let Some(image) = self.image {
            return image.effective_area().powi(2) * image.squared_slope() / 12.0;
        }
        let b = self.beta;
        if self.is_gaussian() {
            return PI / 3.0;
        }
        PI / 6.0 * b * (2.0 * b - 1.0).powi(2) / ((2.0 * b + 1.0) * (b - 1.0).powi(2))
    }

    /// Flux that a unit pixel gathers whose centre lies `dx`, `dy` px from the star, by quadrature over the pixel.
    pub fn pixel_flux(self, dx: f64, dy: f64) -> f64 {
        self.flux_over(&pixel_nodes(), dx, dy)
    }

    fn flux_over(self, nodes: &[(f64, f64)], dx: f64, dy: f64) -> f64 {
        let row = |y: f64| nodes.iter().map(|(x, w)| w * self.density((dx + x).powi(2) + y * y)).sum::<f64>();
        nodes.iter().map(|(y, w)| w * row(dy + y)).sum()
    }

    /// FWHM along a pixel row after the pixel has blurred the image, px: of the profile convolved with a unit square.
    pub fn recorded_fwhm_px(self) -> f64 {
        let nodes = pixel_nodes();
        let half = 0.5 * self.flux_over(&nodes, 0.0, 0.0);
        // A pixel never adds more than its own width.
        let (mut low, mut high) = (0.0, 0.5 * (self.fwhm_px + 1.5));
        for _ in 0..BISECTIONS {
            let mid = 0.5 * (low + high);
            if self.flux_over(&nodes, mid, 0.0) > half {
                low = mid;
            } else {
                high = mid;
            }
        }
        low + high
    }
}

fn pixel_nodes() -> Vec<(f64, f64)> {
    panelled(&gauss_legendre(PIXEL_POINTS), -0.5, 0.5, PIXEL_PANELS)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The check values carry six or seven digits.
    const PRINTED: f64 = 5e-6;

    fn near(got: f64, want: f64, relative: f64) {
        assert!((got / want - 1.0).abs() < relative, "{got} against {want}");
    }

    /// Moffat profile of radius 2 px: the inverse of `radius_px`, written out the other way round.
    fn of_radius_two(beta: f64) -> StarProfile<'static> {
        StarProfile::new(4.0 * (2.0_f64.powf(1.0 / beta) - 1.0).sqrt(), beta).unwrap()
    }

    #[test]
    fn radius_and_fwhm_agree() {
        // Check values C1.4, C1.5 (numpy 2.4.6, scipy 1.17.1).
        for (beta, fwhm) in [(2.5, 2.261001), (3.0, 2.039298), (4.765, 1.582802)] {
            near(StarProfile::new(fwhm, beta).unwrap().radius_px(), 2.0, PRINTED);
        }
        for (beta, radius) in [(2.5, 2.653692), (4.765, 3.790747)] {
            near(StarProfile::new(3.0, beta).unwrap().radius_px(), radius, PRINTED);
        }
    }

    #[test]
    fn peak_encircled_flux_and_half_flux_diameter() {
        // Check values C1.6, C1.7.
        near(of_radius_two(2.5).density(0.0), 0.119_366_2, PRINTED);
        near(of_radius_two(2.5).encircled(4.0), 0.910_557_3, PRINTED);
        for (beta, ratio) in [(2.5, 1.355897), (3.0, 1.262384), (4.765, 1.136211)] {
            near(StarProfile::new(3.0, beta).unwrap().half_flux_diameter_px() / 3.0, ratio, PRINTED);
        }
    }

    #[test]
    fn half_the_flux_lies_within_the_half_flux_diameter() {
        for beta in [1.5, 2.5, 4.765, 40.0, f64::INFINITY] {
            let star = StarProfile::new(2.7, beta).unwrap();
            near(star.encircled(0.5 * star.half_flux_diameter_px()), 0.5, 1e-12);
        }
    }

    #[test]
    fn effective_area() {
        // Check value C3.5.
        near(StarProfile::gaussian(3.0).unwrap().effective_area_px2(), 20.39562, PRINTED);
        for (beta, area) in [(4.765, 27.16555), (3.0, 33.99390), (2.5, 39.33039)] {
            near(StarProfile::new(3.0, beta).unwrap().effective_area_px2(), area, PRINTED);
        }
    }

    #[test]
    fn flux_of_single_pixels() {
        // Check values C1.8, C1.9 (error-function form, scipy).
        let sigma = |s: f64| StarProfile::gaussian(s * FWHM_PER_SIGMA).unwrap();
        near(sigma(1.0).pixel_flux(0.0, 0.0), 0.146_631_5, PRINTED);
        near(StarProfile::gaussian(2.0).unwrap().pixel_flux(0.0, 0.0), 0.197_083_5, PRINTED);
        near(StarProfile::gaussian(2.0).unwrap().pixel_flux(0.3, -0.2), 0.181_897_7, PRINTED);
        near(sigma(1.5).pixel_flux(2.0, 1.0), 0.023_368_78, PRINTED);
    }

    #[test]
    fn pixels_that_share_a_star_depend_on_where_it_stands() {
        // Check value C2.5: 1/sum P^2 of a Gaussian of 1 px FWHM on a pixel's centre and on its corner.
        let star = StarProfile::gaussian(1.0).unwrap();
        for (offset, n) in [(0.0, 2.70924), (0.5, 4.30770)] {
            let at = |k: i32| f64::from(k) + offset;
            let squares: f64 = (-4..=4)
                .flat_map(|y| (-4..=4).map(move |x| (x, y)))
                .map(|(x, y)| star.pixel_flux(at(x), at(y)).powi(2))
                .sum();
            near(squares.recip(), n, PRINTED);
        }
    }

    #[test]
    fn the_best_round_aperture_on_the_sky() {
        // Check value C3.6: r = 0.673173 FWHM holds 71.5332 % of a Gaussian's flux, and EE/r is greatest there.
        let star = StarProfile::gaussian(1.0).unwrap();
        near(star.encircled(0.673_173), 0.715_332, PRINTED);
        let kept = |r: f64| star.encircled(r) / r;
        assert!(kept(0.673_173) > kept(0.66) && kept(0.673_173) > kept(0.69));
    }

    #[test]
    fn the_pixel_widens_a_gaussian() {
        // Check value C1.10 (root of the error-function form).
        for (f, wide) in [(1.0, 1.24937), (1.5, 1.66021), (2.0, 2.11823), (3.0, 3.07784), (4.0, 4.05811)] {
            near(StarProfile::gaussian(f).unwrap().recorded_fwhm_px(), wide, PRINTED);
        }
    }

    #[test]
    fn a_large_beta_is_a_gaussian() {
        // A Moffat differs from its Gaussian by terms of order 1/beta.
        let (moffat, gauss) = (StarProfile::new(2.0, 1e7).unwrap(), StarProfile::gaussian(2.0).unwrap());
        near(moffat.effective_area_px2(), gauss.effective_area_px2(), 1e-6);
        near(moffat.pixel_area_term_px2(), gauss.pixel_area_term_px2(), 1e-6);
        near(moffat.density(1.3), gauss.density(1.3), 1e-6);
    }

    #[test]
    fn impossible_profiles_are_refused() {
        assert!(StarProfile::new(0.0, 3.0).is_none());
        assert!(StarProfile::new(2.0, 1.0).is_none());
        assert!(StarProfile::new(f64::NAN, 3.0).is_none());
        assert!(StarProfile::new(2.0, f64::NAN).is_none());
    }
}
