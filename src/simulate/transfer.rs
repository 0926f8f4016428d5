//! What air, aperture and blur leave of the spatial frequencies of a star image.
//!
//! The transfer function of a long exposure is the product of those of its parts. Air: `exp(-D/2)` with Kolmogorov's
//! structure function of the phase, `D = 6.88 (lambda f / r0)^(5/3)` (Fried 1966, JOSA 56, 1372; Roddier 1981, Progress in
//! Optics 19, 281), or von Karman's where the outer scale L0 is finite: `D = 2 B (1 - x^nu K_nu(x) 2^(1-nu) / Gamma(nu))`,
//! `x = 2 pi lambda f / L0`, nu = 5/6, `B = 0.0863 (L0 / r0)^(5/3)` (Tokovinin 2002, PASP 114, 1156; from memory). Aperture: the
//! overlap of the ring with itself, shifted by lambda f (O'Neill 1956, JOSA 46, 285). Blur: a Gaussian.

use std::f64::consts::PI;

use serde::Serialize;

/// A long exposure through turbulent air and an aperture, blurred by what else is round: charge diffusion, guiding.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Turbulence {
    /// Wavelength over Fried's length, px; the air alone then has a FWHM of 0.976 of it. 0 for no air.
    pub lambda_over_r0_px: f64,
    /// Outer scale over Fried's length; infinity for Kolmogorov's law.
    #[serde(serialize_with = "finite_or_null")]
    pub outer_scale_over_r0: f64,
    /// Wavelength over the aperture's diameter, px. 0 for no diffraction.
    pub lambda_over_d_px: f64,
    /// Diameter of the hole in the aperture over that of the aperture, below 1.
    pub obstruction: f64,
    /// Standard deviation of the Gaussian blur, px.
    pub sigma_px: f64,
}

/// For values that may be endless, as an outer scale and Moffat's exponent.
pub fn finite_or_null<S: serde::Serializer>(x: &f64, to: S) -> Result<S::Ok, S::Error> {
    if x.is_finite() { to.serialize_f64(*x) } else { to.serialize_none() }
}

/// FWHM of Kolmogorov's image in units of lambda / r0, which `galsim.Kolmogorov(lam_over_r0=1).fwhm` gives too.
const KOLMOGOROV_FWHM: f64 = 0.975_863;
/// FWHM of a clear aperture's image in units of lambda / D (from memory), and of a Gaussian in its standard deviation.
const AIRY_FWHM: f64 = 1.029;
const GAUSSIAN_FWHM: f64 = 2.354_820;

/// Transfer below which frequencies are left out: the image loses 1e-6 of its peak at most.
const LEAST_TRANSFER: f64 = 3e-7;
/// Steps of the stored transfer function up to the highest frequency; straight lines between them are right to 1e-6.
const STEPS: usize = 4096;

impl Turbulence {
    /// Air alone, of Kolmogorov's law, with an image of `fwhm_px`.
    pub fn kolmogorov(fwhm_px: f64) -> Self {
        Self {
            lambda_over_r0_px: fwhm_px / KOLMOGOROV_FWHM,
            outer_scale_over_r0: f64::INFINITY,
            lambda_over_d_px: 0.0,
            obstruction: 0.0,
            sigma_px: 0.0,
        }
    }

    /// Transfer at a frequency in cycles per px.
    pub fn transfer(&self, f: f64) -> f64 {
        let air = match self.lambda_over_r0_px * f {
            0.0 => 1.0,
            u => (-0.5 * structure(u, self.outer_scale_over_r0)).exp(),
        };
        air * ring(self.lambda_over_d_px * f, self.obstruction) * (-2.0 * (PI * self.sigma_px * f).powi(2)).exp()
    }

    /// The parts' widths added in squares, px: near the FWHM, to choose steps by.
    pub fn rough_fwhm_px(&self) -> f64 {
        let [air, aperture] = [KOLMOGOROV_FWHM * self.lambda_over_r0_px, AIRY_FWHM * self.lambda_over_d_px];
        air.hypot(aperture).hypot(GAUSSIAN_FWHM * self.sigma_px)
    }

    /// Frequency beyond which nothing passes, cycles per px: from the part that ends first, found by halving.
    fn end(&self) -> f64 {
        let envelope = |f: f64| {
            let aperture = if self.lambda_over_d_px * f < 1.0 { 1.0 } else { 0.0 };
            aperture * Self { lambda_over_d_px: 0.0, ..*self }.transfer(f)
        };
        let (mut low, mut high) = (0.0, 16.0 / self.rough_fwhm_px());
        assert!(envelope(high) < LEAST_TRANSFER, "no part of the image limits the frequencies");
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            if envelope(middle) < LEAST_TRANSFER { high = middle } else { low = middle }
        }
        high
    }
}

/// Kolmogorov's 6.88, `2 (24/5 Gamma(6/5))^(5/6)`, and von Karman's 0.0863, `Gamma(11/6) Gamma(5/6) / (2 pi^(8/3))` times half of
/// it (the sources above; digits from `scipy.special.gamma`).
const KOLMOGOROV: f64 = 6.883_877_182_293_812;
const VON_KARMAN: f64 = 0.086_314_329_911_834_6;

/// Structure function of the phase at the distance `u` over an outer scale `outer`, both in Fried lengths, rad^2.
fn structure(u: f64, outer: f64) -> f64 {
    if outer.is_infinite() {
        return KOLMOGOROV * u.powf(5.0 / 3.0);
    }
    2.0 * VON_KARMAN * outer.powf(5.0 / 3.0) * decorrelation(2.0 * PI * u / outer)
}

/// Distance, in `x` of the module's formula, from which the series for large arguments serves.
const FAR: f64 = 8.0;

/// `1 - x^nu K_nu(x) 2^(1-nu) / Gamma(nu)` with nu = 5/6 (series of Abramowitz & Stegun 1964, 9.6.2, 9.6.10, 9.7.2).
fn decorrelation(x: f64) -> f64 {
    const NU: f64 = 5.0 / 6.0;
    /// Gamma at 1/6, 5/6 and 11/6 (digits from `scipy.special.gamma`).
    const GAMMA: [f64; 3] = [5.566_316_001_780_236, 1.128_787_029_908_126, 0.940_655_858_256_771_6];
    if x > FAR {
        let m = 4.0 * NU * NU;
        let y = 1.0 / (8.0 * x);
        let tail = 1.0 + (m - 1.0) * y * (1.0 + (m - 9.0) * y / 2.0 * (1.0 + (m - 25.0) * y / 3.0));
        let bessel = (0.5 * PI / x).sqrt() * (-x).exp() * tail;
        return 1.0 - x.powf(NU) * bessel * 2f64.powf(1.0 - NU) / GAMMA[1];
    }
    // Both Bessel functions of the first kind; their leading 1 is left out, so that small x keep their digits.
    let t = 0.25 * x * x;
    let (mut up, mut down) = (t.powf(NU) * GAMMA[0] / GAMMA[2], 1.0);
    let mut sum = up;
    for k in (1..).map(f64::from) {
        up *= t / (k * (k + NU));
        down *= t / (k * (k - NU));
        sum += up - down;
        if up.max(down) < f64::EPSILON * sum {
            return sum;
        }
    }
    sum
}

/// Overlap of a ring of diameter 1 with itself, shifted by `d`, over its area; `hole` is the diameter of its hole.
fn ring(d: f64, hole: f64) -> f64 {
    let (outer, inner) = (lens(1.0, 1.0, d), lens(hole, hole, d));
    (outer + inner - 2.0 * lens(1.0, hole, d)) / (0.25 * PI * (1.0 - hole * hole))
}

/// Area that two discs of diameters `a` and `b` share when their centres lie `d` apart.
fn lens(a: f64, b: f64, d: f64) -> f64 {
    let (r, s) = (0.5 * a.max(b), 0.5 * a.min(b));
    if d >= r + s {
        return 0.0;
    }
    if d <= r - s {
        return PI * s * s;
    }
    let (along_r, along_s) = ((d * d + r * r - s * s) / (2.0 * d), (d * d + s * s - r * r) / (2.0 * d));
    let segment = |r: f64, along: f64| r * r * (along / r).acos() - along * (r * r - along * along).max(0.0).sqrt();
    segment(r, along_r) + segment(s, along_s)
}

/// A transfer function at even steps.
#[derive(Debug, Clone)]
pub struct Table {
    per_frequency: f64,
    values: Vec<f64>,
    /// Frequency beyond which all is 0, cycles per px.
    pub end: f64,
}

impl Table {
    /// Of an image.
    pub fn new(image: &Turbulence) -> Self {
        let step = image.end() / STEPS as f64;
        let mut values: Vec<f64> = (0..STEPS).map(|i| image.transfer(i as f64 * step)).collect();
        // All parts together end before the first of them does.
        values.truncate(values.iter().rposition(|t| t.abs() >= LEAST_TRANSFER).map_or(0, |i| i + 1));
        values.extend([0.0, 0.0]);
        Self { per_frequency: step.recip(), end: values.len() as f64 * step, values }
    }

    /// The same behind a further part.
    pub fn behind(&self, part: impl Fn(f64) -> f64) -> Self {
        let behind = |(i, t): (usize, &f64)| t * part(i as f64 / self.per_frequency);
        Self { values: self.values.iter().enumerate().map(behind).collect(), ..*self }
    }

    /// Transfer at a frequency, cycles per px.
    pub fn at(&self, f: f64) -> f64 {
        let place = f * self.per_frequency;
        let i = place as usize;
        match self.values.get(i..i + 2) {
            Some(pair) => pair[0] + (place - i as f64) * (pair[1] - pair[0]),
            None => 0.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const AIR: Turbulence = Turbulence {
        lambda_over_r0_px: 1.0,
        outer_scale_over_r0: f64::INFINITY,
        lambda_over_d_px: 0.0,
        obstruction: 0.0,
        sigma_px: 0.0,
    };

    const BESSEL: [(f64, f64); 6] = [
        (0.001, 1.7138909052961e-5),
        (0.3, 0.11736675645927),
        (2.0, 0.76716856451768),
        (7.9, 0.99905501880149),
        (8.1, 0.99922032379349),
        (20.0, 0.99999999295118),
    ];
    const RINGS: [(f64, f64, f64); 12] = [
        (0.0, 0.1, 0.8728886),
        (0.0, 0.3, 0.6238377),
        (0.0, 0.5, 0.3910022),
        (0.0, 0.68, 0.2065509),
        (0.0, 0.8, 0.1040880),
        (0.0, 0.95, 0.0133200),
        (0.38, 0.1, 0.7955468),
        (0.38, 0.3, 0.4105220),
        (0.38, 0.5, 0.3018805),
        (0.38, 0.68, 0.2393374),
        (0.38, 0.8, 0.1216550),
        (0.38, 0.95, 0.0155680),
    ];

    // galsim 2.8.5: galsim.VonKarman(lam=500, r0=0.1, L0=L0).kValue(k, 0) at k = 1, 2, 4 per arcsec.
    #[test]
    fn the_outer_scale_passes_low_frequencies() {
        const TABLE: f64 = 1e-6;
        for (outer_m, expected) in [
            (5.0, [0.8763454840, 0.6782201557, 0.3295003722]),
            (20.0, [0.8643137534, 0.6417727172, 0.2643648827]),
            (100.0, [0.8559049345, 0.6171625462, 0.2260996208]),
        ] {
            let air =
                Turbulence { lambda_over_r0_px: 500e-9 / 0.1 * 206_264.806, outer_scale_over_r0: outer_m / 0.1, ..AIR };
            for (k, expected) in [1.0, 2.0, 4.0].into_iter().zip(expected) {
                let got = air.transfer(k / (2.0 * PI));
                assert!((got - expected).abs() < TABLE, "L0 {outer_m} k {k}: {got}");
            }
        }
    }

    // The series for small and for large arguments where both hold; mpmath, 30 digits: 1 - x**nu besselk(nu, x) 2**(1-nu) / gamma(nu).
    #[test]
    fn both_series_of_the_bessel_function_meet_scipy() {
        // The next term of the far series, at its near end.
        const TERM: f64 = 3e-8;
        for (x, expected) in BESSEL {
            let got = decorrelation(x);
            assert!((got / expected - 1.0).abs() < TERM, "{x}: {got}");
        }
    }

    // galsim 2.8.5: galsim.Airy(lam_over_diam=1, obscuration=o).kValue(2 pi f, 0).
    #[test]
    fn a_ring_passes_what_its_overlap_says() {
        const TABLE: f64 = 2e-5;
        for (hole, f, expected) in RINGS {
            let got =
                Turbulence { lambda_over_r0_px: 0.0, lambda_over_d_px: 1.0, obstruction: hole, ..AIR }.transfer(f);
            assert!((got - expected).abs() < TABLE, "{hole} {f}: {got}");
        }
    }

    #[test]
    fn a_table_gives_the_transfer_function_between_its_nodes() {
        let image = Turbulence { lambda_over_d_px: 0.7, obstruction: 0.4, sigma_px: 0.2, ..AIR };
        let table = Table::new(&image);
        for i in 0..997 {
            let f = table.end * f64::from(i) / 997.0;
            assert!((table.at(f) - image.transfer(f)).abs() < 1e-6, "{f}");
        }
        assert_eq!(table.at(1.01 * table.end), 0.0);
    }
}
