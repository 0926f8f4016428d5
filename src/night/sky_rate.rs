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

/// Sky rate of a session: level above bias and dark, times gain, over the exposure.
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
    let levels: Vec<f64> = used.iter().map(|l| l.stars.sky_adu).collect();
    let Some(level) = median(&levels) else {
        return Quantity::not_measurable(NightMissing::NoUsableLight);
    };
    let n = levels.len() as f64;
    let scatter = mean_and_std(&levels).map_or(0.0, |(_, s)| s);
    let sigma_level = match used.len() {
        1 => used[0].stars.sky_error_adu,
        _ => MEDIAN_TO_MEAN_ERROR * scatter / (n - 1.0).sqrt(),
    };
    let total = (level - bias) * gain / t;
    // What the camera has already taken off the level must not be taken off twice.
    let (dark_rate, sigma_dark) =
        if sensor.dark_current.suppressed_in_camera { (0.0, 0.0) } else { dark.pair().unwrap_or((0.0, 0.0)) };
    let sigma = [sigma_level * gain / t, sigma_bias * gain / t, total * sigma_gain / gain, sigma_dark]
        .iter()
        .map(|s| s * s)
        .sum::<f64>()
        .sqrt();
    let source = weaker(Source::Measured, sensor.gain_e_per_adu.source);
    let sky = Quantity::with(source, total - dark_rate, Some(sigma), NightMethod::SkyAboveBiasAndDark, used.len());
    if dark.is_known() { sky } else { sky.noted(NightNote::DarkCurrentStillInIt) }
}
