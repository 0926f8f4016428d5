//! The dark current of lights whose headers tell no temperature: that of darks of their exposure and night, as much warmer as their hot
//! pixels, else the air, tell.

use std::f64::consts::LN_2;

use super::intake::{Intake, Read};
use crate::facts::night::{NightMethod, NightNote};
use crate::facts::{FrameKind, Quantity, Source};
use crate::folder::SessionKey;
use crate::sensor::{ASSUMED_DOUBLING_C, DarkCurrent};
use crate::stats::median;

/// How far a sensor's temperature may lie from that of darks of its night, C, one sigma: without a cooler it follows the air, which falls
/// by a few degrees in a night (common practice, no source).
pub const NIGHT_DRIFT_C: f64 = 3.0;
/// Difference of exposures over them that is none.
const SAME_EXPOSURE: f64 = 0.05;
/// Span of temperatures that is one, C.
const ONE_TEMPERATURE_C: f64 = 1.0;

/// How far the logarithm of ordinary pixels' rate may change apart from that of hot pixels, of its change: their doubling steps differ by
/// as much (common practice, no source).
const UNLIKE_HOT: f64 = 0.3;

/// That dark current, by the brightness of the lights' hot pixels over the darks' where `hot_ratio` tells it; `None` where there are no such
/// darks, or where they were taken at several temperatures.
pub fn assumed_dark(
    session: &SessionKey,
    exposure_s: Option<f64>,
    current: &DarkCurrent,
    (intakes, hot_ratio): (&[Intake], Option<(f64, f64)>),
) -> Option<Quantity> {
    let exposure_s = exposure_s.filter(|t| *t > 0.0)?;
    let of_session = |read: &Read| {
        let key = SessionKey::of(&read.header, read.sensor.clone());
        read.kind == FrameKind::Light && key.night == session.night && read.sensor == session.sensor
    };
    let alike = |read: &&Read| {
        let dark = read.kind == FrameKind::Dark && read.sensor == session.sensor;
        let same_night = SessionKey::of(&read.header, read.sensor.clone()).night == session.night;
        let seconds = read.header.dark_seconds();
        dark && same_night && seconds.is_some_and(|s| (s / exposure_s - 1.0).abs() < SAME_EXPOSURE)
    };
    let darks: Vec<&Read> = intakes.iter().filter_map(Intake::read).filter(alike).collect();
    let one_temperature = current.range_celsius.is_none_or(|[low, high]| high - low < ONE_TEMPERATURE_C);
    let (rate, sigma) = current.rate_e_per_px_s.pair().filter(|_| !darks.is_empty() && one_temperature)?;
    if let Some((ratio, error)) = hot_ratio.filter(|(ratio, _)| *ratio > 0.0) {
        let unlike = ratio * UNLIKE_HOT * ratio.ln().abs();
        let sigma = (ratio * sigma).hypot(rate * error.hypot(unlike));
        let rate =
            Quantity::with(Source::Assumed, ratio * rate, Some(sigma), NightMethod::DarksByHotPixels, darks.len());
        return Some(rate.noted(NightNote::HotPixelsOverDarks { ratio, sigma: error }));
    }
    let lights = intakes.iter().filter_map(Intake::read).filter(|r| of_session(r));
    let air = |of: Vec<&Read>| {
        median(&of.iter().filter_map(|r| Some(r.header.air_celsius.as_ref()?.value)).collect::<Vec<_>>())
    };
    // A sensor without a cooler stands so far above the air, whatever that does.
    let warmer_celsius = air(lights.collect()).zip(air(darks.clone())).map(|(lights, darks)| lights - darks);
    let factor = (warmer_celsius.unwrap_or(0.0) / ASSUMED_DOUBLING_C).exp2();
    let (rate, sigma) = (factor * rate, factor * sigma);
    let drift = rate.abs() * LN_2 * NIGHT_DRIFT_C / ASSUMED_DOUBLING_C;
    let rate =
        Quantity::with(Source::Assumed, rate, Some(sigma.hypot(drift)), NightMethod::DarksOfTheNight, darks.len());
    Some(rate.noted(NightNote::DarksAtLightsTemperature { warmer_celsius, drift_celsius: NIGHT_DRIFT_C }))
}
