//! The darks that match a session's lights best.

use crate::facts::Quantity;
use crate::facts::verdict::{VerdictMethod, VerdictMissing};
use crate::folder::{FrameKind, SensorKey};
use crate::sensor::{PixelDarkRates, SensorResult};
use crate::stats::median;
use crate::verdict::dark_match::{Difference, Setting};
use crate::verdict::{DarkMatch, DarkMatchInput, HotCost, HotCostInput, dark_match, hot_cost, matched_by_groups};

use super::intake::Intake;

/// Darks within this of the best one's temperature are taken with it, C: regulated sensors keep to a few tenths.
const SAME_CELSIUS: f64 = 1.0;
/// Exposures that differ by less count as equal.
const SAME_EXPOSURE: f64 = 0.01;
/// Temperature step that weighs as much as twice the exposure, C: a usual doubling step.
const STEP_C: f64 = 6.5;

/// A dark of any sensor.
struct Dark<'a> {
    sensor: &'a SensorKey,
    celsius: f64,
    exposure_s: f64,
}

/// The lights of a session, as far as darks must match them.
#[derive(Clone, Copy)]
pub struct Lights<'a> {
    pub sensor: &'a SensorKey,
    pub celsius: Option<f64>,
    /// Temperature of each that has one, C.
    pub each: &'a [f64],
    pub exposure_s: Option<f64>,
    /// Variance of one of them, e-^2/px, and how many are used.
    pub total_e2: &'a Quantity,
    pub count: usize,
}

/// What subtracting the best darks among all files would leave in the lights of a session, each with the darks that match it.
pub fn darks_for(lights: &Lights, sensor: &SensorResult, intakes: &[Intake]) -> DarkMatch {
    let key = lights.sensor;
    let (Some(light_celsius), Some(light_s)) = (lights.celsius, lights.exposure_s) else {
        return DarkMatch::not_measurable(VerdictMissing::LightsWithoutTemperatureOrExposure);
    };
    let darks: Vec<Dark> = intakes.iter().filter_map(|i| dark_of(i, key)).collect();
    // Lights by the set that suits them, in the order of their temperatures.
    let mut each = lights.each.to_vec();
    if each.is_empty() {
        each.push(light_celsius);
    }
    each.sort_by(f64::total_cmp);
    let mut groups: Vec<(Vec<&Dark>, Vec<f64>)> = Vec::new();
    for celsius in each {
        let set = best_set(&darks, key, celsius, light_s);
        match groups.last_mut() {
            Some((last, members)) if is_the_same(last, &set) => members.push(celsius),
            _ => groups.push((set, vec![celsius])),
        }
    }
    if groups.iter().any(|(set, _)| set.is_empty()) {
        return DarkMatch::not_measurable(VerdictMissing::NoComparableDarks);
    }
    let one = groups.len() == 1;
    let share = |members: usize| (members * lights.count.max(1)).div_ceil(lights.each.len().max(1));
    let of_group = |(set, members): &(Vec<&Dark>, Vec<f64>)| {
        let celsius = if one { light_celsius } else { median(members).unwrap_or(light_celsius) };
        let count = if one { lights.count } else { share(members.len()) };
        (with_set(set, &Lights { celsius: Some(celsius), count, ..*lights }, (celsius, light_s), sensor), count)
    };
    let matched: Vec<(DarkMatch, usize)> = groups.iter().map(of_group).collect();
    match matched.as_slice() {
        [(only, _)] => only.clone(),
        several => {
            let unknown = || DarkMatch::not_measurable(VerdictMissing::NoComparableDarks);
            let mut together = matched_by_groups(several).unwrap_or_else(unknown);
            // Neighbouring sets share darks.
            let used = |d: &&Dark| groups.iter().any(|(set, _)| set.iter().any(|s| std::ptr::eq(*s, *d)));
            if let Some(compared) = &mut together.compared {
                compared.darks = darks.iter().filter(used).count();
            }
            together
        }
    }
}

fn is_the_same(a: &[&Dark], b: &[&Dark]) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| std::ptr::eq(*a, *b))
}

/// The darks that suit lights of that temperature and exposure best, and those alike; none where there are none.
fn best_set<'a>(darks: &'a [Dark<'a>], key: &SensorKey, light_celsius: f64, light_s: f64) -> Vec<&'a Dark<'a>> {
    let unlike = |d: &Dark| (d.exposure_s / light_s).log2().abs() + (d.celsius - light_celsius).abs() / STEP_C;
    let order = |a: &&Dark, b: &&Dark| {
        let count = |d: &Dark| differences(key, d.sensor).len();
        count(a).cmp(&count(b)).then_with(|| unlike(a).total_cmp(&unlike(b)))
    };
    let Some(best) = darks.iter().min_by(order) else { return Vec::new() };
    let alike = |d: &&Dark| {
        d.sensor == best.sensor
            && (d.celsius - best.celsius).abs() <= SAME_CELSIUS
            && (d.exposure_s / best.exposure_s - 1.0).abs() <= SAME_EXPOSURE
    };
    darks.iter().filter(alike).collect()
}

/// What the darks of a set leave in lights of that temperature and exposure.
fn with_set(same: &[&Dark], lights: &Lights, (light_celsius, light_s): (f64, f64), sensor: &SensorResult) -> DarkMatch {
    let dark_celsius = same.iter().map(|d| d.celsius).sum::<f64>() / same.len() as f64;
    let best = same[0];
    dark_match(&DarkMatchInput {
        darks: same.len(),
        dark_celsius,
        dark_s: best.exposure_s,
        light_celsius,
        light_s,
        differences: &differences(lights.sensor, best.sensor),
        light_rate: &sensor.dark_current.rate_at(light_celsius),
        dark_rate: &sensor.dark_current.rate_at(dark_celsius),
        doubling_celsius: &sensor.dark_current.doubling_celsius,
        relative_dsnu: &relative_dsnu(sensor, light_celsius),
        read_noise_e: &sensor.read_noise_e,
        total_e2: lights.total_e2,
        lights: lights.count,
    })
}

/// What hot pixels cost in a stack of the lights, by the darks nearest in temperature.
pub fn hot_pixels_of(lights: &Lights, sensor: &SensorResult) -> HotCost {
    let Some(celsius) = lights.celsius else {
        return HotCost::not_measurable(VerdictMissing::LightsWithoutTemperatureOrExposure);
    };
    let Some((at, pixels)) = nearest_pixels(sensor, celsius) else {
        return HotCost::not_measurable(VerdictMissing::NoSpreadOfDarkRates);
    };
    hot_cost(&HotCostInput {
        share: &pixels.left_out_share,
        excess_e_per_px_s: &pixels.left_out_e_per_px_s,
        rate_at_darks: &sensor.dark_current.rate_at(at),
        rate_at_lights: &sensor.dark_current.rate_at(celsius),
        degrees_apart: (celsius - at).abs(),
        exposure_s: lights.exposure_s,
        total_e2: lights.total_e2,
    })
}

/// The pixels' rates at the temperature nearest to the one given, and that temperature.
pub fn nearest_pixels(sensor: &SensorResult, celsius: f64) -> Option<(f64, &PixelDarkRates)> {
    let known = sensor.pixel_dark_rates.iter().filter_map(|p| Some((p.celsius?, p)));
    known.min_by(|a, b| (a.0 - celsius).abs().total_cmp(&(b.0 - celsius).abs()))
}

/// A dark of the same camera, size and binning whose temperature and exposure are known.
fn dark_of<'a>(intake: &'a Intake, key: &SensorKey) -> Option<Dark<'a>> {
    let read = intake.read().filter(|r| r.kind == FrameKind::Dark)?;
    let sensor = &read.sensor;
    let like = |k: &SensorKey| (k.camera.clone(), k.size, k.binning, k.in_electrons, k.pitch_nm, k.epoch);
    let comparable = like(sensor) == like(key);
    let exposure_s = read.header.dark_seconds().filter(|t| *t > 0.0)?;
    let (celsius, _) = read.header.celsius()?;
    comparable.then_some(Dark { sensor, celsius, exposure_s })
}

/// Settings of the darks that are not those of the lights.
fn differences(lights: &SensorKey, darks: &SensorKey) -> Vec<Difference> {
    let settings = [
        (Setting::Gain, &lights.gain_setting, &darks.gain_setting),
        (Setting::Offset, &lights.offset_setting, &darks.offset_setting),
        (Setting::ReadoutMode, &lights.readout_mode, &darks.readout_mode),
    ];
    let unlike = settings.into_iter().filter(|(_, l, d)| l != d);
    unlike.map(|(setting, l, d)| Difference::Of { setting, darks: d.clone(), lights: l.clone() }).collect()
}

/// Spread of the rates of ordinary pixels over their mean, at the temperature nearest to the one given.
fn relative_dsnu(sensor: &SensorResult, celsius: f64) -> Quantity {
    let Some((at, pixels)) = nearest_pixels(sensor, celsius) else {
        return Quantity::not_measurable(VerdictMissing::NoSpreadOfDarkRates);
    };
    let (spread, mean) = (&pixels.ordinary_dsnu_e_per_px_s, sensor.dark_current.rate_at(at));
    match (spread.pair(), mean.pair()) {
        (Some((s, sigma)), Some((m, _))) if m > 0.0 => {
            Quantity::with(spread.source, s / m, Some(sigma / m), VerdictMethod::SpreadOverMeanRate, spread.n)
        }
        (None, _) => Quantity::not_measurable(spread.because()),
        _ => Quantity::not_measurable(mean.because()),
    }
}
