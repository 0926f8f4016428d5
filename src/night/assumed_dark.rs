//! The dark current of lights whose headers tell no temperature: that of darks of their exposure and night, as much warmer as
//! shielded or hot pixels, else the air, tell.

use std::f64::consts::LN_2;

use super::intake::{Intake, Read};
use crate::facts::night::{NightMethod, NightNote};
use crate::facts::{FrameKind, Quantity, Source};
use crate::folder::{Carded, FrameHeader, SessionKey};
use crate::sensor::{ASSUMED_DOUBLING_C, DarkCurrent};
use crate::stats::{median, median_with_error};

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

/// The same of shielded pixels, which are ordinary ones but for their cover (common practice, no source); and the errors that their dark charge
/// has at least.
const UNLIKE_SHIELDED: f64 = 0.1;
const LEAST_ERRORS: f64 = 5.0;

/// That dark current, by the brightness of the lights' hot pixels over the darks' where `hot_ratio` tells it; `None` where there are no such
/// darks, or where they were taken at several temperatures.
pub fn assumed_dark(
    session: &SessionKey,
    exposure_s: Option<f64>,
    current: &DarkCurrent,
    (intakes, hot_ratio): (&[Intake], Option<(f64, f64)>),
) -> Option<Quantity> {
    let exposure_s = exposure_s.filter(|t| *t > 0.0)?;
    let night = |read: &Read| SessionKey::of(&read.header, read.sensor.clone()).night;
    let of_kind = |kind: FrameKind| -> Vec<&Read> {
        let reads = intakes.iter().filter_map(Intake::read);
        reads.filter(|r| r.kind == kind && r.sensor == session.sensor && night(r) == session.night).collect()
    };
    let as_long =
        |read: &&Read| read.header.dark_seconds().is_some_and(|s| (s / exposure_s - 1.0).abs() < SAME_EXPOSURE);
    let darks: Vec<&Read> = of_kind(FrameKind::Dark).into_iter().filter(as_long).collect();
    let lights: Vec<&Read> = of_kind(FrameKind::Light).into_iter().filter(as_long).collect();
    let one_temperature = current.range_celsius.is_none_or(|[low, high]| high - low < ONE_TEMPERATURE_C);
    let (rate, sigma) = current.rate_e_per_px_s.pair().filter(|_| !darks.is_empty() && one_temperature)?;
    let told = |(ratio, error): (f64, f64), unlike: f64, method: NightMethod| {
        let open = error.hypot(ratio * unlike * ratio.ln().abs());
        let sigma = (ratio * sigma).hypot(rate * open);
        Quantity::with(Source::Assumed, ratio * rate, Some(sigma), method, darks.len())
    };
    if let Some((ratio, error)) = shielded_ratio(&lights, &darks, &of_kind(FrameKind::Bias)) {
        let rate = told((ratio, error), UNLIKE_SHIELDED, NightMethod::DarksByShieldedPixels);
        return Some(rate.noted(NightNote::ShieldedPixelsOverDarks { ratio, sigma: error }));
    }
    if let Some((ratio, error)) = hot_ratio.filter(|(ratio, _)| *ratio > 0.0) {
        let rate = told((ratio, error), UNLIKE_HOT, NightMethod::DarksByHotPixels);
        return Some(rate.noted(NightNote::HotPixelsOverDarks { ratio, sigma: error }));
    }
    let air = |of: &[&Read]| median(&values(of, |h| h.air_celsius.as_ref()));
    // A sensor without a cooler stands so far above the air, whatever that does.
    let warmer_celsius = air(&lights).zip(air(&darks)).map(|(lights, darks)| lights - darks);
    let factor = (warmer_celsius.unwrap_or(0.0) / ASSUMED_DOUBLING_C).exp2();
    let (rate, sigma) = (factor * rate, factor * sigma);
    let drift = rate.abs() * LN_2 * NIGHT_DRIFT_C / ASSUMED_DOUBLING_C;
    let rate =
        Quantity::with(Source::Assumed, rate, Some(sigma.hypot(drift)), NightMethod::DarksOfTheNight, darks.len());
    Some(rate.noted(NightNote::DarksAtLightsTemperature { warmer_celsius, drift_celsius: NIGHT_DRIFT_C }))
}

fn values(of: &[&Read], pick: fn(&FrameHeader) -> Option<&Carded<f64>>) -> Vec<f64> {
    of.iter().filter_map(|r| Some(pick(&r.header)?.value)).collect()
}

/// Dark charge of the shielded pixels of lights over that of the darks', both above the biases', with its error; `None` where they do not tell.
fn shielded_ratio(lights: &[&Read], darks: &[&Read], biases: &[&Read]) -> Option<(f64, f64)> {
    let level = |of: &[&Read]| {
        let levels = values(of, |h| h.shielded_adu.as_ref());
        (levels.len() > 1).then(|| median_with_error(&levels)).flatten()
    };
    let ((light, of_light), (dark, of_dark), (bias, of_bias)) = (level(lights)?, level(darks)?, level(biases)?);
    let (lit, unlit) = (light - bias, dark - bias);
    let error = of_dark.hypot(of_bias);
    let ratio = lit / unlit;
    let sigma = of_light.hypot(of_bias).hypot(ratio * error) / unlit;
    (unlit > LEAST_ERRORS * error && ratio > 0.0).then_some((ratio, sigma))
}
