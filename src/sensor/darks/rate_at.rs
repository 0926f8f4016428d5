//! The dark rate at any temperature, from what is known of it at those measured.

use crate::facts::sensor::{SensorMethod, SensorMissing, SensorNote};
use crate::facts::{Quantity, Source};

use super::law::{activation_ev, arrhenius_coordinate};
use crate::sensor::DarkCurrent;

/// Relative spread of the activation energy beyond the measured range: it runs from half the band gap (cold) to the
/// whole (warm), a factor of 2; a fifth of the fitted value is one standard deviation of what a range next to it shows.
const ACTIVATION_SPREAD_BEYOND_RANGE: f64 = 0.2;
/// Step over which an assumed doubling adds less than 1 % of error, C: the rate stays a measured one.
const SAME_TEMPERATURE_C: f64 = 0.5;

impl DarkCurrent {
    /// Dark rate at a sensor temperature, e-/px/s.
    ///
    /// From the fitted law; else from the rate at the reference and the doubling step (assumed or given). Beyond the
    /// measured range the error grows by the spread of the activation energy. Not measurable without a rate, or
    /// without the temperature that it belongs to.
    pub fn rate_at(&self, celsius: f64) -> Quantity {
        let Some((reference_rate, reference_sigma)) = self.rate_e_per_px_s.pair() else {
            return Quantity::not_measurable(self.rate_e_per_px_s.because());
        };
        let Some(reference) = self.reference_celsius else {
            return Quantity::not_measurable(SensorMissing::NoTemperatureOfDarkRate);
        };
        let beyond = self.range_celsius.map_or(0.0, |[low, high]| (low - celsius).max(celsius - high).max(0.0));
        let nearest = self.range_celsius.map_or(reference, |[low, high]| celsius.clamp(low, high));
        if let Some(law) = &self.law {
            let (rate, sigma) = law.rate(celsius);
            let thermal = rate - law.floor_e_per_px_s.unwrap_or(0.0);
            let exponent = law.activation_energy_ev * arrhenius_coordinate(celsius, nearest);
            let widened = sigma.hypot(ACTIVATION_SPREAD_BEYOND_RANGE * exponent.abs() * thermal);
            let source = self.rate_e_per_px_s.source;
            let quantity = Quantity::with(
                source,
                rate,
                Some(widened),
                SensorMethod::DarkLaw(self.model.clone()),
                self.points.len(),
            );
            return if beyond > 0.0 {
                quantity.noted(SensorNote::BeyondMeasuredTemperatures { by_c: beyond })
            } else {
                quantity
            };
        }
        let Some((doubling, doubling_sigma)) = self.doubling_celsius.pair().filter(|d| d.0 > 0.0) else {
            return Quantity::not_measurable(self.doubling_celsius.because());
        };
        let floor = self.floor_e_per_px_s.value.unwrap_or(0.0);
        let energy = activation_ev(doubling, reference);
        let exponent = energy * arrhenius_coordinate(celsius, reference);
        let thermal = (reference_rate - floor) * exponent.exp();
        let (from_rate, from_step) =
            (reference_sigma * exponent.exp(), thermal * exponent.abs() * doubling_sigma / doubling);
        let sigma = from_rate.hypot(from_step);
        let moved = (celsius - reference).abs() > SAME_TEMPERATURE_C;
        let source = if moved { self.doubling_celsius.source } else { self.rate_e_per_px_s.source };
        let quantity = Quantity::with(
            source,
            floor + thermal,
            Some(sigma),
            SensorMethod::CarriedByDoublingStep,
            self.rate_e_per_px_s.n,
        );
        if source == Source::Assumed {
            quantity.noted(SensorNote::DoublingStepAssumed { celsius: doubling, sigma_c: doubling_sigma })
        } else {
            quantity
        }
    }
}
