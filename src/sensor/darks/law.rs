//! Dark current against temperature: an activated part and, where the data support it, a floor.
//!
//! `D(T) = floor + D0 exp(-Ea/k (1/T - 1/Tref))`, fitted in linear space so that rates near 0 keep their weight.
//! Source: Widenhorn et al. 2002, SPIE 4669 (activated dark current); the fit is ordinary weighted least squares.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::units::{BOLTZMANN_EV_PER_K, Celsius};

use super::exponential::fit_exponential;

/// Fewest temperatures for a floor beside the activated part: one degree of freedom must be left to judge it.
const FEWEST_FOR_FLOOR: usize = 4;
/// A floor is kept where it stands this many of its errors above 0 and lowers chi2 by the square of it.
const FLOOR_SIGNIFICANCE: f64 = 2.0;
/// Step that doubles the dark current where it was not measured, C: an uncooled consumer sensor showed it from 0 to 40 C.
/// Published steps run from 4.6 (Chandra ACIS at -50 C) to 8.6; Widenhorn, Dunlap & Bodegom (2002, SPIE 4669) have 6 to 8.
pub(crate) const ASSUMED_DOUBLING_C: f64 = 6.5;
/// One standard deviation of that step, C: half of the range from 6 to 8.
pub(crate) const ASSUMED_DOUBLING_SIGMA_C: f64 = 1.0;

/// Activation energies that silicon shows, eV: from half its band gap, where charge is generated in the depleted layer, to the whole,
/// where it diffuses from the bulk (0.56 to 1.12; Widenhorn 2002 as above), and a fifth more either way for what two or three
/// temperatures leave open. At 0 C they double in 3.3 to 9.9 C.
const SILICON_EV: [f64; 2] = [0.45, 1.35];

/// Doubling step of an activated rate, C: `ln2 k T^2 / Ea`.
pub(crate) fn doubling_celsius(activation_ev: f64, celsius: f64) -> f64 {
    std::f64::consts::LN_2 * BOLTZMANN_EV_PER_K * Celsius(celsius).kelvin().powi(2) / activation_ev
}

/// Activation energy, eV, of a rate whose local doubling step is `step` at `celsius`: the inverse of [`doubling_celsius`].
pub(crate) fn activation_ev(step: f64, celsius: f64) -> f64 {
    doubling_celsius(step, celsius)
}

/// `-(1/T - 1/Tref)/k`, 1/eV: what the activation energy multiplies in the exponent.
pub(crate) fn arrhenius_coordinate(celsius: f64, reference_celsius: f64) -> f64 {
    (Celsius(reference_celsius).kelvin().recip() - Celsius(celsius).kelvin().recip()) / BOLTZMANN_EV_PER_K
}

/// A dark rate with its independent error at one temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct LawPoint {
    pub celsius: f64,
    pub rate: f64,
    pub sigma: f64,
}

/// The fitted law with all that its evaluation needs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DarkLaw {
    /// Temperature at which thermal_e_per_px_s holds.
    #[schemars(extend("unit" = "°C"))]
    pub reference_celsius: f64,
    /// Activated part there.
    #[schemars(extend("unit" = "e-/px/s"))]
    pub thermal_e_per_px_s: f64,
    /// Activation energy.
    #[schemars(extend("unit" = "eV"))]
    pub activation_energy_ev: f64,
    /// Part that does not change with temperature; null where it was not fitted.
    #[schemars(extend("unit" = "e-/px/s"))]
    pub floor_e_per_px_s: Option<f64>,
    /// Covariance of activated part, activation energy and floor.
    #[schemars(extend("unit" = "products of these"))]
    pub covariance: [[f64; 3]; 3],
    /// Relative error that all rates share: the gain's.
    #[schemars(extend("unit" = "1"))]
    pub common_relative_sigma: f64,
    /// Squared residuals over their variances.
    #[schemars(extend("unit" = "1"))]
    pub chi2: f64,
    /// Number of temperatures less number of parameters.
    #[schemars(extend("unit" = "temperatures"))]
    pub degrees_of_freedom: usize,
}

impl DarkLaw {
    /// Fits the law; the floor is added where four temperatures or more support it.
    ///
    /// Errors grow by `sqrt(chi2/dof)` where that is above 1. `None` where no activated part stands out.
    pub(crate) fn fit(points: &[LawPoint], common_relative_sigma: f64) -> Option<Self> {
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

    /// Whether it is one that silicon shows.
    pub fn is_of_silicon(&self) -> bool {
        (SILICON_EV[0]..=SILICON_EV[1]).contains(&self.activation_energy_ev)
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
    pub(crate) fn scaled(&self, factor: f64) -> Self {
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative tolerance: the check values are printed with five to seven digits.
    const PRINTED_DIGITS: f64 = 2e-5;

    fn near(got: f64, want: f64) {
        assert!((got / want - 1.0).abs() < PRINTED_DIGITS, "got {got}, want {want}");
    }

    // C5.14 to C5.16: closed forms evaluated outside this project; Chandra ACIS: a factor of 20 from -60 to -40 C.
    #[test]
    fn c5_14_to_c5_16_activation_energy_and_doubling_step() {
        near(doubling_celsius(0.63, 0.0), 7.073_9);
        near(doubling_celsius(0.63, 20.0), 8.147_7);
        near(doubling_celsius(1.12, 0.0), 3.979_1);
        near((0.65 * arrhenius_coordinate(20.0, 0.0)).exp(), 6.579_73);
        near((0.65 * arrhenius_coordinate(7.032_79, 0.0)).exp(), 2.0);
        near(activation_ev(6.3, 10.0), 0.760_135);
        near(20f64.ln() / arrhenius_coordinate(-40.0, -60.0), 0.641_456);
    }

    /// Band gap of silicon, eV: `1.1557 - 7.021e-4 T^2 / (1108 + T)`. Janesick 2001, p. 622, as quoted by Konnik & Welsh,
    /// arXiv 1412.4031.
    fn band_gap_ev(kelvin: f64) -> f64 {
        1.1557 - 7.021e-4 * kelvin * kelvin / (1108.0 + kelvin)
    }

    /// Dark current of silicon that makes `na_per_cm2` at 300 K, e-/px/s (same source), as its value at 300 K carried by
    /// `T^1.5 exp(-Eg / 2kT)`.
    fn silicon(na_per_cm2: f64, pixel_um: f64, celsius: f64) -> f64 {
        /// Elementary charge, C (SI, exact).
        const CHARGE: f64 = 1.602_176_634e-19;
        let t = Celsius(celsius).kelvin();
        let at_300 = na_per_cm2 * 1e-9 * (pixel_um * 1e-4).powi(2) / CHARGE;
        let exponent = |t: f64| band_gap_ev(t) / (2.0 * BOLTZMANN_EV_PER_K * t);
        at_300 * (t / 300.0).powf(1.5) * (exponent(300.0) - exponent(t)).exp()
    }

    /// Doubling step of a rate by its slope over a thousandth of a degree either way.
    fn local_step(rate: impl Fn(f64) -> f64, celsius: f64) -> f64 {
        2e-3 * 2f64.ln() / (rate(celsius + 1e-3) / rate(celsius - 1e-3)).ln()
    }

    // C5.1 to C5.4, evaluated outside this project. The rates of C5.2 hold for a constant of 2.5e15, which is 2.76 % less
    // than that which makes the stated current at 300 K (C5.3).
    #[test]
    fn c5_1_to_c5_4_dark_current_of_silicon_has_the_doubling_step_of_its_apparent_energy() {
        for (kelvin, gap) in [(300.0, 1.110_821), (273.15, 1.117_772), (253.15, 1.122_644)] {
            near(band_gap_ev(kelvin), gap);
        }
        near(silicon(0.5, 9.0, 26.85), 2_527.811);
        let constant = 2_458.03 / 2_527.811;
        for (celsius, rate) in [(26.85, 42.902_1), (20.0, 24.198_7), (0.0, 3.891_46), (-20.0, 0.475_776)] {
            near(constant * silicon(0.05, 3.76, celsius), rate);
        }
        for (celsius, energy, step) in [(20.0, 0.632_77, 8.112_1), (0.0, 0.628_37, 7.092_3), (-20.0, 0.624_03, 6.134_1)]
        {
            near(local_step(|at| silicon(0.05, 3.76, at), celsius), step);
            near(doubling_celsius(energy, celsius), step);
            near(activation_ev(step, celsius), energy);
        }
    }

    /// A single activation energy stands for generation in the silicon's depletion layer: how far the step at 0 C may be
    /// off for that, relative. Its own energy changes by 1.4 % from -20 to 20 C.
    const ONE_ENERGY: f64 = 0.01;

    // The law above, and C5.5 and C5.6: data-sheet laws of sensors not inverted, 122 T^3 exp(-6400/T), and inverted,
    // 1.14e6 T^3 exp(-9080/T), both relative to 293 K. Their values and steps were evaluated outside this project.
    #[test]
    fn c5_5_c5_6_one_energy_tells_the_step_of_physical_laws() {
        type Law = fn(f64) -> f64;
        let sheet = |factor: f64, kelvin: f64, celsius: f64| {
            let t = Celsius(celsius).kelvin();
            factor * t.powi(3) * (-kelvin / t).exp()
        };
        for (factor, kelvin, cold, colder) in
            [(122.0, 6400.0, 0.165_917, 0.020_744_3), (1.14e6, 9080.0, 0.084_991_3, 0.004_894_82)]
        {
            near(sheet(factor, kelvin, 0.0), cold);
            near(sheet(factor, kelvin, -20.0), colder);
        }
        let laws: [(Law, f64); 3] = [
            (|c| silicon(0.05, 3.76, c), 7.0923),
            (|c| Celsius(c).kelvin().powi(3) * (-6400.0 / Celsius(c).kelvin()).exp(), 7.1635),
            (|c| Celsius(c).kelvin().powi(3) * (-9080.0 / Celsius(c).kelvin()).exp(), 5.2242),
        ];
        for (rate, step) in laws {
            near(local_step(rate, 0.0), step);
            let points: Vec<LawPoint> = [-20.0, 0.0, 20.0]
                .map(|celsius| LawPoint { celsius, rate: rate(celsius), sigma: 0.05 * rate(celsius) })
                .to_vec();
            let law = DarkLaw::fit(&points, 0.0).unwrap();
            let local = local_step(|at| law.rate(at).0, 0.0);
            assert!((local / step - 1.0).abs() < ONE_ENERGY, "{local} for {step}");
        }
    }

    // Recipe of a public issue tracker: 0.005, 0.0159, 0.0503 ADU/s at -20, -10, 0 C double every 6 C.
    #[test]
    fn darks_at_other_temperatures_predict_the_rate_between() {
        let points = [(-20.0, 0.005), (-10.0, 0.0159), (0.0, 0.0503)].map(|(celsius, rate)| LawPoint {
            celsius,
            rate,
            sigma: 0.02 * rate,
        });
        let law = DarkLaw::fit(&points, 0.0).unwrap();
        assert!((law.doubling().0 - 6.0).abs() < 0.1, "{:?}", law.doubling());
        // A constant doubling step and an activation energy differ by this much between the points.
        assert!((law.rate(-5.0).0 / 0.0283 - 1.0).abs() < 0.03, "{:?}", law.rate(-5.0));
        assert!(law.floor_e_per_px_s.is_none());
    }

    #[test]
    fn a_floor_is_found_where_four_temperatures_support_it_and_not_where_they_do_not() {
        let made = |floor: f64| -> Vec<LawPoint> {
            [-20.0, -10.0, 0.0, 10.0, 20.0]
                .map(|celsius| {
                    let rate = floor + 0.1 * (0.7 * arrhenius_coordinate(celsius, 0.0)).exp();
                    LawPoint { celsius, rate, sigma: 0.01 * rate }
                })
                .to_vec()
        };
        let law = DarkLaw::fit(&made(0.05), 0.0).unwrap();
        assert!((law.floor_e_per_px_s.unwrap() - 0.05).abs() < 1e-4);
        assert!((law.activation_energy_ev - 0.7).abs() < 1e-4);
        assert!(DarkLaw::fit(&made(0.0), 0.0).unwrap().floor_e_per_px_s.is_none());
    }

    #[test]
    fn the_doubling_step_of_the_whole_is_its_logarithmic_slope() {
        let law = DarkLaw {
            reference_celsius: 0.0,
            thermal_e_per_px_s: 0.2,
            activation_energy_ev: 0.7,
            floor_e_per_px_s: Some(0.1),
            covariance: [[1e-4, 0.0, 0.0], [0.0, 1e-4, 0.0], [0.0, 0.0, 1e-4]],
            common_relative_sigma: 0.0,
            chi2: 0.0,
            degrees_of_freedom: 2,
        };
        let slope = (law.rate(0.01).0 / law.rate(-0.01).0).ln() / 0.02;
        assert!((law.doubling().0 - std::f64::consts::LN_2 / slope).abs() < 1e-4);
        // The error against one by finite differences of the three parameters.
        let step = |a: f64, e: f64, b: f64| doubling_celsius(e, 0.0) * (a + b) / a;
        let d = 1e-6;
        let g = [
            (step(0.2 + d, 0.7, 0.1) - step(0.2 - d, 0.7, 0.1)) / (2.0 * d),
            (step(0.2, 0.7 + d, 0.1) - step(0.2, 0.7 - d, 0.1)) / (2.0 * d),
            (step(0.2, 0.7, 0.1 + d) - step(0.2, 0.7, 0.1 - d)) / (2.0 * d),
        ];
        let error = 0.01 * g.iter().map(|g| g * g).sum::<f64>().sqrt();
        assert!((law.doubling().1 / error - 1.0).abs() < 1e-6);
    }
}
