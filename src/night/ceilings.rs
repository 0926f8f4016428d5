//! The level at which a sensor's pixels clip, where its flats do not show it: the brightest pixels of its lights pile up there.

use std::collections::BTreeMap;

use super::lights::MeasuredLight;
use super::sensors::Sensors;
use crate::facts::sensor::SensorMethod;
use crate::facts::{Quantity, Source};
use crate::folder::SensorKey;
use crate::stats;

/// Share by which the pile-ups of lights may differ: columns clip at levels of their own (see `stars/rejection/clipped.rs`).
const ONE_CEILING: f64 = 3e-3;
/// Lights that must show it.
const LEAST_LIGHTS: usize = 2;

/// Gives sensors whose level is stated or assumed that of their lights. What was measured of each light took its own pile-up already.
pub fn learn(sensors: &mut Sensors, lights: &[MeasuredLight]) {
    let mut levels: BTreeMap<SensorKey, Vec<f64>> = BTreeMap::new();
    for light in lights.iter().filter(|l| is_raw(l)) {
        levels.entry(light.read.sensor.clone()).or_default().extend(light.stars.clip_level_adu);
    }
    for (key, levels) in levels {
        let told = |q: &Quantity| matches!(q.source, Source::Header | Source::Assumed);
        let replaceable = sensors.get(&key).is_some_and(|s| told(&s.result.saturation_adu));
        if let Some(ceiling) = ceiling(levels).filter(|_| replaceable) {
            sensors.tell_saturation(&key, ceiling);
        }
    }
}

fn is_raw(light: &MeasuredLight) -> bool {
    light.read.geometry.planes == 1 && !light.read.is_processed() && !light.resampled()
}

/// The level that most of the pile-ups agree on.
fn ceiling(levels: Vec<f64>) -> Option<Quantity> {
    let middle = stats::median(&levels)?;
    let alike: Vec<f64> = levels.iter().copied().filter(|l| (l / middle - 1.0).abs() < ONE_CEILING).collect();
    let (level, spread) = (stats::median(&alike)?, stats::mean_and_std(&alike)?.1);
    let enough = alike.len() >= LEAST_LIGHTS && 2 * alike.len() > levels.len();
    enough.then(|| Quantity::measured(level, spread, SensorMethod::PileUpOfLights, alike.len()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn most_of_the_lights_must_agree() {
        let told = |levels: &[f64]| ceiling(levels.to_vec()).and_then(|q| q.value);
        assert_eq!(told(&[52_000.0, 52_001.0, 51_990.0, 30_000.0]), Some(52_000.0));
        assert_eq!(told(&[52_000.0]), None);
        assert_eq!(told(&[52_000.0, 40_000.0, 30_000.0]), None);
    }
}
