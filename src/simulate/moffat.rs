//! Star images integrated over pixels: elliptical Moffat profiles, and the Gaussian as their limit.
//!
//! `I(q) = I0 (1 + q)^-beta` with `q = (u/a)^2 + (v/b)^2` along the axes of the ellipse, `FWHM = 2 a sqrt(2^(1/beta) - 1)`
//! and `I0 = F (beta - 1) / (pi a b)` (Moffat 1969, from memory). Each pixel is integrated by Gauss-Legendre
//! quadrature, finer where the profile is steep; a Gaussian whose axes lie along the pixels is integrated exactly.

use std::f64::consts::{LN_2, PI, SQRT_2};

use ndarray::Array2;
use statrs::function::erf::erf;

use super::SimStar;
use super::footprint::{Footprint, Reach};

/// Width over which Gauss-Legendre quadrature of order 16 keeps the error far below 1e-4 of the peak, in FWHM
/// (measured: `pixel_values_agree_with_a_much_finer_quadrature`).
const CELL_PER_FWHM: f64 = 1.25;
/// Distances from the centre, in FWHM of the minor axis, beyond which orders 4 and 2 are enough (same test).
const NEAR_FWHM: f64 = 3.0;
const FAR_FWHM: f64 = 8.0;

/// Positive nodes on (-1, 1) and their weights (Abramowitz & Stegun 1964, table 25.4; digits from `numpy.leggauss`).
const ORDER_2: [(f64, f64); 1] = [(0.577_350_269_189_625_7, 1.0)];
const ORDER_4: [(f64, f64); 2] =
    [(0.339_981_043_584_856_26, 0.652_145_154_862_546_2), (0.861_136_311_594_052_6, 0.347_854_845_137_453_57)];
const ORDER_8: [(f64, f64); 4] = [
    (0.183_434_642_495_649_78, 0.362_683_783_378_361_66),
    (0.525_532_409_916_329, 0.313_706_645_877_886_9),
    (0.796_666_477_413_626_7, 0.222_381_034_453_374_43),
    (0.960_289_856_497_536_2, 0.101_228_536_290_376_37),
];
const ORDER_16: [(f64, f64); 8] = [
    (0.095_012_509_837_637_44, 0.189_450_610_455_068_64),
    (0.281_603_550_779_258_9, 0.182_603_415_044_923_64),
    (0.458_016_777_657_227_37, 0.169_156_519_395_002_65),
    (0.617_876_244_402_643_8, 0.149_595_988_816_576_7),
    (0.755_404_408_355_003, 0.124_628_971_255_534_07),
    (0.865_631_202_387_831_8, 0.095_158_511_682_492_6),
    (0.944_575_023_073_232_6, 0.062_253_523_938_647_456),
    (0.989_400_934_991_649_9, 0.027_152_459_411_754_176),
];

/// A star with Moffat's profile made ready for evaluation.
#[derive(Debug, Clone, Copy)]
pub struct Moffat {
    star: SimStar,
    beta: f64,
    cos: f64,
    sin: f64,
    /// Scale lengths along the axes, px: Moffat's a, or sigma for a Gaussian.
    scale_major: f64,
    scale_minor: f64,
    peak: f64,
    along_pixels: bool,
}

impl Moffat {
    /// Prepares a star.
    ///
    /// # Panics
    ///
    /// A width that is not positive, or beta not above 1.
    pub fn new(star: SimStar, beta: f64) -> Self {
        assert!(star.fwhm_minor_px > 0.0 && star.fwhm_major_px > 0.0, "a star has a width");
        assert!(beta > 1.0, "the flux of a Moffat profile is finite above beta = 1 only");
        let (scale_of_fwhm, unit_peak) = if beta.is_finite() {
            (0.5 / (2f64.powf(1.0 / beta) - 1.0).sqrt(), (beta - 1.0) / PI)
        } else {
            (1.0 / (8.0 * LN_2).sqrt(), 0.5 / PI)
        };
        let (scale_major, scale_minor) = (star.fwhm_major_px * scale_of_fwhm, star.fwhm_minor_px * scale_of_fwhm);
        let (sin, cos) = star.angle_rad.sin_cos();
        let round = star.fwhm_major_px == star.fwhm_minor_px;
        let along_pixels = beta.is_infinite() && (round || sin == 0.0);
        let peak = star.flux_e * unit_peak / (scale_major * scale_minor);
        Self { star, beta, cos, sin, scale_major, scale_minor, peak, along_pixels }
    }

    /// Square of the distance from the centre in scale lengths, at an offset from the centre in px.
    fn q(&self, dx: f64, dy: f64) -> f64 {
        let u = (dx * self.cos + dy * self.sin) / self.scale_major;
        let v = (dy * self.cos - dx * self.sin) / self.scale_minor;
        u * u + v * v
    }

    /// Surface brightness at an offset from the centre, e- per px.
    pub fn brightness(&self, dx: f64, dy: f64) -> f64 {
        let q = self.q(dx, dy);
        if self.beta.is_finite() { self.peak * (1.0 + q).powf(-self.beta) } else { self.peak * (-0.5 * q).exp() }
    }

    /// Charge in the pixel of column `x` and row `y`, e-.
    pub fn pixel(&self, x: f64, y: f64) -> f64 {
        let (dx, dy) = (x - self.star.x, y - self.star.y);
        if self.along_pixels {
            let strip =
                |d: f64, sigma: f64| 0.5 * (erf((d + 0.5) / (SQRT_2 * sigma)) - erf((d - 0.5) / (SQRT_2 * sigma)));
            return self.star.flux_e * strip(dx, self.scale_major) * strip(dy, self.scale_minor);
        }
        let fwhm = self.star.fwhm_minor_px.min(self.star.fwhm_major_px);
        // The nearest point of the pixel counts, hence the half diagonal.
        let away = (dx.hypot(dy) - SQRT_2 / 2.0).max(0.0) / fwhm;
        match away {
            a if a > FAR_FWHM => self.quadrature(dx, dy, 0.5, &ORDER_2),
            a if a > NEAR_FWHM => self.quadrature(dx, dy, 0.5, &ORDER_4),
            _ if fwhm * CELL_PER_FWHM > 2.0 => self.quadrature(dx, dy, 0.5, &ORDER_8),
            _ => self.cells(dx, dy, (1.0 / (fwhm * CELL_PER_FWHM)).ceil() as usize),
        }
    }

    /// The pixel in `n` by `n` cells, each by the highest order.
    fn cells(&self, dx: f64, dy: f64, n: usize) -> f64 {
        let half = 0.5 / n as f64;
        let at = |i: usize| (2 * i + 1) as f64 * half - 0.5;
        let mut sum = 0.0;
        for j in 0..n {
            for i in 0..n {
                sum += self.quadrature(dx + at(i), dy + at(j), half, &ORDER_16);
            }
        }
        sum
    }

    fn quadrature(&self, dx: f64, dy: f64, half: f64, nodes: &[(f64, f64)]) -> f64 {
        let mut sum = 0.0;
        for (sy, wy) in nodes {
            for (sx, wx) in nodes {
                let (ox, oy) = (sx * half, sy * half);
                let four = self.brightness(dx + ox, dy + oy)
                    + self.brightness(dx + ox, dy - oy)
                    + self.brightness(dx - ox, dy + oy)
                    + self.brightness(dx - ox, dy - oy);
                sum += wx * wy * four;
            }
        }
        sum * half * half
    }

    /// Distance in scale lengths at which the first limit of `reach` is met.
    fn cut(&self, reach: Reach) -> f64 {
        let contrast = (self.peak / reach.wing_e_per_px).max(1.0);
        let beta = self.beta;
        let (by_share, by_level) = if beta.is_finite() {
            (reach.missing_share.powf(1.0 / (1.0 - beta)) - 1.0, contrast.powf(1.0 / beta) - 1.0)
        } else {
            (-2.0 * reach.missing_share.ln(), 2.0 * contrast.ln())
        };
        by_share.min(by_level).max(0.0).sqrt()
    }

    /// The image around its centre, out to two widths, at `per_px` samples per px.
    pub fn fine(&self, per_px: usize, behind_pixel: bool) -> Array2<f64> {
        let half = (2.0 * self.star.fwhm_major_px).ceil() as usize * per_px;
        let place = |i: usize| (i as f64 - half as f64) / per_px as f64;
        Array2::from_shape_fn((2 * half + 1, 2 * half + 1), |(j, i)| match behind_pixel {
            true => self.pixel(self.star.x + place(i), self.star.y + place(j)),
            false => self.brightness(place(i), place(j)),
        })
    }

    /// The pixels that it is drawn on.
    pub fn footprint(&self, reach: Reach) -> Footprint {
        let cut = self.cut(reach);
        let s = &self.star;
        Footprint::new([s.x, s.y], s.angle_rad, cut * self.scale_major, cut * self.scale_minor)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ready(star: SimStar) -> Moffat {
        Moffat::new(star, star.beta().unwrap())
    }

    fn turned(mut star: SimStar, minor: f64, angle: f64) -> SimStar {
        star.fwhm_minor_px = minor;
        star.angle_rad = angle;
        star
    }

    /// Half a unit in the last printed digit of the check values.
    const PRINTED: f64 = 0.6e-7;

    // C1.8 and C1.9 (products of error functions, computed outside the project).
    #[test]
    fn a_gaussian_pixel_holds_the_published_share() {
        let fwhm_of_sigma = (8.0 * LN_2).sqrt();
        let share = |x, y, fwhm| ready(SimStar::round(0.0, 0.0, 1.0, fwhm, f64::INFINITY)).pixel(x, y);
        assert!((share(0.0, 0.0, fwhm_of_sigma) - 0.1466315).abs() < PRINTED);
        assert!((share(0.0, 0.0, 2.0) - 0.1970835).abs() < PRINTED);
        assert!((share(-0.3, 0.2, 2.0) - 0.1818977).abs() < PRINTED);
        assert!((share(2.0, 1.0, 1.5 * fwhm_of_sigma) - 0.02336878).abs() < 0.1 * PRINTED);
    }

    // The same integral by the quadrature: a width that differs in the twelfth digit is not taken as round.
    #[test]
    fn the_quadrature_meets_the_error_function() {
        const SHARE: f64 = 1e-6;
        for fwhm in [0.8, 1.0, 2.0, 4.0] {
            let exact = SimStar::round(0.3, -0.2, 1.0, fwhm, f64::INFINITY);
            let (exact, by_sums) = (ready(exact), ready(turned(exact, fwhm * (1.0 - 1e-12), 0.7)));
            assert!(exact.along_pixels && !by_sums.along_pixels);
            let peak = exact.pixel(0.0, 0.0);
            for y in -6..=6 {
                for x in -6..=6 {
                    let (x, y) = (f64::from(x), f64::from(y));
                    assert!((exact.pixel(x, y) - by_sums.pixel(x, y)).abs() < SHARE * peak, "{fwhm} {x} {y}");
                }
            }
        }
    }

    // C1.6: a = 2, beta = 2.5, flux 1: peak 0.1193662, share inside r = 4 0.9105573; C1.5 gives the FWHM.
    #[test]
    fn a_moffat_has_the_published_peak_and_encircled_energy() {
        const FWHM_OF_A: f64 = 3.0 / 2.653692;
        let star = ready(SimStar::round(0.0, 0.0, 1.0, 2.0 * FWHM_OF_A, 2.5));
        assert!((star.brightness(0.0, 0.0) - 0.1193662).abs() < 2e-7, "peak, to the digits of the ratio");
        // On pixels 20 times finer the jagged edge of the circle averages out: 500 edge pixels of 5.3e-6 each.
        const JAGGED: f64 = 1e-4;
        let fine = ready(SimStar::round(0.3, 0.1, 1.0, 40.0 * FWHM_OF_A, 2.5));
        let mut inside = 0.0;
        for y in -82..=82 {
            for x in -82..=82 {
                let (x, y) = (f64::from(x), f64::from(y));
                if (x - 0.3).hypot(y - 0.1) <= 80.0 {
                    inside += fine.pixel(x, y);
                }
            }
        }
        assert!((inside - 0.9105573).abs() < JAGGED, "{inside}");
    }

    // Promised is 1e-4 of the peak; 7e-8 is what the orders reach, and the limit leaves room for rounding. Reference: 12 x 12 cells of order 16 in every pixel.
    #[test]
    fn pixel_values_agree_with_a_much_finer_quadrature() {
        const SHARE: f64 = 1e-6;
        let mut worst = 0f64;
        for (major, minor, beta) in [
            (0.4, 0.4, 2.5),
            (0.8, 0.8, 1.6),
            (0.8, 0.8, 2.5),
            (1.0, 0.8, 4.765),
            (2.2, 0.9, f64::INFINITY),
            (3.0, 1.5, 2.5),
            (6.0, 2.0, 3.0),
        ] {
            for (x0, y0) in [(0.0, 0.0), (0.5, 0.5), (0.31, -0.17)] {
                let mut star = turned(SimStar::round(x0, y0, 1.0, major, beta), minor, 0.6);
                star.fwhm_major_px = major;
                let profile = ready(star);
                let peak = profile.cells(-x0, -y0, 12);
                for y in -12..=12 {
                    for x in -3..=12 {
                        let (x, y) = (f64::from(x), f64::from(y));
                        let error = (profile.pixel(x, y) - profile.cells(x - x0, y - y0, 12)).abs() / peak;
                        worst = worst.max(error);
                    }
                }
            }
        }
        assert!(worst < SHARE, "{worst}");
    }

    #[test]
    fn the_flux_in_the_drawn_area_is_all_but_the_stated_share() {
        const SHARE: f64 = 1e-3;
        let reach = Reach { missing_share: SHARE, wing_e_per_px: 0.0 };
        for (beta, angle) in [(2.5, 0.4), (3.5, 2.0), (f64::INFINITY, 0.4)] {
            let star = turned(SimStar::round(150.2, 149.7, 1000.0, 3.0, beta), 2.0, angle);
            let mut sum = 0.0;
            let profile = ready(star);
            profile.footprint(reach).visit(300, 0..300, |x, y| sum += profile.pixel(x as f64, y as f64));
            let missing = 1.0 - sum / 1000.0;
            assert!(missing > 0.0 && missing < SHARE, "{beta}: {missing}");
        }
    }

    #[test]
    fn wings_below_the_stated_level_are_not_drawn() {
        let profile = ready(SimStar::round(50.0, 50.0, 1e4, 3.0, 2.5));
        let reach = Reach { missing_share: 0.0, wing_e_per_px: 0.05 };
        let (mut lowest, mut count) = (f64::INFINITY, 0);
        profile.footprint(reach).visit(100, 0..100, |x, y| {
            let e = profile.pixel(x as f64, y as f64);
            lowest = lowest.min(e);
            count += 1;
        });
        // One pixel of slack lies outside the limit.
        assert!(count > 100 && lowest > 0.03 && lowest < 0.05, "{count} {lowest}");
    }

    #[test]
    fn the_major_axis_turns_from_x_towards_y() {
        let star = turned(SimStar::round(0.0, 0.0, 1.0, 4.0, 3.0), 2.0, 0.5);
        let profile = ready(star);
        let half_along = profile.brightness(2.0 * 0.5f64.cos(), 2.0 * 0.5f64.sin());
        let half_across = profile.brightness(-0.5f64.sin(), 0.5f64.cos());
        let half = 0.5 * profile.brightness(0.0, 0.0);
        assert!((half_along - half).abs() < 1e-12 && (half_across - half).abs() < 1e-12);
    }
}
