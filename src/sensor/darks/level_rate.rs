//! From the darks of one temperature to their rate: by the mean level, and by the variance of pairs.

use crate::facts::Quantity;
use crate::facts::sensor::{SensorMethod, SensorMissing, SensorNote};
use crate::stats;

use super::criteria::EXPOSURE_LEVER;
use super::dark::{DarkSet, PairNoise};
use super::drift::Growth;
use crate::sensor::bias::pairs::BiasSet;
use crate::sensor::bias::wander::{BIAS_WANDER_ASSUMED_ADU, Wander, grown};

/// Offset between biases and darks of no exposure where it cannot be measured, ADU: 0.8 to 1.8 ADU on a real ladder of
/// darks at three temperatures.
const OFFSET_ASSUMED_ADU: f64 = 1.0;

/// Slope of the mean level against exposure at one temperature.
pub(crate) struct Rate {
    pub adu_per_s: f64,
    pub sigma: f64,
    /// Level of a dark of no exposure above the bias, ADU.
    pub offset_adu: Option<f64>,
    pub method: SensorMethod,
    pub n: usize,
    pub notes: Vec<SensorNote>,
}

/// Exposures of a set's levels and pairs, brought to the mean temperature of the set where its sensor drifted, s.
pub(crate) struct Times {
    levels: Vec<f64>,
    pairs: Vec<f64>,
}

impl Times {
    pub fn of(set: &DarkSet, growth: Option<Growth>) -> Self {
        let at = |seconds: f64, celsius| growth.map_or(seconds, |g| g.seconds(set, celsius, seconds));
        Self {
            levels: set.levels.iter().map(|l| at(l.exposure_s, l.celsius)).collect(),
            pairs: set.variances.iter().map(|p| at(p.exposure_s, p.celsius)).collect(),
        }
    }
}

/// Slope of the level against exposure where the exposures differ enough.
pub(crate) fn slope(set: &DarkSet, times: &Times, wander: Wander) -> Option<Rate> {
    let x = &times.levels;
    let (low, high) = x.iter().fold((f64::INFINITY, 0.0f64), |(l, h), v| (l.min(*v), h.max(*v)));
    if set.levels.len() < 2 || high < EXPOSURE_LEVER * low {
        return None;
    }
    let y: Vec<f64> = set.levels.iter().map(|l| l.adu).collect();
    let sigma: Vec<f64> = set.levels.iter().map(|l| l.sigma.hypot(wander.adu).max(f64::MIN_POSITIVE)).collect();
    let line = stats::weighted_line(x, &y, &sigma)?;
    let whole = stats::median(&sigma)?;
    Some(Rate {
        adu_per_s: line.slope,
        sigma: line.slope_sigma * wander.factor_of_line(wander.adu / whole, line.chi2, line.n),
        offset_adu: Some(line.intercept),
        method: SensorMethod::SlopeOfDarkLevel,
        n: line.n,
        notes: wander.note().into_iter().collect(),
    })
}

/// One exposure: the level above the bias over the time.
pub(crate) fn two_point(
    set: &DarkSet,
    times: &Times,
    biases: &[BiasSet],
    wander: Wander,
    offset_rms: Option<f64>,
) -> Result<Rate, SensorMissing> {
    let n = set.levels.len();
    if n == 0 {
        return Err(SensorMissing::NoUsableDark);
    }
    let level = set.levels.iter().map(|l| l.adu).sum::<f64>() / n as f64;
    let exposure = times.levels.iter().sum::<f64>() / n as f64;
    let statistical = set.levels.iter().map(|l| l.sigma.powi(2)).sum::<f64>().sqrt() / n as f64;
    let distance = |b: &&BiasSet| match (b.celsius, set.celsius) {
        (Some(a), Some(b)) => (a - b).abs(),
        _ => f64::MAX,
    };
    let nearest = biases.iter().filter(|b| !b.levels.is_empty()).min_by(|a, b| distance(a).total_cmp(&distance(b)));
    let Some(nearest) = nearest else {
        return Err(SensorMissing::DarkNotSeparableFromBias);
    };
    let of_wander = wander.adu * (1.0 / n as f64 + 1.0 / nearest.levels.len() as f64).sqrt();
    let mut sigma = statistical.hypot(of_wander);
    sigma *= wander.factor(of_wander, sigma);
    sigma = sigma.hypot(offset_rms.unwrap_or(OFFSET_ASSUMED_ADU));
    let mut notes: Vec<SensorNote> = wander.note().into_iter().collect();
    let mut above = level;
    if !set.has_bias {
        above -= nearest.level().unwrap_or(0.0);
        let levels: Vec<f64> = biases.iter().filter_map(BiasSet::level).collect();
        sigma = sigma.hypot(stats::mean_and_std(&levels).map_or(0.0, |m| m.1)).hypot(BIAS_WANDER_ASSUMED_ADU);
        notes.push(SensorNote::BiasOfOtherTemperature);
    }
    let offset_adu = offset_rms.unwrap_or(OFFSET_ASSUMED_ADU);
    notes.push(SensorNote::OffsetAllowedForOneExposure { offset_adu });
    Ok(Rate {
        adu_per_s: above / exposure,
        sigma: sigma / exposure,
        offset_adu: None,
        method: SensorMethod::DarkLevelAboveBias,
        n,
        notes,
    })
}

/// Slope of the temporal variance against exposure, e-/px/s; the biases' pairs are the point at no exposure.
pub(crate) fn variance_rate(set: &DarkSet, times: &Times, bias: Option<&BiasSet>, gain: &Quantity) -> Quantity {
    let pair = |(p, seconds): (&PairNoise, &f64)| (*seconds, p.variance, p.sigma);
    let mut points: Vec<(f64, f64, f64)> = set.variances.iter().zip(&times.pairs).map(pair).collect();
    if let Some(bias) = bias {
        points.extend(bias.pairs.iter().map(|p| (0.0, p.variance + bias.mean_row_variance(), p.sigma)));
    }
    let of = |f: fn(&(f64, f64, f64)) -> f64| points.iter().map(f).collect::<Vec<_>>();
    let Some(line) = stats::weighted_line(&of(|p| p.0), &of(|p| p.1), &of(|p| p.2)) else {
        return Quantity::not_measurable(SensorMissing::NoDarkPairsAtTwoExposures);
    };
    let Some((g, gain_sigma)) = gain.pair() else { return Quantity::not_measurable(gain.because()) };
    let grown = grown(line.chi2, line.n);
    let value = line.slope * g * g;
    let sigma = (line.slope_sigma * grown * g * g).hypot(2.0 * value * gain_sigma / g);
    Quantity::with(gain.source, value, Some(sigma), SensorMethod::SlopeOfDarkVariance, points.len())
}

#[cfg(test)]
mod tests {
    use super::super::dark::Level;
    use super::*;
    use crate::sensor::bias::pairs::PairVariance;

    fn noise(exposure_s: f64, variance: f64, sigma: f64) -> PairNoise {
        PairNoise { exposure_s, variance, sigma, celsius: None }
    }

    fn pair(variance: f64, sigma: f64) -> PairVariance {
        PairVariance { variance, sigma, cells: 1 }
    }

    fn biases(variance: f64, sigma: f64) -> BiasSet {
        let levels = vec![(256.0, 1e-6); 2];
        BiasSet { celsius: Some(-10.0), levels, pairs: vec![pair(variance, sigma)], ..BiasSet::default() }
    }

    // C5.18: V = 25 e-^2, a million pixels, 300 s: V sqrt(2/N) sqrt 2 / t, evaluated outside this project.
    #[test]
    fn c5_18_error_of_the_variance_method() {
        let sigma = 25.0 * (2.0f64 / 1e6).sqrt();
        let mut set = DarkSet { celsius: Some(-10.0), has_bias: true, ..DarkSet::default() };
        set.variances.push(noise(300.0, 25.0, sigma));
        let rate = variance_rate(&set, &Times::of(&set, None), Some(&biases(25.0, sigma)), &Quantity::rig(1.0, "gain"));
        assert!((rate.sigma.unwrap() - 1.6667e-4).abs() < 1e-8, "{rate:?}");
    }

    // C5.17: weighted line, numpy, outside this project.
    #[test]
    fn c5_17_the_slope_leaves_the_offset_behind() {
        let mut set = DarkSet { celsius: Some(-10.0), ..DarkSet::default() };
        for (exposure_s, adu) in [(0.0, 500.1), (30.0, 501.0), (60.0, 501.9), (120.0, 503.5), (300.0, 509.2)] {
            set.levels.push(Level { exposure_s, adu, sigma: 0.2, ..Level::default() });
        }
        let rate = slope(&set, &Times::of(&set, None), Wander { adu: 0.0, degrees: None }).unwrap();
        assert!((rate.adu_per_s - 0.030_284_8).abs() < 1e-7 && (rate.sigma - 0.000_838_6).abs() < 1e-7);
        assert!((rate.offset_adu.unwrap() - 500.0509).abs() < 1e-4);
    }

    #[test]
    fn a_wander_of_the_bias_widens_a_rate_from_one_exposure() {
        let mut set = DarkSet { celsius: Some(-10.0), has_bias: true, ..DarkSet::default() };
        set.levels.push(Level { exposure_s: 100.0, adu: 10.0, sigma: 0.0, ..Level::default() });
        let mut bias = biases(9.0, 0.1);
        bias.levels = vec![(255.0, 0.0), (257.0, 0.0)];
        let wander = Wander::of(std::slice::from_ref(&bias));
        assert!((wander.adu - 2f64.sqrt()).abs() < 1e-12);
        let times = Times::of(&set, None);
        let rate = two_point(&set, &times, &[bias], wander, Some(0.0)).unwrap();
        // One dark and the mean of two biases; the wander was seen in one difference, hence Student's t (scipy, 1.8373).
        assert!((rate.sigma / (1.837_3 * wander.adu * 1.5f64.sqrt() / 100.0) - 1.0).abs() < 1e-4, "{}", rate.sigma);
        assert!(two_point(&set, &times, &[], wander, None).is_err());
    }
}
