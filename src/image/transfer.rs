//! The star image before the pixel in the frequency domain: turbulence, diffraction and blur multiply.
//!
//! `T(k) = Moffat(k) exp(-k^2 s^2 / 2) Airy(k)`: a Moffat with a Gaussian stands for the long exposure through turbulence of any
//! outer scale with guiding and the spread of charge. Round images of flux 1; k in radians per unit of length.

use std::f64::consts::{LN_2, PI};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::elementary::exp_negative;

/// Step of the rule over the logarithm of the mixture's variable: its integrand is analytic and smooth, so that the trapezoidal rule
/// is exact to 1e-9 for exponents up to 10.
const MIXTURE_STEP: f64 = 0.25;
/// Range of that logarithm that holds all but 1e-7 of the weight for exponents from 1.6 to 10.
const MIXTURE_RANGE: (f64, f64) = (-26.0, 4.0);
/// Weight against the largest below which a term counts for nothing.
const LEAST_WEIGHT: f64 = 1e-9;

/// Fall of a Gaussian's transfer, natural logarithm, from which it counts for nothing: 2e-16.
const MOST_FALL: f64 = 36.0;

/// Points of a transfer function's table, and the frequency at its end, radians per half width.
const POINTS: usize = 257;
const END: f64 = 32.0;

/// Transfer function of a Moffat of half width 1, as a table over the root of the frequency: turbulence has its cusp at zero.
#[derive(Debug, Clone)]
pub(crate) struct Seeing {
    table: Vec<f64>,
}

impl Seeing {
    /// As a mixture of Gaussians: `(1 + r^2/a^2)^-beta = integral of u^(beta-1) exp(-u) / Gamma(beta) exp(-u r^2/a^2) du`, each
    /// with the transfer function `exp(-k^2 a^2 / 4u)` and a share of the flux in proportion to `u^(beta-2) exp(-u)` (derived).
    pub fn moffat(inverse_beta: f64) -> Self {
        let nu = inverse_beta.recip() - 1.0;
        let a2 = ((inverse_beta * LN_2).exp() - 1.0).recip();
        let n = ((MIXTURE_RANGE.1 - MIXTURE_RANGE.0) / MIXTURE_STEP) as usize;
        let log_weight = |x: f64| nu * x - x.exp();
        let peak = log_weight(nu.ln());
        let at = |i: usize| MIXTURE_RANGE.0 + MIXTURE_STEP * i as f64;
        let terms: Vec<(f64, f64)> = (0..=n)
            .map(|i| ((log_weight(at(i)) - peak).exp(), 0.25 * a2 * (-at(i)).exp()))
            .filter(|(weight, _)| *weight > LEAST_WEIGHT)
            .collect();
        let total: f64 = terms.iter().map(|t| t.0).sum();
        // The widest Gaussians, whose transfer ends first, come first.
        let lasting = |k2: f64| terms.iter().rev().take_while(move |(_, v)| k2 * v < MOST_FALL);
        let transfer = |k: f64| lasting(k * k).map(|(w, v)| w * exp_negative(-k * k * v)).sum::<f64>() / total;
        let frequency = |i: usize| END * (i as f64 / (POINTS - 1) as f64).powi(2);
        Self { table: (0..POINTS).map(|i| transfer(frequency(i))).collect() }
    }

    /// Value at `k` by the cubic through four neighbours.
    pub fn at(&self, k: f64) -> f64 {
        let x = (k / END).sqrt() * (POINTS - 1) as f64;
        let i = (x as usize).clamp(1, POINTS - 3);
        let u = x - i as f64;
        let [a, b, c, d] = [self.table[i - 1], self.table[i], self.table[i + 1], self.table[i + 2]];
        let (m, p, q) = (u - 1.0, u + 1.0, u - 2.0);
        if x >= (POINTS - 2) as f64 {
            return 0.0;
        }
        -a * u * m * q / 6.0 + b * p * m * q / 2.0 - c * p * u * q / 2.0 + d * p * u * m / 6.0
    }
}

/// FWHM of the diffraction pattern of a clear round aperture, in units of wavelength over diameter.
///
/// Root of `(2 J1(x)/x)^2 = 1/2` times two over pi (derived); a central obstruction only narrows it.
pub const DIFFRACTION_FWHM: f64 = 1.028_993_97;

/// Diffraction of a round aperture, clear or with a round central obstruction.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Aperture {
    /// Wavelength over aperture, in half widths of the whole image.
    #[schemars(extend("unit" = "1"))]
    pub wave: f64,
    /// Diameter of the obstruction over that of the aperture.
    #[schemars(extend("unit" = "1"))]
    pub obstruction: f64,
}

impl Aperture {
    /// Light at a distance, of the peak: `((2 J1(x)/x - e^2 2 J1(e x)/(e x)) / (1 - e^2))^2` with `x = pi r / wave` (Airy's pattern of
    /// an annulus; from memory).
    pub fn light(&self, r: f64) -> f64 {
        let disc = |x: f64| if x < 1e-6 { 1.0 } else { 2.0 * libm::j1(x) / x };
        let (x, e) = (PI * r / self.wave, self.obstruction);
        ((disc(x) - e * e * disc(e * x)) / (1.0 - e * e)).powi(2)
    }

    /// Transfer function at `k`: 0 beyond `2 pi / wave`.
    ///
    /// Autocorrelation of the annulus (O'Neill 1956, JOSA 46, 285; from memory): that of the outer disc, less twice what outer and
    /// inner disc share, plus that of the inner disc, over the annulus's area.
    pub fn transfer(&self, k: f64) -> f64 {
        let v = k * self.wave / (2.0 * PI);
        let e = self.obstruction;
        let whole = overlap(1.0, 1.0, 2.0 * v) - 2.0 * overlap(1.0, e, 2.0 * v) + overlap(e, e, 2.0 * v);
        whole / (PI * (1.0 - e * e))
    }
}

/// Area that two discs of radii `r` >= `q` share whose centres lie `d` apart.
fn overlap(r: f64, q: f64, d: f64) -> f64 {
    if q <= 0.0 || d >= r + q {
        return 0.0;
    }
    if d <= r - q {
        return PI * q * q;
    }
    let along = (d * d + r * r - q * q) / (2.0 * d);
    let (ca, cb) = ((along / r).clamp(-1.0, 1.0), ((d - along) / q).clamp(-1.0, 1.0));
    let half_chord = (r * r - along * along).max(0.0).sqrt();
    r * r * ca.acos() + q * q * cb.acos() - d * half_chord
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn apertures_as_a_general_library_has_them() {
        // galsim 2.8.5: Airy(lam_over_diam=1, obscuration=e).kValue(2 pi v, 0) and xValue(r, 0) over xValue(0, 0).
        let clear = (0.0, [0.872_89, 0.685_04, 0.391, 0.144_29], [0.797_451, 0.520_855, 0.032_83]);
        let obstructed = (0.33, [0.810_93, 0.541_2, 0.325_16, 0.161_93], [0.776_86, 0.478_52, 0.009_375]);
        for (obstruction, transfer, light) in [clear, obstructed] {
            let aperture = Aperture { wave: 1.0, obstruction };
            for (v, want) in [0.1, 0.25, 0.5, 0.75].into_iter().zip(transfer) {
                assert!((aperture.transfer(2.0 * PI * v) - want).abs() < 1e-5, "{obstruction} {v}");
            }
            for (r, want) in [0.3, 0.5, 1.0].into_iter().zip(light) {
                assert!((aperture.light(r) - want).abs() < 1e-5, "{obstruction} {r}");
            }
            assert_eq!(aperture.transfer(7.0), 0.0);
        }
    }

    #[test]
    fn a_moffat_of_half_order_is_elementary() {
        // beta = 3/2: K_1/2(x) = sqrt(pi / 2x) exp(-x) (Abramowitz & Stegun 1964, 10.2.17, from memory), hence T(k) = exp(-a k).
        let seeing = Seeing::moffat(1.0 / 1.5);
        let a = (2f64.powf(1.0 / 1.5) - 1.0).sqrt().recip();
        for k in [0.0, 0.05, 0.5, 2.0, 6.0] {
            assert!((seeing.at(k) - (-a * k).exp()).abs() < 2e-5, "{k}: {}", seeing.at(k));
        }
    }
}
