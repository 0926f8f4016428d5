//! The noise of a session's lights, held against what their camera makes of their level.

use crate::facts::Quantity;
use crate::frame::NoiseAtLevel;
use crate::sensor::{PixelDarkRates, SensorResult};
use crate::verdict::{CameraNoise, NoiseCheckInput, NoiseFinding, OneLight, Pattern, noise_check};

use super::dark_match::nearest_pixels;
use super::lights::MeasuredLight;

/// Holds lights of one session, at a sensor temperature, and the differences of their neighbours against the sensor.
pub fn held_against_its_noise(
    used: &[&MeasuredLight],
    pairs: &[Vec<NoiseAtLevel>],
    celsius: Option<f64>,
    sensor: &SensorResult,
) -> NoiseFinding {
    let lights: Vec<OneLight> = used.iter().map(|l| one(l)).collect();
    let surveys = || used.iter().map(|l| &l.read.survey);
    noise_check(&NoiseCheckInput {
        pairs,
        lights: &lights,
        camera: CameraNoise {
            gain_e_per_adu: &sensor.gain_e_per_adu,
            bias_level_adu: &sensor.bias_level_adu,
            level_drift_adu: sensor.level_drift_adu.value.unwrap_or(0.0),
            read_noise_adu: ordinary_read_noise(sensor),
            adu_step: sensor.adu_step,
            pattern: pattern(used, celsius, sensor),
        },
        fractional: used.iter().any(|l| l.read.is_processed()),
        highest_adu: surveys().map(|s| s.highest_adu).fold(0.0, f64::max),
        resampled: used.iter().any(|l| l.resampled()),
        dark_level_taken_off: sensor.dark_current.suppressed_in_camera,
    })
}

fn one(light: &MeasuredLight) -> OneLight<'_> {
    let pixels = (light.read.geometry.width * light.read.geometry.height) as f64;
    OneLight { noise: &light.noise, px_a_star: pixels / light.stars.star_count.max(1) as f64 }
}

/// The read noise of the pixels that the noise of lights is measured on: those that jump are outliers there.
fn ordinary_read_noise(sensor: &SensorResult) -> &Quantity {
    let ordinary = &sensor.read_noise_tail.ordinary_adu;
    if ordinary.is_known() { ordinary } else { &sensor.read_noise_adu }
}

/// What the pixels of these lights differ by in every frame: in the bias, in the dark charge of the exposure, and in the response.
fn pattern(used: &[&MeasuredLight], celsius: Option<f64>, sensor: &SensorResult) -> Pattern {
    let header = used.first().map(|light| &light.read.header);
    let dark_adu = || {
        let (celsius, seconds) = (celsius?, header?.dark_seconds()?);
        let (at, pixels) = nearest_pixels(sensor, celsius)?;
        let grown = sensor.dark_current.rate_at(celsius).value? / sensor.dark_current.rate_at(at).value?;
        Some(most_pixels_e_per_s(pixels)? * grown.max(0.0) * seconds / sensor.gain_e_per_adu.value?)
    };
    let filter = header.and_then(|h| h.filter.as_ref()).map(|f| &f.value);
    let responses = || sensor.prnu.iter().filter_map(|p| Some((p.filter.as_ref(), p.fraction.value?)));
    // The response differs little from filter to filter.
    let of_light = responses().find(|(f, _)| *f == filter).or_else(|| responses().next()).map_or(0.0, |(_, part)| part);
    let unlit_adu = sensor.fixed_pattern_adu.value.unwrap_or(0.0).hypot(dark_adu().unwrap_or(0.0));
    Pattern { unlit_adu2: unlit_adu.powi(2), of_light }
}

/// By how much the dark rates of most pixels differ, e-/s: half of what the middle 68 % span, the noise taken off. Hot ones are cut out of
/// the noise of lights.
fn most_pixels_e_per_s(pixels: &PixelDarkRates) -> Option<f64> {
    let below = |share: f64| pixels.quantiles.iter().find(|q| q.share == share).map(|q| q.e_per_px_s);
    let half = 0.5 * (below(0.84)? - below(0.16)?);
    Some((half.powi(2) - pixels.noise_e_per_px_s?.powi(2)).max(0.0).sqrt())
}
