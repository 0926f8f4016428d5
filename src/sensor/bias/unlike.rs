//! Bias frames of one temperature whose levels fall into two groups: another offset, or another camera.

use super::pairs::BiasSet;
use crate::facts::sensor_caution::SensorCaution;
use crate::stats;

/// Gap between the groups over the noise of a pixel: a level wanders by tenths of it, an offset setting moves it by many.
const GAP_NOISES: f64 = 3.0;
/// And over the range within either group.
const GAP_RANGES: f64 = 4.0;
/// And at least so much, ADU: a first frame after the camera was switched on lies off by a few (common practice, no source).
const LEAST_GAP_ADU: f64 = 5.0;

/// One caution for each temperature whose biases differ.
pub(crate) fn unlike(sets: &[BiasSet]) -> Vec<SensorCaution> {
    sets.iter().filter_map(differing).collect()
}

fn differing(set: &BiasSet) -> Option<SensorCaution> {
    let mut levels: Vec<f64> = set.levels.iter().map(|l| l.0).collect();
    levels.sort_by(f64::total_cmp);
    let gap = |i: usize| levels[i] - levels[i - 1];
    let split = (1..levels.len()).max_by(|a, b| gap(*a).total_cmp(&gap(*b)))?;
    let (low, high) = levels.split_at(split);
    let range = |group: &[f64]| group[group.len() - 1] - group[0];
    let variances: Vec<f64> = set.pairs.iter().map(|p| p.variance).collect();
    let noise = stats::median(&variances).unwrap_or(0.0).max(0.0).sqrt();
    let least = (GAP_NOISES * noise).max(GAP_RANGES * range(low).max(range(high))).max(LEAST_GAP_ADU);
    let mean = |group: &[f64]| group.iter().sum::<f64>() / group.len() as f64;
    (gap(split) > least).then(|| SensorCaution::BiasesDiffer {
        celsius: set.celsius,
        low: low.len(),
        low_adu: mean(low),
        high: high.len(),
        high_adu: mean(high),
    })
}

#[cfg(test)]
mod tests {
    use super::super::pairs::PairVariance;
    use super::*;

    #[test]
    fn two_offsets_are_named_and_a_wandering_level_is_not() {
        let set = |levels: &[f64]| BiasSet {
            levels: levels.iter().map(|l| (*l, 0.02)).collect(),
            pairs: vec![PairVariance { variance: 16.0, sigma: 0.1, cells: 9 }],
            ..BiasSet::default()
        };
        let told = unlike(&[set(&[500.2, 499.9, 540.1, 500.0, 540.3])]);
        assert!(matches!(told[..], [SensorCaution::BiasesDiffer { low: 3, high: 2, .. }]), "{told:?}");
        assert!(unlike(&[set(&[500.0, 504.0, 508.0, 512.5]), set(&[500.0, 502.1]), set(&[500.0])]).is_empty());
    }
}
