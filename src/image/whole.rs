//! A star image with all that follows from it: light, transfer function, power.

use std::f64::consts::{LN_2, PI};

use super::elementary::exp_negative;
use super::quadrature::gauss_legendre;
use super::radial::{HIGHEST, ImageParts, RadialTable};
use super::transfer::{Aperture, Seeing};

/// Points of the integrals over the image's power.
const POINTS: usize = 96;

/// FWHM of an aperture's pattern in its unit of length, by halving the bracket of the half of its peak.
fn diffraction_width(aperture: &Aperture) -> f64 {
    let (mut low, mut high) = (0.0, aperture.wave);
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if aperture.light(middle) > 0.5 { low = middle } else { high = middle }
    }
    low + high
}

/// A round star image of half width 1.
#[derive(Debug, Clone)]
pub struct StarImage {
    parts: ImageParts,
    table: RadialTable,
    moffat: Seeing,
    /// Half width of the Moffat.
    scale: f64,
    /// The image without diffraction, and the Moffat's half width where that of it is 1.
    bare: RadialTable,
    bare_scale: f64,
    /// Integrals of the squared image and of its squared slope over the plane, for flux 1.
    square: f64,
    bend: f64,
}

impl StarImage {
    /// The image that these parts make.
    pub fn new(parts: ImageParts) -> Self {
        let moffat = Seeing::moffat(parts.inverse_beta);
        let (table, scale) = RadialTable::solved(&moffat, &parts);
        let (bare, bare_scale) = RadialTable::solved(&moffat, &ImageParts { aperture: None, ..parts });
        let mut this = Self { parts, table, moffat, scale, bare, bare_scale, square: 0.0, bend: 0.0 };
        for (x, w) in gauss_legendre(POINTS) {
            // Close together near zero, where turbulence has its cusp.
            let u = 0.5 * (x + 1.0);
            let k = HIGHEST * u * u;
            // Parseval: the integral of a square is that of the squared transfer function over the frequencies, over (2 pi)^2.
            let power = this.transfer(k).powi(2) * k * w * HIGHEST * u / (2.0 * PI);
            this.square += power;
            this.bend += power * k * k;
        }
        this
    }

    /// What it is made of.
    pub fn parts(&self) -> &ImageParts {
        &self.parts
    }

    /// Half width of the whole without its diffraction, over that with it.
    pub fn without_diffraction(&self) -> f64 {
        self.scale / self.bare_scale
    }

    /// Half widths of the parts by themselves, over that of the whole: all but diffraction, diffraction. Moffat and Gaussian are not
    /// told apart: turbulence alone takes both.
    pub fn half_widths(&self) -> [f64; 2] {
        let diffraction = self.parts.aperture.filter(|a| a.wave > 0.0).map_or(0.0, |a| 0.5 * diffraction_width(&a));
        [self.without_diffraction(), diffraction]
    }

    /// Light of the parts by themselves at a distance in half widths, of each one's peak; `None` of a part that is not there.
    pub fn parts_at(&self, rho: f64) -> [Option<f64>; 2] {
        let diffraction = self.parts.aperture.filter(|a| a.wave > 0.0).map(|a| a.light(rho));
        [Some(self.bare.value((rho / self.without_diffraction()).powi(2))), diffraction]
    }

    /// Transfer function at a frequency in radians per half width; 1 at zero.
    pub fn transfer(&self, k: f64) -> f64 {
        let (z, share) = (k * self.scale, self.parts.gaussian);
        let s2 = share / (1.0 - share) / (2.0 * LN_2);
        let diffraction = self.parts.aperture.filter(|a| a.wave > 0.0).map_or(1.0, |a| a.transfer(k));
        self.moffat.at(z) * exp_negative(-0.5 * z * z * s2) * diffraction
    }

    /// Light per squared half width at the distance whose square is `rho2`, in half widths, for flux 1.
    pub fn density(&self, rho2: f64) -> f64 {
        self.table.value(rho2) / self.table.area
    }

    /// Effective area `1 / integral(P^2)`, squared half widths.
    pub fn effective_area(&self) -> f64 {
        self.square.recip()
    }

    /// Integral of the squared slope over the plane, for flux 1, per half width to the fourth.
    pub fn squared_slope(&self) -> f64 {
        self.bend
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn power_as_an_adaptive_quadrature_has_it() {
        // scipy 1.17 `quad` of T^2 k and T^2 k^3, T as in the test of the table (Moffat, Gaussian, obstructed aperture).
        let aperture = Some(Aperture { wave: 0.575_288_24, obstruction: 0.3 });
        let image = StarImage::new(ImageParts { inverse_beta: 1.0 / 3.0, gaussian: 0.264_705_88, aperture });
        assert!((image.effective_area() / 14.503_855_6 - 1.0).abs() < 1e-4);
        assert!((image.squared_slope() / 0.081_402_28 - 1.0).abs() < 1e-4);
        assert!((image.transfer(1.0) - 0.534_074_39).abs() < 1e-5);
    }

    #[test]
    fn parts_by_themselves_are_those_that_went_in() {
        // galsim 2.8.5: Airy(lam_over_diam=0.8, obscuration=0.3); the whole has the half width 1.390607.
        let aperture = Some(Aperture { wave: 0.575_288_24, obstruction: 0.3 });
        let image = StarImage::new(ImageParts { inverse_beta: 1.0 / 3.0, gaussian: 0.264_705_88, aperture });
        let [rest, diffraction] = image.half_widths().map(|w| w * 1.390_607_26);
        assert!((diffraction / 0.4 - AIRY_OBSTRUCTED).abs() < 1e-4, "{diffraction}");
        // Half of the peak at its own half width, and narrower than the whole.
        assert!(rest < 1.39 && rest > 1.0, "{rest}");
        assert!((image.parts_at(rest / 1.390_607_26)[0].unwrap() - 0.5).abs() < 1e-4);
        assert!((image.parts_at(diffraction / 1.390_607_26)[1].unwrap() - 0.5).abs() < 1e-4);
    }

    /// galsim 2.8.5: width at which Airy(lam_over_diam=1, obscuration=0.3).xValue is half of that at 0 (brentq).
    const AIRY_OBSTRUCTED: f64 = 0.981114;

    #[test]
    fn turbulence_without_its_aperture_is_as_wide_as_it_was() {
        // galsim 2.8.5: Kolmogorov(fwhm=2) with Airy(lam_over_diam=550e-9/0.08*206264.8), FWHM 2.49066; the best image of such parts
        // leaves the turbulence within 0.5 %.
        let wave = 550e-6 / 80.0 * 206_264.8 / (0.5 * 2.490_66);
        let aperture = Some(Aperture { wave, obstruction: 0.0 });
        // The parts that meet Kolmogorov by itself within a ten-thousandth of its peak (scipy `minimize`).
        let image = StarImage::new(ImageParts { inverse_beta: 0.433_8, gaussian: 0.621_2, aperture });
        assert!((image.without_diffraction() * 2.490_66 / 2.0 - 1.0).abs() < 5e-3, "{}", image.without_diffraction());
    }
}
