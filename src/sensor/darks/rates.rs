//! From darks to rates at all temperatures, and what follows from them.

use crate::facts::Quantity;
use crate::facts::sensor::SensorMissing;
use crate::facts::sensor_caution::SensorCaution;
use crate::stats;

use super::criteria::SEEN_SIGMAS;
use super::dark::DarkSet;
use super::dark_current::AtTemperatures;
use super::drift::{Growth, drifts};
use super::level_rate::{Rate, Times, slope, two_point, variance_rate};
use super::{hot, pixels, unlike};
use crate::sensor::bias::pairs::BiasSet;
use crate::sensor::bias::wander::Wander;
use crate::sensor::{DarkCurrent, DarkPoint, HotPixels, PixelDarkRates};

/// Rounds in which the frames of a drifting sensor are brought to one temperature; each takes off nine tenths of the error.
const DRIFT_ROUNDS: usize = 3;
/// Mean rate over variance rate below which the camera must have taken the dark level off.
const SUPPRESSED_RATIO: f64 = 0.3;

/// What the dark stage hands back.
pub(crate) struct DarkOutcome {
    pub current: DarkCurrent,
    pub hot: HotPixels,
    /// Distribution over the pixels, one entry a temperature.
    pub pixels: Vec<PixelDarkRates>,
    /// Step that doubles the rate of the hot pixels, C.
    pub hot_doubling: Quantity,
    /// Darks that say one temperature and hold unlike charge.
    pub unlike: Vec<SensorCaution>,
    /// Typical rate of each set, ADU/s.
    pub typical: Vec<Option<f64>>,
}

/// Rates, law and hot pixels. `own_bias` gives for each set the index of the bias set of its temperature.
///
/// `resolution_c` is the step of the temperature sensor, where the frames show one. Sensors that drift are gone over
/// again with each frame at its own temperature.
pub(crate) fn derive(
    sets: &[DarkSet],
    own_bias: &[Option<usize>],
    biases: &[BiasSet],
    gain: &Quantity,
    resolution_c: f64,
) -> DarkOutcome {
    let mut out = derive_with(sets, own_bias, biases, gain, resolution_c, None);
    if sets.iter().any(|s| drifts(s, resolution_c)) {
        for _ in 0..DRIFT_ROUNDS {
            let Some(growth) = Growth::of(&out.current, resolution_c) else { break };
            out = derive_with(sets, own_bias, biases, gain, resolution_c, Some(growth));
        }
    }
    out
}

fn derive_with(
    sets: &[DarkSet],
    own_bias: &[Option<usize>],
    biases: &[BiasSet],
    gain: &Quantity,
    resolution_c: f64,
    growth: Option<Growth>,
) -> DarkOutcome {
    let wander = Wander::of(biases);
    let times = |set: &DarkSet| Times::of(set, growth);
    let slopes: Vec<Option<Rate>> = sets.iter().map(|s| slope(s, &times(s), wander)).collect();
    let offsets: Vec<f64> = slopes
        .iter()
        .zip(sets)
        .filter(|(_, s)| s.has_bias)
        .filter_map(|(r, _)| r.as_ref()?.offset_adu)
        .map(|o| o * o)
        .collect();
    let offset_rms = stats::mean_and_std(&offsets).map(|m| m.0.sqrt());
    let mut rates: Vec<Result<Rate, SensorMissing>> = Vec::new();
    for (set, slope) in sets.iter().zip(slopes) {
        let rate = slope.map_or_else(|| two_point(set, &times(set), biases, wander, offset_rms), Ok);
        rates.push(rate.map(|r| Rate { sigma: r.sigma.hypot(set.glow_sigma_adu_per_s), ..r }));
    }
    let mut points = Vec::new();
    for ((set, rate), own) in sets.iter().zip(&rates).zip(own_bias) {
        points.push(point(set, &times(set), rate, own.map(|i| &biases[i]), gain));
    }
    let suppressed = points.iter().any(is_suppressed);
    let typical: Vec<Option<f64>> = (0..sets.len())
        .map(|i| {
            let by_variance = points[i].variance_rate_e_per_px_s.value.zip(gain.value).map(|(v, g)| v / g);
            if suppressed { by_variance } else { rates[i].as_ref().ok().map(|r| r.adu_per_s) }
        })
        .collect();
    let of_pixels: Vec<_> = sets.iter().zip(&typical).filter_map(|(s, t)| pixels::rates(s, *t, gain)).collect();
    let hot = hot::share(sets, &rates, gain, &of_pixels);
    let hot_doubling = pixels::hot_doubling(sets, &typical);
    // What the frames' own temperatures account for is no error of their mean.
    let celsius_sigma: Vec<f64> =
        sets.iter().map(|s| if growth.is_some_and(|g| g.matters_for(s)) { 0.0 } else { s.celsius_sigma }).collect();
    let known = AtTemperatures { sets, rates: &rates, gain, celsius_sigma: &celsius_sigma, resolution_c, suppressed };
    let mut current = known.current(points);
    current.points.retain(|p| p.celsius.is_finite());
    let unlike = unlike::unlike(sets, biases);
    DarkOutcome { unlike, current, hot, pixels: of_pixels, hot_doubling, typical }
}

/// Whether the variance rises with exposure and the mean does not.
fn is_suppressed(p: &DarkPoint) -> bool {
    let (Some((variance, sigma)), Some(mean)) = (p.variance_rate_e_per_px_s.pair(), p.rate_e_per_px_s.value) else {
        return false;
    };
    variance > SEEN_SIGMAS * sigma && mean.abs() < SUPPRESSED_RATIO * variance
}

fn point(
    set: &DarkSet,
    times: &Times,
    rate: &Result<Rate, SensorMissing>,
    bias: Option<&BiasSet>,
    gain: &Quantity,
) -> DarkPoint {
    let rate_adu = match rate {
        Ok(r) => {
            let q = Quantity::measured(r.adu_per_s, r.sigma, r.method.clone(), r.n);
            r.notes.iter().fold(q, |q, note| q.noted(note.clone()))
        }
        Err(why) => Quantity::not_measurable(why.clone()),
    };
    let mut rate_e = rate_adu.times(gain, rate_adu.method.clone());
    if rate_e.is_known() {
        rate_e.notes.extend(rate_adu.notes.iter().cloned());
    }
    DarkPoint {
        // A set without a temperature has no row in the table; it is taken out once its rate has been used.
        celsius: set.celsius.unwrap_or(f64::NAN),
        exposure_s: set.levels.iter().map(|l| l.exposure_s).fold(0.0, f64::max),
        rate_e_per_px_s: rate_e,
        offset_adu: rate.as_ref().ok().and_then(|r| r.offset_adu),
        rate_adu_per_px_s: rate_adu,
        variance_rate_e_per_px_s: variance_rate(set, times, bias, gain),
    }
}

#[cfg(test)]
mod tests {
    use super::super::dark::{Level, PairNoise};
    use super::*;
    use crate::sensor::bias::pairs::PairVariance;

    // C4.7: EMVA 1288 series t = 0 to 300 s by 60: mean 256 + 0.4375 t, variance 9.083333 + 0.546875 t, K = 1.25 DN/e-.
    #[test]
    fn c4_7_dark_current_from_the_mean_and_from_the_variance() {
        let mut set = DarkSet { celsius: Some(-10.0), has_bias: true, ..DarkSet::default() };
        for exposure_s in [60.0, 120.0, 180.0, 240.0, 300.0] {
            set.levels.push(Level { exposure_s, adu: 0.4375 * exposure_s, sigma: 0.01, ..Level::default() });
            let variance = 9.083_333 + 0.546_875 * exposure_s;
            set.variances.push(PairNoise { exposure_s, variance, sigma: 0.01, celsius: None });
        }
        let bias = BiasSet {
            celsius: Some(-10.0),
            levels: vec![(256.0, 1e-6); 2],
            pairs: vec![PairVariance { variance: 9.083_333, sigma: 0.01, cells: 1 }],
            ..BiasSet::default()
        };
        let gain = Quantity::rig(1.0 / 1.25, "gain");
        let out = derive(&[set], &[Some(0)], &[bias], &gain, 0.0);
        let point = &out.current.points[0];
        assert!((point.rate_e_per_px_s.value.unwrap() - 0.35).abs() < 1e-9);
        assert!((point.variance_rate_e_per_px_s.value.unwrap() - 0.35).abs() < 1e-7);
        assert!(!out.current.suppressed_in_camera);
        assert!((((9.083_333f64 - 1.0 / 12.0).sqrt()) / 1.25 - 2.4).abs() < 1e-6);
    }
}
