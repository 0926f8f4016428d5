//! How the thermal part of a dark current falls with temperature.

use std::f64::consts::LN_2;

use super::propagation::Parameter;
pub use crate::facts::answers::ThermalStep;
use crate::facts::{Quantity, Source};
use crate::sensor::{ASSUMED_DOUBLING_C, ASSUMED_DOUBLING_SIGMA_C, DarkCurrent};
use crate::units::{BOLTZMANN_EV_PER_K, Celsius, ZERO_CELSIUS_K};

/// Lowest doubling step that is drawn, C: pure diffusion with the full band gap gives 3.5 at 0 C.
const LOWEST_DOUBLING_C: f64 = 3.0;

impl ThermalStep {
    /// The number with its uncertainty and the lowest value that makes sense.
    pub(crate) fn parameter(self) -> Parameter {
        match self {
            Self::ActivationEnergy { ev, sigma_ev } => Parameter { value: ev, sigma: sigma_ev, min: 0.0 },
            Self::Doubling { celsius, sigma_c } => {
                Parameter { value: celsius, sigma: sigma_c, min: LOWEST_DOUBLING_C.min(celsius) }
            }
        }
    }

    /// The same law with another number.
    pub(crate) fn with(self, value: f64) -> Self {
        match self {
            Self::ActivationEnergy { sigma_ev, .. } => Self::ActivationEnergy { ev: value, sigma_ev },
            Self::Doubling { sigma_c, .. } => Self::Doubling { celsius: value, sigma_c },
        }
    }

    /// Thermal dark rate at `to` over that at `from`, both degrees Celsius.
    pub fn ratio(self, from_celsius: f64, to_celsius: f64) -> f64 {
        match self {
            Self::ActivationEnergy { ev, .. } => {
                let inverse = |c: f64| Celsius(c).kelvin().recip();
                (ev / BOLTZMANN_EV_PER_K * (inverse(from_celsius) - inverse(to_celsius))).exp()
            }
            Self::Doubling { celsius, .. } => ((to_celsius - from_celsius) / celsius * LN_2).exp(),
        }
    }

    /// Drop from `from_celsius` after which the thermal rate is `ratio` of what it was, C; not a number for `ratio` <= 0.
    ///
    /// Formula: `1/T = 1/T_from - k ln(ratio)/E`, or `step log2(1/ratio)`.
    pub fn drop_c(self, from_celsius: f64, ratio: f64) -> f64 {
        if ratio <= 0.0 {
            return f64::NAN;
        }
        match self {
            Self::ActivationEnergy { ev, .. } => {
                let inverse = Celsius(from_celsius).kelvin().recip() - BOLTZMANN_EV_PER_K / ev * ratio.ln();
                from_celsius - (inverse.recip() - ZERO_CELSIUS_K)
            }
            Self::Doubling { celsius, .. } => -celsius * ratio.log2(),
        }
    }
}

/// The step, where it came from, and the temperatures over which it was measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CoolingLaw {
    pub step: ThermalStep,
    pub source: Source,
    /// Lowest and highest temperature measured, C.
    pub range_celsius: Option<[f64; 2]>,
}

impl CoolingLaw {
    /// The stated assumption where nothing was measured.
    pub fn assumed() -> Self {
        let step = ThermalStep::Doubling { celsius: ASSUMED_DOUBLING_C, sigma_c: ASSUMED_DOUBLING_SIGMA_C };
        Self { step, source: Source::Assumed, range_celsius: None }
    }

    /// The law of a measured dark current: its activation energy, else its doubling step, else the assumption.
    ///
    /// A fit that does not fall with temperature (energy or step not above 0) counts as not measured.
    pub fn of(dark: &DarkCurrent) -> Self {
        Self::from_parts(&dark.activation_energy_ev, &dark.doubling_celsius, dark.range_celsius)
    }

    /// As [`CoolingLaw::of`], from the activation energy (eV), the doubling step (C) and the range of temperatures (C).
    pub fn from_parts(energy_ev: &Quantity, doubling_celsius: &Quantity, range_celsius: Option<[f64; 2]>) -> Self {
        let above_zero = |q: &Quantity| q.pair().filter(|(v, _)| *v > 0.0);
        if let Some((ev, sigma_ev)) = above_zero(energy_ev) {
            let step = ThermalStep::ActivationEnergy { ev, sigma_ev };
            return Self { step, source: energy_ev.source, range_celsius };
        }
        match above_zero(doubling_celsius) {
            Some((celsius, sigma_c)) => {
                let step = ThermalStep::Doubling { celsius, sigma_c };
                Self { step, source: doubling_celsius.source, range_celsius }
            }
            None => Self::assumed(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::{Method, Missing};

    #[test]
    fn c6_8_a_night_that_cools_gathers_more_than_its_middle_temperature() {
        // Check value C6.8: from 18 to 10 C with a step of 6.5 C, mean factor to 0 C and that at 14 C; seven digits.
        let step = ThermalStep::Doubling { celsius: 6.5, sigma_c: 0.0 };
        assert!((step.ratio(0.0, 14.0) / 4.450_126 - 1.0).abs() < 1e-6);
        // Simpson's rule over 16 parts: its error goes with the fourth power of half a degree over 9.4 C, below 1e-7.
        let weight = |k: u32| if k == 0 || k == 16 { 1.0 } else { f64::from(2 + 2 * (k % 2)) };
        let sum: f64 = (0..=16).map(|k| weight(k) * step.ratio(0.0, 10.0 + 0.5 * f64::from(k))).sum();
        assert!((sum / 48.0 / 4.586_307 - 1.0).abs() < 1e-6);
    }

    #[test]
    fn exact_step_and_ratio_of_an_activation_energy() {
        // Check value C5.15: 0.65 eV, the step that doubles from 273.15 K, and the ratio from 293.15 to 273.15 K.
        let law = ThermalStep::ActivationEnergy { ev: 0.65, sigma_ev: 0.0 };
        assert!((law.drop_c(0.0, 2.0) + 7.032_79).abs() < 1e-5);
        assert!((law.ratio(0.0, 20.0) - 6.579_73).abs() < 1e-5);
    }

    #[test]
    fn energy_from_a_rise_by_twenty() {
        // Check value C5.16, Chandra ACIS: 0.641456 eV makes 20 times more from -60 to -40 C.
        let law = ThermalStep::ActivationEnergy { ev: 0.641_456, sigma_ev: 0.0 };
        assert!((law.ratio(-60.0, -40.0) / 20.0 - 1.0).abs() < 1e-5);
    }

    #[test]
    fn a_drop_undoes_its_ratio() {
        for law in [
            ThermalStep::ActivationEnergy { ev: 0.6, sigma_ev: 0.0 },
            ThermalStep::Doubling { celsius: 6.3, sigma_c: 0.0 },
        ] {
            assert!((law.drop_c(12.0, law.ratio(12.0, -8.0)) - 20.0).abs() < 1e-9);
            assert!(law.drop_c(12.0, 0.0).is_nan());
        }
    }

    #[test]
    fn trade_figure_of_thirteen_and_a_half_degrees() {
        // Science base section 6: 13.5 C divides by 4.76, 4.42, 3.81 for steps of 6, 6.3, 7 C; three digits.
        for (celsius, factor) in [(6.0, 4.76), (6.3, 4.42), (7.0, 3.81)] {
            let law = ThermalStep::Doubling { celsius, sigma_c: 0.0 };
            assert!((law.ratio(13.5, 0.0) * factor - 1.0).abs() < 2e-3);
        }
    }

    #[test]
    fn a_dark_current_hands_on_the_best_it_has() {
        let none = || Quantity::not_measurable(Missing::Unstated);
        let mut dark =
            DarkCurrent { range_celsius: Some([-10.0, 10.0]), ..DarkCurrent::not_measurable("one temperature only") };
        assert_eq!(CoolingLaw::of(&dark), CoolingLaw::assumed());
        dark.doubling_celsius = Quantity::measured(6.1, 0.2, Method::NotMeasurable, 5);
        assert_eq!(CoolingLaw::of(&dark).step, ThermalStep::Doubling { celsius: 6.1, sigma_c: 0.2 });
        dark.activation_energy_ev = Quantity::measured(0.7, 0.02, Method::NotMeasurable, 5);
        assert_eq!(CoolingLaw::of(&dark).step, ThermalStep::ActivationEnergy { ev: 0.7, sigma_ev: 0.02 });
        assert_eq!(CoolingLaw::of(&dark).range_celsius, Some([-10.0, 10.0]));
        dark.activation_energy_ev = Quantity::measured(-0.1, 0.3, Method::NotMeasurable, 2);
        dark.doubling_celsius = none();
        assert_eq!(CoolingLaw::of(&dark).source, Source::Assumed);
    }
}
