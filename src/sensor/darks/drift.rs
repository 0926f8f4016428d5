//! Sensors that drift while their darks are taken: each frame counts at its own temperature.
//!
//! The charge of a frame at temperature T stands for `t D(T)/D(T_set)` seconds at the temperature of its set.

use super::dark::DarkSet;
use super::law::arrhenius_coordinate;
use crate::sensor::DarkCurrent;

/// Spread of the temperatures within a set from which they are used frame by frame, C: below it regulation and the
/// reading of the thermometer wander, not the sensor.
const LEAST_DRIFT_C: f64 = 0.3;
/// And this many steps of the thermometer, or its steps would be taken for a drift.
const LEAST_DRIFT_STEPS: f64 = 2.0;

/// How the dark current changes with temperature, as far as a first fit knows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Growth {
    energy_ev: f64,
    /// Part that does not change, share of the whole at the reference.
    floor_share: f64,
    reference_celsius: f64,
    /// Step of the thermometer, C.
    resolution_c: f64,
}

impl Growth {
    /// From what was found with the mean temperatures. `None` where no law was fitted.
    pub fn of(current: &DarkCurrent, resolution_c: f64) -> Option<Self> {
        let energy_ev = current.activation_energy_ev.value?;
        let reference_celsius = current.reference_celsius?;
        let floor_share = match (current.floor_e_per_px_s.value, current.rate_e_per_px_s.value) {
            (Some(floor), Some(rate)) if rate > 0.0 => (floor / rate).clamp(0.0, 1.0),
            _ => 0.0,
        };
        Some(Self { energy_ev, floor_share, reference_celsius, resolution_c })
    }

    /// Whether the frames of a set are far enough apart in temperature.
    pub fn matters_for(&self, set: &DarkSet) -> bool {
        drifts(set, self.resolution_c)
    }

    /// Exposure at the temperature of the set that gathers the charge of `seconds` at `celsius`.
    pub fn seconds(&self, set: &DarkSet, celsius: Option<f64>, seconds: f64) -> f64 {
        let (Some(own), Some(mean), true) = (celsius, set.celsius, self.matters_for(set)) else { return seconds };
        let rate = |celsius: f64| {
            let thermal = (self.energy_ev * arrhenius_coordinate(celsius, self.reference_celsius)).exp();
            self.floor_share + (1.0 - self.floor_share) * thermal
        };
        seconds * rate(own) / rate(mean)
    }
}

/// Whether the sensor's temperature changed while the set was taken.
pub(crate) fn drifts(set: &DarkSet, resolution_c: f64) -> bool {
    let known = || set.levels.iter().filter_map(|l| l.celsius);
    let (low, high) = known().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), c| (l.min(c), h.max(c)));
    high - low > LEAST_DRIFT_C.max(LEAST_DRIFT_STEPS * resolution_c)
}

#[cfg(test)]
mod tests {
    use super::super::dark::Level;
    use super::*;

    fn set(celsius: [f64; 2]) -> DarkSet {
        let level = |c| Level { exposure_s: 100.0, celsius: Some(c), ..Level::default() };
        DarkSet { celsius: Some(0.0), levels: celsius.map(level).to_vec(), ..DarkSet::default() }
    }

    // C5.15: 0.65 eV doubles over 7.03279 C from 273.15 K.
    #[test]
    fn a_warmer_frame_stands_for_a_longer_exposure() {
        let growth = Growth { energy_ev: 0.65, floor_share: 0.0, reference_celsius: 5.0, resolution_c: 0.1 };
        let drifting = set([-1.0, 7.0]);
        assert!((growth.seconds(&drifting, Some(7.032_79), 100.0) - 200.0).abs() < 1e-3);
        assert_eq!(growth.seconds(&drifting, None, 100.0), 100.0);
        assert_eq!(growth.seconds(&set([-0.1, 0.1]), Some(0.1), 100.0), 100.0);
        // Nothing grows where all of it is floor.
        let flat = Growth { floor_share: 1.0, ..growth };
        assert_eq!(flat.seconds(&drifting, Some(7.0), 100.0), 100.0);
    }
}
