//! A round star image as a table over the distance from its centre, peak and half width 1.

use std::f64::consts::{LN_2, PI};
use std::sync::LazyLock;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::elementary::exp_negative;
use super::quadrature::gauss_legendre;
use super::transfer::{Aperture, Seeing};

/// Intervals of the table and their width, in `t = sqrt(1 + rho^2)`: even steps in t follow the core and spread in the wings, and t
/// is a smooth function of the squared distance. A cubic an interval is exact to 1e-6 of the peak.
const INTERVALS: usize = 256;
const STEP: f64 = 1.0 / 16.0;
/// Nodes up to which the image is transformed; beyond it falls by the power that it has there.
const TRANSFORMED: usize = 200;
/// Frequencies of the transform, and the highest, in radians per half width: images of half width 1 have fallen below 1e-6 there.
const FREQUENCIES: usize = 160;
pub(crate) const HIGHEST: f64 = 13.0;
/// Changes of scale after which the half width is 1 to this accuracy.
const SCALE_ROUNDS: usize = 30;
const SCALE_SETTLED: f64 = 1e-8;

/// What makes an image as it is, its half width being 1.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ImageParts {
    /// 1/beta of the Moffat that stands for turbulence.
    #[schemars(extend("unit" = "1"))]
    pub inverse_beta: f64,
    /// Share of the Gaussian blur in the sum of the squared half widths of Moffat and Gaussian.
    #[schemars(extend("unit" = "1"))]
    pub gaussian: f64,
    /// Diffraction of the aperture, lengths in half widths of the whole image.
    pub aperture: Option<Aperture>,
}

/// Image and its slope at any distance, by cubics over t.
#[derive(Debug, Clone)]
pub struct RadialTable {
    coefficients: Box<[[f64; 4]; INTERVALS]>,
    /// Integral over the plane, squared half widths.
    pub area: f64,
}

/// A place in the tables: its interval, where in it from 0 to 1, and t.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Place {
    interval: usize,
    u: f64,
    t: f64,
}

/// Several tables whose values at one place lie side by side.
pub(crate) struct TableRow<const M: usize> {
    coefficients: Vec<[[f64; M]; 4]>,
}

impl<const M: usize> TableRow<M> {
    /// Of at most M tables; the rest is nothing.
    pub fn of(tables: &[RadialTable]) -> Self {
        let value = |k: usize, order: usize, i: usize| tables.get(k).map_or(0.0, |t| t.coefficients[i][order]);
        let interval = |i| std::array::from_fn(|order| std::array::from_fn(|k| value(k, order, i)));
        Self { coefficients: (0..INTERVALS).map(interval).collect() }
    }

    /// Adds their values at a place times a weight.
    #[inline(always)]
    pub fn add(&self, Place { interval, u, .. }: Place, weight: f64, sums: &mut [f64; M]) {
        let [a, b, c, d] = &self.coefficients[interval];
        for k in 0..M {
            sums[k] += weight * (a[k] + u * (b[k] + u * (c[k] + u * d[k])));
        }
    }
}

impl RadialTable {
    /// From values at the nodes `t = 1 + i STEP`, which go on smoothly on both sides.
    fn through(values: &[f64; INTERVALS + 1]) -> Self {
        let at = |i: isize| {
            // t = 1 is the centre: no node lies beyond, the cubic there is led by one-sided differences.
            values[i.clamp(0, INTERVALS as isize) as usize]
        };
        let slope = |i: isize| match i {
            0 => (-25.0 * at(0) + 48.0 * at(1) - 36.0 * at(2) + 16.0 * at(3) - 3.0 * at(4)) / 12.0,
            1 => (-3.0 * at(0) - 10.0 * at(1) + 18.0 * at(2) - 6.0 * at(3) + at(4)) / 12.0,
            _ => (at(i - 2) - 8.0 * at(i - 1) + 8.0 * at(i + 1) - at(i + 2)) / 12.0,
        };
        let mut coefficients = Box::new([[0.0; 4]; INTERVALS]);
        for i in 0..INTERVALS - 1 {
            let k = i as isize;
            let (p, q, s, e) = (at(k), at(k + 1), slope(k), slope(k + 1));
            coefficients[i] = [p, s, 3.0 * (q - p) - 2.0 * s - e, s + e - 2.0 * (q - p)];
        }
        Self { coefficients, area: 0.0 }
    }

    /// A function of the distance (in half widths).
    pub fn of(f: impl Fn(f64) -> f64) -> Self {
        Self::through(&std::array::from_fn(|i| f(node_rho(i))))
    }

    /// This times a constant plus another times a constant.
    pub fn combined(&self, own: f64, other: &Self, share: f64) -> Self {
        let mut sum = self.clone();
        for (a, b) in sum.coefficients.iter_mut().zip(other.coefficients.iter()) {
            for (x, y) in a.iter_mut().zip(b) {
                *x = own * *x + share * y;
            }
        }
        sum
    }

    /// Where a squared distance (in half widths) lies in the tables.
    #[inline(always)]
    pub(crate) fn place(rho2: f64) -> Place {
        let t = (1.0 + rho2).sqrt();
        let x = (t - 1.0) * (1.0 / STEP);
        // The last interval holds nothing: beyond the table there is no light.
        let interval = (x as usize).min(INTERVALS - 1);
        Place { interval, u: x - interval as f64, t }
    }

    /// Value and derivative by the squared distance at a place.
    #[inline(always)]
    pub(crate) fn at_place(&self, Place { interval, u, t }: Place) -> (f64, f64) {
        let [a, b, c, d] = self.coefficients[interval & (INTERVALS - 1)];
        let slope = b + u * (2.0 * c + 3.0 * u * d);
        (a + u * (b + u * (c + u * d)), slope * (0.5 / STEP) / t)
    }

    /// Value and derivative by the squared distance `rho2`, in half widths.
    #[inline(always)]
    pub fn at(&self, rho2: f64) -> (f64, f64) {
        self.at_place(Self::place(rho2))
    }

    /// Value at the squared distance `rho2`, in half widths.
    pub fn value(&self, rho2: f64) -> f64 {
        self.at(rho2).0
    }

    /// The star image that these parts make.
    pub fn image(parts: &ImageParts) -> Self {
        Self::with(&Seeing::moffat(parts.inverse_beta), parts)
    }

    /// The same where the Moffat's transfer function is at hand.
    pub(crate) fn with(moffat: &Seeing, parts: &ImageParts) -> Self {
        Self::solved(moffat, parts).0
    }

    /// The image, and the Moffat's half width for which that of the whole is 1.
    pub(crate) fn solved(moffat: &Seeing, parts: &ImageParts) -> (Self, f64) {
        let rule = &*TRANSFORM;
        // Squared standard deviation of the Gaussian where the Moffat's half width is 1.
        let s2 = parts.gaussian / (1.0 - parts.gaussian) / (2.0 * LN_2);
        let diffraction: Vec<f64> = rule
            .frequencies
            .iter()
            .map(|(k, w)| w * parts.aperture.filter(|a| a.wave > 0.0).map_or(1.0, |a| a.transfer(*k)))
            .collect();
        let spectrum = |scale: f64| -> Vec<f64> {
            let seeing = |k: f64| moffat.at(k * scale) * exp_negative(-0.5 * (k * scale).powi(2) * s2);
            rule.frequencies.iter().zip(&diffraction).map(|((k, _), d)| d * seeing(*k)).collect()
        };
        let scale = half_width_one(|scale| rule.excess(&spectrum(scale)), (1.0 - parts.gaussian).sqrt());
        let weights = spectrum(scale);
        let peak = rule.at_node(&weights, 0);
        let mut values = [0.0; INTERVALS + 1];
        for (i, value) in values.iter_mut().enumerate().take(TRANSFORMED + 1) {
            *value = rule.at_node(&weights, i) / peak;
        }
        let (end, before) = (values[TRANSFORMED], values[TRANSFORMED - 16]);
        let power = ((end / before).ln() / (node_rho(TRANSFORMED) / node_rho(TRANSFORMED - 16)).ln()).min(-2.0);
        let fall = |i: usize| end * (node_rho(i) / node_rho(TRANSFORMED)).powf(power);
        for (i, value) in values.iter_mut().enumerate().skip(TRANSFORMED + 1) {
            *value = if end > 0.0 && power.is_finite() { fall(i) } else { 0.0 };
        }
        (Self { area: 2.0 * PI / peak, ..Self::through(&values) }, scale)
    }
}

/// The scale at which the image has the half width 1: secants within a bracket.
fn half_width_one(excess: impl Fn(f64) -> f64, start: f64) -> f64 {
    let (mut low, mut high) = (0.0, 4.0);
    let (mut last, mut scale) = ((start * 1.05, excess(start * 1.05)), start);
    for _ in 0..SCALE_ROUNDS {
        let here = excess(scale);
        // A larger scale narrows the spectrum and widens the image.
        if here > 0.0 {
            high = scale
        } else {
            low = scale
        }
        let secant = scale - here * (scale - last.0) / (here - last.1);
        last = (scale, here);
        let next = if secant > low && secant < high { secant } else { 0.5 * (low + high) };
        let settled = (next - scale).abs() < SCALE_SETTLED;
        scale = next;
        if settled {
            break;
        }
    }
    scale
}

/// Distance of a node from the centre.
pub(crate) fn node_rho(i: usize) -> f64 {
    let t = 1.0 + STEP * i as f64;
    (t * t - 1.0).max(0.0).sqrt()
}

/// The transform from frequencies to distances: `I(rho) = integral of T(k) J0(k rho) k dk`.
struct Transform {
    /// Frequencies and weights; close together near zero, where turbulence has its cusp.
    frequencies: Vec<(f64, f64)>,
    /// J0 of each node with each frequency.
    kernels: Vec<f64>,
    /// J0 at the half width.
    at_half: Vec<f64>,
}

static TRANSFORM: LazyLock<Transform> = LazyLock::new(|| {
    let frequencies: Vec<(f64, f64)> = gauss_legendre(FREQUENCIES)
        .into_iter()
        .map(|(x, w)| {
            let u = 0.5 * (x + 1.0);
            let k = HIGHEST * u * u;
            (k, 0.5 * w * 2.0 * HIGHEST * u * k)
        })
        .collect();
    let row = |rho: f64| frequencies.iter().map(move |(k, _)| libm::j0(k * rho));
    let kernels = (0..=TRANSFORMED).flat_map(|i| row(node_rho(i)).collect::<Vec<_>>()).collect();
    let at_half = row(1.0).collect();
    Transform { frequencies, kernels, at_half }
});

impl Transform {
    fn at_node(&self, weights: &[f64], i: usize) -> f64 {
        let row = &self.kernels[i * FREQUENCIES..(i + 1) * FREQUENCIES];
        row.iter().zip(weights).map(|(j, w)| j * w).sum()
    }

    /// Image at the half width over its peak, less a half.
    fn excess(&self, weights: &[f64]) -> f64 {
        let half: f64 = self.at_half.iter().zip(weights).map(|(j, w)| j * w).sum();
        half / weights.iter().sum::<f64>() - 0.5
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Nodes lie closer than a table's cubic is exact, and values carry six digits.
    const TABLE: f64 = 2e-5;

    fn near(got: f64, want: f64) {
        assert!((got - want).abs() < TABLE, "{got} against {want}");
    }

    #[test]
    fn a_moffat_is_itself() {
        for beta in [1.8, 2.5, 4.765, 9.0] {
            let image = RadialTable::image(&ImageParts { inverse_beta: 1.0 / beta, gaussian: 0.0, aperture: None });
            let k = 2f64.powf(1.0 / beta) - 1.0;
            for rho in [0.0, 0.3, 1.0, 2.0, 4.0, 8.0f64] {
                near(image.value(rho * rho), (1.0 + k * rho * rho).powf(-beta));
            }
        }
    }

    #[test]
    fn turbulence_blur_and_an_obstructed_aperture_as_an_adaptive_quadrature_has_them() {
        // scipy 1.17 `quad` of T(k) k J0(k r), T the product of Moffat (beta 3, half width 1; `kv`), Gaussian (half width 0.6) and
        // galsim 2.8.5 `Airy(lam_over_diam=0.8, obscuration=0.3).kValue`; half width 1.390607.
        let aperture = Some(Aperture { wave: 0.575_288_24, obstruction: 0.3 });
        let parts = ImageParts { inverse_beta: 1.0 / 3.0, gaussian: 0.264_705_88, aperture };
        let (image, scale) = RadialTable::solved(&Seeing::moffat(parts.inverse_beta), &parts);
        for (rho, light) in [(0.5, 0.832_285), (1.5, 0.239_983), (2.0, 0.103_924), (3.0, 0.021_332), (5.0, 0.002_333)] {
            near(image.value(rho * rho), light);
        }
        near(scale, 1.390_607_26f64.recip());
        assert!((image.area / 5.865_160_9 - 1.0).abs() < 1e-4);
    }

    #[test]
    fn slopes_follow_the_values() {
        let image = RadialTable::image(&ImageParts { inverse_beta: 0.4, gaussian: 0.5, aperture: None });
        for rho2 in [0.01, 0.4, 1.0, 3.0, 20.0] {
            let step = 1e-5;
            let by_difference = (image.value(rho2 + step) - image.value(rho2 - step)) / (2.0 * step);
            assert!((image.at(rho2).1 - by_difference).abs() < 1e-6, "{rho2}");
        }
    }
}
