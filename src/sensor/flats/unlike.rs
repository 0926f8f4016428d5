//! Pairs of flats that give unlike gains at one level: two gain settings, two cameras, or frames that were processed.

use super::filter::PhotonTransferPoint;
use crate::facts::sensor_caution::SensorCaution;

/// Ratio of two levels up to which their gains are compared: a curved response moves them by less than a per cent over it.
const LIKE_LEVELS: f64 = 1.3;
/// Share by which gains at one level differ where their pairs are unlike, and in their errors.
const APART_SHARE: f64 = 0.05;
/// The same at any two levels: no response of a sensor bends the variance by so much below saturation.
const APART_SHARE_ANYWHERE: f64 = 0.3;
const APART_SIGMAS: f64 = 5.0;

/// The two points furthest apart, if any are.
pub(crate) fn unlike(points: &[PhotonTransferPoint]) -> Option<SensorCaution> {
    let known: Vec<(&PhotonTransferPoint, f64, f64)> =
        points.iter().filter_map(|p| p.gain_e_per_adu.pair().map(|(gain, sigma)| (p, gain, sigma))).collect();
    let mut furthest: Option<(f64, SensorCaution)> = None;
    for (i, (a, gain_a, sigma_a)) in known.iter().enumerate() {
        for (b, gain_b, sigma_b) in &known[i + 1..] {
            let least = if (a.mean_adu / b.mean_adu).ln().abs() < LIKE_LEVELS.ln() {
                APART_SHARE
            } else {
                APART_SHARE_ANYWHERE
            };
            let (low, high) = (gain_a.min(*gain_b), gain_a.max(*gain_b));
            let apart = high / low - 1.0;
            let differ = apart > least && high - low > APART_SIGMAS * sigma_a.hypot(*sigma_b);
            if a.site == b.site && differ && furthest.as_ref().is_none_or(|f| apart > f.0) {
                let signal_adu = 0.5 * (a.mean_adu + b.mean_adu);
                furthest = Some((apart, SensorCaution::FlatsDiffer { signal_adu, gains_e_per_adu: [low, high] }));
            }
        }
    }
    furthest.map(|f| f.1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::Quantity;
    use crate::facts::sensor::SensorMethod;

    #[test]
    fn gains_are_compared_at_one_level_only() {
        let point = |mean_adu: f64, gain: f64| PhotonTransferPoint {
            mean_adu,
            variance_adu2: mean_adu / gain,
            gain_e_per_adu: Quantity::measured(gain, 0.004, SensorMethod::OneFlatPair, 99),
            filter: None,
            site: None,
        };
        let told = unlike(&[point(20_000.0, 0.80), point(21_000.0, 0.81), point(22_000.0, 1.9)]);
        assert!(matches!(told, Some(SensorCaution::FlatsDiffer { gains_e_per_adu: [0.8, 1.9], .. })), "{told:?}");
        // A response that bends with the level, and errors.
        assert_eq!(unlike(&[point(5_000.0, 0.80), point(50_000.0, 0.88), point(52_000.0, 0.89)]), None);
    }
}
