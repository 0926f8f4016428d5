//! Dark current against temperature: an activated part and, where the data support it, a floor.
//!
//! `D(T) = floor + D0 exp(-Ea/k (1/T - 1/Tref))`, fitted in linear space so that rates near 0 keep their weight.
//! Source: Widenhorn et al. 2002, SPIE 4669 (activated dark current); the fit is ordinary weighted least squares.

use serde::Serialize;

use crate::quantity::{Quantity, Source};
use crate::units::{BOLTZMANN_EV_PER_K, Celsius};

use super::DarkCurrent;

/// Fewest temperatures for a floor beside the activated part: one degree of freedom must be left to judge it.
const FEWEST_FOR_FLOOR: usize = 4;
/// A floor is kept where it stands this many of its errors above 0 and lowers chi2 by the square of it.
const FLOOR_SIGNIFICANCE: f64 = 2.0;
/// Step that doubles the dark current where it was not measured, C, and its spread: published values run from 5 to 8 C
/// (Widenhorn, Dunlap & Bodegom: 6 to 8 C; 6.5 C measured on an uncooled sensor from 0 to 40 C).
pub const ASSUMED_DOUBLING_C: (f64, f64) = (6.5, 1.0);
/// Relative spread of the activation energy beyond the measured range: it runs from half the band gap (cold) to the
/// whole (warm), a factor of 2; a fifth of the fitted value is one standard deviation of what a range next to it shows.
const ACTIVATION_SPREAD_BEYOND_RANGE: f64 = 0.2;

/// `y = floor + amplitude exp(exponent u)`.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Exponential {
    pub amplitude: f64,
    pub exponent: f64,
    pub floor: f64,
    /// Covariance in the order amplitude, exponent, floor; from the stated errors alone.
    pub covariance: [[f64; 3]; 3],
    pub chi2: f64,
    pub degrees_of_freedom: usize,
}

/// Weighted least squares in linear space. The linear parameters are solved for each exponent, which is searched.
///
/// `None` with fewer points than parameters, equal `u`, or an amplitude that is not positive.
pub(super) fn fit_exponential(u: &[f64], y: &[f64], sigma: &[f64], with_floor: bool) -> Option<Exponential> {
    let parameters = if with_floor { 3 } else { 2 };
    let (low, high) = u.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
    let span = high - low;
    if u.len() < parameters || span.is_nan() || span <= 0.0 || sigma.iter().any(|s| s.is_nan() || *s <= 0.0) {
        return None;
    }
    let solve = |p: f64| linear_part(u, y, sigma, p, with_floor);
    let chi2 = |p: f64| solve(p).map_or(f64::INFINITY, |s| s.2);
    // From a rise of 2 % over the range to one by e^20; a logarithmic grid finds the valley, the golden section its foot.
    const GRID: usize = 400;
    let at = |i: f64| (0.02f64.ln() + (20f64.ln() - 0.02f64.ln()) * i / GRID as f64).exp() / span;
    let best = (0..=GRID).min_by(|a, b| chi2(at(*a as f64)).total_cmp(&chi2(at(*b as f64))))?;
    let (mut a, mut b) = (at(best as f64 - 1.0), at(best as f64 + 1.0));
    let ratio = 0.5 * (5f64.sqrt() - 1.0);
    for _ in 0..80 {
        let (c, d) = (b - ratio * (b - a), a + ratio * (b - a));
        if chi2(c) < chi2(d) { b = d } else { a = c }
    }
    let exponent = 0.5 * (a + b);
    let (amplitude, floor, chi2) = solve(exponent)?;
    if amplitude.is_nan() || amplitude <= 0.0 {
        return None;
    }
    let covariance = covariance(u, sigma, amplitude, exponent, with_floor)?;
    Some(Exponential { amplitude, exponent, floor, covariance, chi2, degrees_of_freedom: u.len() - parameters })
}

/// (amplitude, floor, chi2) for a given exponent.
fn linear_part(u: &[f64], y: &[f64], sigma: &[f64], p: f64, with_floor: bool) -> Option<(f64, f64, f64)> {
    let (mut sff, mut sf, mut s, mut sfy, mut sy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for i in 0..u.len() {
        let (f, w) = ((p * u[i]).exp(), sigma[i].powi(-2));
        sff += w * f * f;
        sf += w * f;
        s += w;
        sfy += w * f * y[i];
        sy += w * y[i];
    }
    let (amplitude, floor) = if with_floor {
        let determinant = sff * s - sf * sf;
        ((s * sfy - sf * sy) / determinant, (sff * sy - sf * sfy) / determinant)
    } else {
        (sfy / sff, 0.0)
    };
    let chi2 = (0..u.len()).map(|i| ((y[i] - floor - amplitude * (p * u[i]).exp()) / sigma[i]).powi(2)).sum::<f64>();
    chi2.is_finite().then_some((amplitude, floor, chi2))
}

fn covariance(u: &[f64], sigma: &[f64], amplitude: f64, p: f64, with_floor: bool) -> Option<[[f64; 3]; 3]> {
    let mut normal = nalgebra::Matrix3::zeros();
    for (u, sigma) in u.iter().zip(sigma) {
        let f = (p * u).exp();
        let row = nalgebra::Vector3::new(f, amplitude * u * f, f64::from(u8::from(with_floor))) / *sigma;
        normal += row * row.transpose();
    }
    if !with_floor {
        normal[(2, 2)] = 1.0;
    }
    let mut inverse = normal.try_inverse()?;
    if !with_floor {
        inverse[(2, 2)] = 0.0;
    }
    Some(std::array::from_fn(|i| std::array::from_fn(|j| inverse[(i, j)])))
}

/// Doubling step of an activated rate, C: `ln2 k T^2 / Ea`.
pub fn doubling_celsius(activation_ev: f64, celsius: f64) -> f64 {
    std::f64::consts::LN_2 * BOLTZMANN_EV_PER_K * Celsius(celsius).kelvin().powi(2) / activation_ev
}

/// Activation energy, eV, of a rate whose local doubling step is `step` at `celsius`: the inverse of [`doubling_celsius`].
pub fn activation_ev(step: f64, celsius: f64) -> f64 {
    doubling_celsius(step, celsius)
}

/// `-(1/T - 1/Tref)/k`, 1/eV: what the activation energy multiplies in the exponent.
fn arrhenius_coordinate(celsius: f64, reference_celsius: f64) -> f64 {
    (Celsius(reference_celsius).kelvin().recip() - Celsius(celsius).kelvin().recip()) / BOLTZMANN_EV_PER_K
}

/// A dark rate with its independent error at one temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct LawPoint {
    pub celsius: f64,
    pub rate: f64,
    pub sigma: f64,
}

/// The fitted law with all that its evaluation needs.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DarkLaw {
    /// Temperature at which `thermal_e_per_px_s` holds, C.
    pub reference_celsius: f64,
    /// Activated part at the reference, e-/px/s.
    pub thermal_e_per_px_s: f64,
    /// Activation energy, eV.
    pub activation_energy_ev: f64,
    /// Part that does not change with temperature, e-/px/s; `None` where it was not fitted.
    pub floor_e_per_px_s: Option<f64>,
    /// Covariance of activated part, activation energy, floor.
    pub covariance: [[f64; 3]; 3],
    /// Relative error that all rates share (the gain's).
    pub common_relative_sigma: f64,
    /// Sum of squared residuals over their variances.
    pub chi2: f64,
    /// Number of temperatures less number of parameters.
    pub degrees_of_freedom: usize,
}

impl DarkLaw {
    /// Fits the law; the floor is added where four temperatures or more support it.
    ///
    /// Errors grow by `sqrt(chi2/dof)` where that is above 1. `None` where no activated part stands out.
    pub(super) fn fit(points: &[LawPoint], common_relative_sigma: f64) -> Option<Self> {
        let temperatures = || points.iter().map(|p| Celsius(p.celsius).kelvin().recip());
        let (low, high) = temperatures().fold((f64::INFINITY, 0.0f64), |(l, h), v| (l.min(v), h.max(v)));
        let reference_celsius = (0.5 * (low + high)).recip() - crate::units::ZERO_CELSIUS_K;
        let u: Vec<f64> = points.iter().map(|p| arrhenius_coordinate(p.celsius, reference_celsius)).collect();
        let y: Vec<f64> = points.iter().map(|p| p.rate).collect();
        let sigma: Vec<f64> = points.iter().map(|p| p.sigma).collect();
        let plain = fit_exponential(&u, &y, &sigma, false)?;
        let floored = (points.len() >= FEWEST_FOR_FLOOR).then(|| fit_exponential(&u, &y, &sigma, true)).flatten();
        let supported = floored.filter(|f| {
            let grown = (f.chi2 / f.degrees_of_freedom as f64).max(1.0);
            f.floor > FLOOR_SIGNIFICANCE * (grown * f.covariance[2][2]).sqrt()
                && plain.chi2 - f.chi2 > FLOOR_SIGNIFICANCE.powi(2) * grown
        });
        let with_floor = supported.is_some();
        let fit = supported.unwrap_or(plain);
        let grown = if fit.degrees_of_freedom > 0 { (fit.chi2 / fit.degrees_of_freedom as f64).max(1.0) } else { 1.0 };
        Some(Self {
            reference_celsius,
            thermal_e_per_px_s: fit.amplitude,
            activation_energy_ev: fit.exponent,
            floor_e_per_px_s: with_floor.then_some(fit.floor),
            covariance: fit.covariance.map(|row| row.map(|c| c * grown)),
            common_relative_sigma,
            chi2: fit.chi2,
            degrees_of_freedom: fit.degrees_of_freedom,
        })
    }

    /// Rate at a temperature and its error from the fit, e-/px/s.
    pub fn rate(&self, celsius: f64) -> (f64, f64) {
        let u = arrhenius_coordinate(celsius, self.reference_celsius);
        let f = (self.activation_energy_ev * u).exp();
        let thermal = self.thermal_e_per_px_s * f;
        let rate = thermal + self.floor_e_per_px_s.unwrap_or(0.0);
        let sigma = self.propagate([f, thermal * u, 1.0]);
        (rate, sigma.hypot(rate * self.common_relative_sigma))
    }

    /// Step that doubles the whole dark current, floor included, at the reference: `ln2 / (d ln D / dT)`, and its error.
    pub fn doubling(&self) -> (f64, f64) {
        let share_inverse = 1.0 + self.floor_e_per_px_s.unwrap_or(0.0) / self.thermal_e_per_px_s;
        let thermal = doubling_celsius(self.activation_energy_ev, self.reference_celsius);
        let step = thermal * share_inverse;
        let gradient = [
            thermal * (1.0 - share_inverse) / self.thermal_e_per_px_s,
            -step / self.activation_energy_ev,
            thermal / self.thermal_e_per_px_s,
        ];
        (step, self.propagate(gradient))
    }

    /// Step that doubles the activated part alone at the reference, and its error.
    pub fn thermal_doubling(&self) -> (f64, f64) {
        let step = doubling_celsius(self.activation_energy_ev, self.reference_celsius);
        (step, step * self.covariance[1][1].sqrt() / self.activation_energy_ev)
    }

    /// The law of rates that are `factor` times as large (a change of unit).
    pub(super) fn scaled(&self, factor: f64) -> Self {
        let scale = [factor, 1.0, factor];
        let covariance = std::array::from_fn(|i| std::array::from_fn(|j| self.covariance[i][j] * scale[i] * scale[j]));
        Self {
            thermal_e_per_px_s: self.thermal_e_per_px_s * factor,
            floor_e_per_px_s: self.floor_e_per_px_s.map(|f| f * factor),
            covariance,
            ..self.clone()
        }
    }

    fn propagate(&self, gradient: [f64; 3]) -> f64 {
        let mut variance = 0.0;
        for i in 0..3 {
            for j in 0..3 {
                variance += gradient[i] * self.covariance[i][j] * gradient[j];
            }
        }
        variance.max(0.0).sqrt()
    }
}

impl DarkCurrent {
    /// Dark rate at a sensor temperature, e-/px/s.
    ///
    /// From the fitted law; else from the rate at the reference and the doubling step (assumed or given). Beyond the
    /// measured range the error grows by the spread of the activation energy. Not measurable without a rate, or
    /// without the temperature that it belongs to.
    pub fn rate_at(&self, celsius: f64) -> Quantity {
        let Some((reference_rate, reference_sigma)) = self.rate_e_per_px_s.pair() else {
            return Quantity::not_measurable(self.rate_e_per_px_s.why());
        };
        let Some(reference) = self.reference_celsius else {
            return Quantity::not_measurable("the temperature of the dark frames is not known");
        };
        let beyond = self.range_celsius.map_or(0.0, |[low, high]| (low - celsius).max(celsius - high).max(0.0));
        let nearest = self.range_celsius.map_or(reference, |[low, high]| celsius.clamp(low, high));
        if let Some(law) = &self.law {
            let (rate, sigma) = law.rate(celsius);
            let thermal = rate - law.floor_e_per_px_s.unwrap_or(0.0);
            let exponent = law.activation_energy_ev * arrhenius_coordinate(celsius, nearest);
            let widened = sigma.hypot(ACTIVATION_SPREAD_BEYOND_RANGE * exponent.abs() * thermal);
            let source = self.rate_e_per_px_s.source;
            let quantity = Quantity::with(source, rate, Some(widened), self.model.clone(), self.points.len());
            return if beyond > 0.0 {
                quantity.noted(format!("{beyond:.1} C beyond the temperatures measured"))
            } else {
                quantity
            };
        }
        let Some((doubling, doubling_sigma)) = self.doubling_celsius.pair().filter(|d| d.0 > 0.0) else {
            return Quantity::not_measurable(self.doubling_celsius.why());
        };
        let floor = self.floor_e_per_px_s.value.unwrap_or(0.0);
        let energy = activation_ev(doubling, reference);
        let exponent = energy * arrhenius_coordinate(celsius, reference);
        let thermal = (reference_rate - floor) * exponent.exp();
        let sigma = (reference_sigma * exponent.exp()).hypot(thermal * exponent * doubling_sigma / doubling);
        let moved = (celsius - reference).abs() > 0.05;
        let source = if moved { self.doubling_celsius.source } else { self.rate_e_per_px_s.source };
        let quantity = Quantity::with(
            source,
            floor + thermal,
            Some(sigma),
            "rate at the reference temperature carried by the doubling step",
            self.rate_e_per_px_s.n,
        );
        if source == Source::Assumed {
            quantity.noted(format!("doubling step of {doubling:.1} +- {doubling_sigma:.1} C assumed"))
        } else {
            quantity
        }
    }
}
