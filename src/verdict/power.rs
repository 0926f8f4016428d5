//! The star image in the frequency domain: transfer functions, the power a pixel grid cannot hold, and the number of
//! pixels that share a star's noise. Frequencies are cycles per pixel.

use std::f64::consts::{FRAC_1_SQRT_2, FRAC_PI_4, LN_2, PI};

use statrs::function::gamma::ln_gamma;

use super::profile::StarProfile;
use crate::image::quadrature::{gauss_legendre, panelled};

/// Highest frequency that a grid of unit pitch holds.
pub const NYQUIST: f64 = 0.5;

/// Distance of the band's corner from the origin: `sqrt(2)` times Nyquist.
const CORNER: f64 = FRAC_1_SQRT_2;

/// Points a panel; with a panel a quarter of the image's own frequency width this holds seven digits.
const PANEL_POINTS: usize = 8;

/// Power relative to that at Nyquist below which the outer panels stop: far under the digits that are reported.
const OUTER_CUT: f64 = 1e-9;

/// Outermost frequency in half cycles: a star of 0.3 px has fallen below the cut well before 20 cycles per pixel.
const MAX_HALF_CYCLES: usize = 40;

/// Smallest FWHM for which the integrals are carried out, px: below it the star is a point for any real optics.
pub const MIN_FWHM_PX: f64 = 0.3;

/// From this FWHM on nothing is aliased (below 1e-25 even for beta 2.5) and the second-order area is exact to 1e-5.
const SMOOTH_FWHM_PX: f64 = 12.0;

/// Drop of the logarithm of an integrand below its peak after which it is nothing in double precision.
const NEGLIGIBLE_LOG: f64 = 45.0;

/// Transfer function of the image before the pixel at the frequency `f` (cycles per pixel); 1 at `f` = 0.
///
/// Formula: Gaussian `exp(-2 pi^2 sigma^2 f^2)`; Moffat `2/Gamma(nu) (x/2)^nu K_nu(x)` with `nu = beta - 1`,
/// `x = 2 pi a f` (Hankel transform of the profile, derived).
pub fn optics_mtf(star: StarProfile, f: f64) -> f64 {
    if let Some(transfer) = star.image_transfer(f) {
        return transfer;
    }
    if star.is_gaussian() {
        return (-2.0 * (PI * star.sigma_px() * f).powi(2)).exp();
    }
    let x = 2.0 * PI * star.radius_px() * f.abs();
    if x < 1e-12 {
        return 1.0;
    }
    let nu = star.beta() - 1.0;
    (LN_2 - ln_gamma(nu) + nu * (0.5 * x).ln() + ln_bessel_k(nu, x)).exp()
}

/// Logarithm of the modified Bessel function of the second kind, order `nu` >= 0, `x` > 0.
///
/// Formula: `K_nu(x) = integral from 0 to infinity of exp(-x cosh t) cosh(nu t) dt` (Abramowitz & Stegun 1964, 9.6.24,
/// from memory) by the trapezoidal rule, which converges faster than any power of its step on such an integrand.
pub fn ln_bessel_k(nu: f64, x: f64) -> f64 {
    let log_term = |t: f64| -x * t.cosh() + nu * t + 0.5_f64.ln() + (-2.0 * nu * t).exp().ln_1p();
    // Half the width of the peak at most: the error of the rule then falls below rounding.
    let step = 0.2_f64.min(0.4 / (nu + x + 1.0).sqrt());
    let peak = log_term((nu / x).asinh());
    let mut sum = 0.5 * (log_term(0.0) - peak).exp();
    let mut t = step;
    loop {
        let term = log_term(t) - peak;
        if term < -NEGLIGIBLE_LOG && x * t.sinh() > nu {
            break;
        }
        sum += term.exp();
        t += step;
    }
    peak + (sum * step).ln()
}

/// Transfer function of a unit pixel along one axis: `sin(pi f)/(pi f)`.
pub fn pixel_mtf(f: f64) -> f64 {
    let x = PI * f;
    if x.abs() < 1e-8 { 1.0 } else { x.sin() / x }
}

/// What the pixel grid makes of a star's power.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GridPower {
    /// Share of the power of image times pixel outside the square Nyquist band.
    pub aliased_fraction: f64,
    /// Pixels that share the star in a matched filter: `1 / sum(P^2)`, averaged over the star's place in its pixel.
    pub effective_pixels: f64,
}

/// Integrates the power spectrum of image times pixel inside and outside the square Nyquist band.
///
/// The phase average of `sum(P^2)` is the integral over all frequencies (Parseval). `None` below [`MIN_FWHM_PX`].
pub fn grid_power(star: StarProfile) -> Option<GridPower> {
    let fwhm = star.fwhm_px();
    if fwhm < MIN_FWHM_PX {
        return None;
    }
    if fwhm > SMOOTH_FWHM_PX {
        let effective_pixels = star.effective_area_px2() + star.pixel_area_term_px2();
        return Some(GridPower { aliased_fraction: 0.0, effective_pixels });
    }
    let panels = (2.0 * fwhm).ceil() as usize;
    let rule = gauss_legendre(PANEL_POINTS);
    let power = |f: f64| optics_mtf(star, f).powi(2);
    let cut = OUTER_CUT * power(NYQUIST);
    // Beyond the last frequency that an aperture passes there is none at all.
    let end = (1..MAX_HALF_CYCLES).map(|k| 0.5 * k as f64).find(|f| power(*f) <= cut);
    let end = end.unwrap_or(0.5 * MAX_HALF_CYCLES as f64).max(NYQUIST + CORNER);
    // The image's power is that of the distance from the origin alone: round rings, of which an eighth is enough.
    let ring = |f: f64, from: f64, to: f64| match power(f) {
        0.0 => 0.0,
        power => f * power * pixel_on_arc(&rule, f, from, to),
    };
    let rings = |low: f64, high: f64, panels: usize| -> f64 {
        panelled(&rule, low, high, panels).into_iter().map(|(f, w)| w * ring(f, 0.0, FRAC_PI_4)).sum()
    };
    // Rings that leave the band at the angle `a`, f = NYQUIST / cos(a): within beyond it, outside below.
    let (mut within, mut beyond) = (rings(0.0, NYQUIST, panels), rings(CORNER, end, outer_panels(panels, end)));
    for (a, w) in panelled(&rule, 0.0, FRAC_PI_4, panels) {
        let (f, width) = (NYQUIST / a.cos(), w * NYQUIST * a.sin() / a.cos().powi(2));
        let spectrum = f * power(f) * width;
        within += spectrum * pixel_on_arc(&rule, f, a, FRAC_PI_4);
        beyond += spectrum * pixel_on_arc(&rule, f, 0.0, a);
    }
    let total = within + beyond;
    Some(GridPower { aliased_fraction: beyond / total, effective_pixels: (8.0 * total).recip() })
}

/// Panels from the corner of the band to the outermost ring.
fn outer_panels(panels: usize, end: f64) -> usize {
    panels * (2.0 * (end - CORNER)).ceil() as usize
}

/// Integral of the pixel's power along the arc of radius `f` between two angles from an axis.
fn pixel_on_arc(rule: &[(f64, f64)], f: f64, from: f64, to: f64) -> f64 {
    let pixel = |angle: f64| (pixel_mtf(f * angle.cos()) * pixel_mtf(f * angle.sin())).powi(2);
    // A panel for each half cycle: the pixel's lobes are a cycle wide.
    let panels = (2.0 * f).ceil() as usize;
    panelled(rule, from, to, panels.max(1)).into_iter().map(|(angle, w)| w * pixel(angle)).sum()
}

#[cfg(test)]
mod tests {
    use statrs::function::erf::{erf, erfc};

    use super::*;

    /// The check tables print four digits.
    const TABLE: f64 = 2e-3;

    fn near(got: f64, want: f64, relative: f64) {
        assert!((got / want - 1.0).abs() < relative, "{got} against {want}");
    }

    fn star(fwhm: f64, beta: f64) -> StarProfile<'static> {
        StarProfile::new(fwhm, beta).unwrap()
    }

    #[test]
    fn bessel_of_half_order_is_elementary() {
        // K_1/2(x) = sqrt(pi/(2x)) exp(-x): Abramowitz & Stegun 1964, 10.2.17 (from memory).
        for x in [1e-3, 0.1, 1.0, 10.0, 300.0] {
            let exact = 0.5 * (PI / (2.0 * x)).ln() - x;
            assert!((ln_bessel_k(0.5, x) - exact).abs() < 1e-12, "{x}");
        }
    }

    #[test]
    fn bessel_of_high_order_satisfies_its_recurrence() {
        // K_(n+1) = K_(n-1) + 2n/x K_n: Abramowitz & Stegun 1964, 9.6.26 (from memory).
        for (nu, x) in [(1.5, 0.7), (20.0, 3.0), (80.0, 40.0)] {
            let [below, at, above] = [nu - 1.0, nu, nu + 1.0].map(|n| ln_bessel_k(n, x));
            near((above - at).exp(), (below - at).exp() + 2.0 * nu / x, 1e-11);
        }
    }

    #[test]
    fn transfer_functions_at_given_frequencies() {
        // Check values C2.1 and C2.3.
        for (f, mtf) in [(1.5, 0.13502), (2.0, 0.02845), (3.0, 0.00033)] {
            // Printed with five decimals.
            assert!((optics_mtf(star(f, f64::INFINITY), NYQUIST) - mtf).abs() < 6e-6);
        }
        let fwhm = 2.0 * 1.3 * (2.0_f64.powf(0.4) - 1.0).sqrt();
        near(optics_mtf(star(fwhm, 2.5), 0.3), 0.297_619_4, 5e-7);
        near(pixel_mtf(NYQUIST), std::f64::consts::FRAC_2_PI, 1e-15);
        near(optics_mtf(star(2.0, 2.5), 0.0), 1.0, 1e-12);
    }

    #[test]
    fn transfer_function_of_a_steep_moffat_nears_the_gaussian() {
        near(optics_mtf(star(2.0, 3000.0), 0.2), optics_mtf(star(2.0, f64::INFINITY), 0.2), 1e-3);
    }

    #[test]
    fn aliased_power_of_point_samples_is_the_survey_closed_form() {
        // Check value C2.2: erfc(pi F/2.35482); survey technical note TN 73 (2000) prints 6 % and < 0.5 %.
        for (f, share) in [(1.0, 5.919_818e-2), (1.5, 4.653_666e-3), (2.0, 1.610_137e-4)] {
            near(erfc(PI * star(f, f64::INFINITY).sigma_px()), share, 5e-6);
        }
    }

    #[test]
    fn aliased_power_with_the_pixel() {
        // Science table of section 2, columns A2 (scipy, independent of this code).
        let infinite = f64::INFINITY;
        for (f, beta, share) in [
            (0.8, infinite, 7.731e-2),
            (1.0, infinite, 3.801e-2),
            (1.5, infinite, 3.345e-3),
            (2.0, infinite, 1.214e-4),
            (3.0, infinite, 1.184e-8),
            (0.8, 4.765, 5.704e-2),
            (1.0, 4.765, 2.742e-2),
            (1.5, 4.765, 3.077e-3),
            (2.0, 4.765, 2.422e-4),
            (2.5, 4.765, 1.504e-5),
            (0.8, 2.5, 4.308e-2),
            (1.25, 2.5, 8.080e-3),
            (2.0, 2.5, 3.293e-4),
            (3.0, 2.5, 3.091e-6),
        ] {
            near(grid_power(star(f, beta)).unwrap().aliased_fraction, share, TABLE);
        }
    }

    #[test]
    fn effective_pixels_of_a_gaussian_are_the_closed_form() {
        // Check value C2.4, and the closed form itself for wider stars.
        for (f, n) in [(1.0, 3.37012), (1.5, 6.17504), (2.0, 10.12899), (3.0, 21.45067)] {
            near(grid_power(star(f, f64::INFINITY)).unwrap().effective_pixels, n, 5e-6);
        }
        for f in [0.4, 5.0, 11.0] {
            let s = star(f, f64::INFINITY).sigma_px();
            let side = erf(0.5 / s) - 2.0 * s / PI.sqrt() * (1.0 - (-0.25 / (s * s)).exp());
            near(grid_power(star(f, f64::INFINITY)).unwrap().effective_pixels, side.powi(-2), 1e-5);
        }
    }

    #[test]
    fn second_order_area_meets_the_integral() {
        // The next term of the expansion is of order (pixel/FWHM)^4 of the area.
        for beta in [2.5, 4.765, f64::INFINITY] {
            for f in [2.0, 4.0, 8.0, 11.9] {
                let s = star(f, beta);
                let second = s.effective_area_px2() + s.pixel_area_term_px2();
                near(grid_power(s).unwrap().effective_pixels, second, 0.15 / f.powi(4));
            }
        }
    }

    #[test]
    fn aliasing_falls_as_the_star_widens() {
        let shares: Vec<f64> = [0.3, 0.5, 0.9, 1.4, 2.2, 3.5, 6.0, 20.0]
            .map(|f| grid_power(star(f, 3.3)).unwrap().aliased_fraction)
            .into();
        assert!(shares.windows(2).all(|w| w[0] > w[1]), "{shares:?}");
        assert_eq!(grid_power(star(0.2, 3.3)), None);
    }
}
