//! Darks that say one temperature and exposure and hold unlike charge: their thermometer, or what they are, is wrong.

use std::collections::BTreeMap;

use super::dark::{DarkSet, Level};
use crate::facts::sensor_caution::SensorCaution;
use crate::sensor::bias::pairs::BiasSet;
use crate::sensor::bias::wander::Wander;
use crate::stats::mean_and_std;

/// Share of the mean charge that darks alike may differ by. A tenth of a degree changes the charge by 1 %, the beginning of a series
/// in which the sensor warms up by as many per cent; half as much again has another cause.
const MOST_SPREAD: f64 = 0.5;
/// Wanders of the bias level that the difference must exceed as well.
const WANDERS: f64 = 6.0;
/// Degrees that double a dark current at the fastest that silicon shows, C.
const FASTEST_DOUBLING_C: f64 = 4.0;

/// One caution for each temperature and exposure whose darks differ. Without any bias frame nothing tells how much is charge.
pub(crate) fn unlike(sets: &[DarkSet], biases: &[BiasSet]) -> Vec<SensorCaution> {
    let levels: Vec<f64> = biases.iter().filter_map(BiasSet::level).collect();
    let Some((level, _)) = mean_and_std(&levels) else { return Vec::new() };
    let wander = Wander::of(biases);
    // A bias of the darks' own temperature was taken off them already.
    sets.iter().flat_map(|set| of_set(set, if set.has_bias { 0.0 } else { level }, wander)).collect()
}

fn of_set(set: &DarkSet, bias_adu: f64, wander: Wander) -> Vec<SensorCaution> {
    let mut by_exposure: BTreeMap<u64, Vec<&Level>> = BTreeMap::new();
    for level in &set.levels {
        by_exposure.entry(level.exposure_s.to_bits()).or_default().push(level);
    }
    by_exposure.into_values().filter_map(|levels| differing(set, &levels, bias_adu, wander)).collect()
}

fn differing(set: &DarkSet, levels: &[&Level], bias_adu: f64, wander: Wander) -> Option<SensorCaution> {
    let span = |of: &dyn Fn(&Level) -> Option<f64>| {
        let known = || levels.iter().filter_map(|l| of(l));
        (known().fold(f64::INFINITY, f64::min), known().fold(f64::NEG_INFINITY, f64::max))
    };
    let (least_adu, most_adu) = span(&|l| Some(l.adu - bias_adu));
    let (coldest, warmest) = span(&|l| l.celsius);
    let apart = (warmest - coldest).max(0.0);
    // What the frames' own thermometers explain is no difference.
    let explained = if apart.is_finite() { (apart / FASTEST_DOUBLING_C).exp2() } else { 1.0 };
    let error = levels.iter().map(|l| l.sigma).fold(wander.adu, f64::max);
    let charge = 0.5 * (least_adu + most_adu);
    let unlike = most_adu / explained - least_adu > (MOST_SPREAD * charge.abs()).max(WANDERS * error);
    unlike.then(|| SensorCaution::DarksDiffer {
        celsius: set.celsius,
        exposure_s: levels[0].exposure_s,
        darks: levels.len(),
        least_adu,
        most_adu,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn set(levels: &[(f64, f64)]) -> DarkSet {
        let level = |(adu, celsius): &(f64, f64)| Level {
            exposure_s: 120.0,
            adu: *adu,
            sigma: 0.05,
            pixels: 1e5,
            celsius: Some(*celsius),
        };
        DarkSet { celsius: Some(5.0), levels: levels.iter().map(level).collect(), ..DarkSet::default() }
    }

    #[test]
    fn darks_that_warm_up_unseen_are_named_and_a_drift_that_the_thermometer_tells_is_not() {
        let told = |sets: &[DarkSet]| of_set(&sets[0], 0.0, Wander { adu: 0.3, degrees: Some(5.0) });
        let named = told(&[set(&[(10.0, 5.0), (20.0, 5.0), (80.0, 5.0)])]);
        assert!(matches!(named[..], [SensorCaution::DarksDiffer { darks: 3, least_adu: 10.0, most_adu: 80.0, .. }]));
        assert!(told(&[set(&[(40.0, 5.0), (42.0, 5.1), (41.0, 5.0)])]).is_empty());
        // A doubling in six degrees, which the thermometer shows.
        assert!(told(&[set(&[(40.0, 2.0), (80.0, 8.0)])]).is_empty());
        // Hardly any charge: the wander of the bias is all.
        assert!(told(&[set(&[(0.1, 5.0), (1.2, 5.0)])]).is_empty());
    }
}
