//! Rates of sky and dark current in lights.

use crate::facts::night::{NightMethod, NightMissing, NightNote};
use crate::facts::{Input, Missing, Quantity, Source, weaker};
use crate::sensor::SensorResult;
use crate::stats::{MEDIAN_TO_MEAN_ERROR, mean_and_std, median};

use super::lights::MeasuredLight;

/// Dark rate at the temperature of the lights.
pub fn dark_rate(celsius: Option<f64>, sensor: &SensorResult) -> Quantity {
    let not_known = || Quantity::not_measurable(NightMissing::LightTemperature);
    celsius.map_or_else(not_known, |celsius| sensor.dark_current.rate_at(celsius))
}

/// Sky rate of one light, at its own temperature.
pub fn sky_of_light(light: &MeasuredLight, sensor: &SensorResult) -> Quantity {
    let header = &light.read.header;
    let dark = dark_rate(header.celsius().map(|(c, _)| c), sensor);
    sky_rate(&[light], sensor, &dark, header.exposure_s.as_ref().map(|e| e.value))
}

/// Sky rate of a session: median over its lights of the level above bias and the dark charge of the light's own temperature, times gain,
/// over the exposure.
pub fn sky_rate(used: &[&MeasuredLight], sensor: &SensorResult, dark: &Quantity, exposure_s: Option<f64>) -> Quantity {
    let Some(t) = exposure_s.filter(|t| *t > 0.0) else {
        return Quantity::not_measurable(NightMissing::LightExposure);
    };
    let Some((gain, sigma_gain)) = sensor.gain_e_per_adu.pair() else {
        return Quantity::not_measurable(Missing::without(Input::Gain, sensor.gain_e_per_adu.because()));
    };
    let Some((bias, sigma_bias)) = sensor.bias_level_adu.pair() else {
        return Quantity::not_measurable(Missing::without(Input::BiasLevel, sensor.bias_level_adu.because()));
    };
    // What the camera has already taken off the level must not be taken off twice.
    let taken_off = |q: &Quantity| {
        if sensor.dark_current.suppressed_in_camera { (0.0, 0.0) } else { q.pair().unwrap_or((0.0, 0.0)) }
    };
    // Each light at its own temperature, where that is known.
    let dark_of = |l: &MeasuredLight| match dark_rate(l.read.header.celsius().map(|(c, _)| c), sensor) {
        own if own.is_known() => taken_off(&own).0,
        _ => taken_off(dark).0,
    };
    let above_bias = |l: &MeasuredLight| (l.stars.sky_adu - bias) * gain / t;
    let rates: Vec<f64> = used.iter().map(|l| above_bias(l) - dark_of(l)).collect();
    let Some(rate) = median(&rates) else {
        return Quantity::not_measurable(NightMissing::NoUsableLight);
    };
    let n = rates.len() as f64;
    let scatter = mean_and_std(&rates).map_or(0.0, |(_, s)| s);
    let sigma_rate = match used.len() {
        1 => used[0].stars.sky_error_adu * gain / t,
        _ => MEDIAN_TO_MEAN_ERROR * scatter / (n - 1.0).sqrt(),
    };
    let total = median(&used.iter().map(|l| above_bias(l)).collect::<Vec<_>>()).unwrap_or(rate);
    let sigma = [sigma_rate, sigma_bias * gain / t, total * sigma_gain / gain, taken_off(dark).1]
        .iter()
        .map(|s| s * s)
        .sum::<f64>()
        .sqrt();
    let source = weaker(Source::Measured, sensor.gain_e_per_adu.source);
    let sky = Quantity::with(source, rate, Some(sigma), NightMethod::SkyAboveBiasAndDark, used.len());
    if dark.is_known() { sky } else { sky.noted(NightNote::DarkCurrentStillInIt) }
}
