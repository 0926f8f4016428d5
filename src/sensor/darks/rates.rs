//! From dark levels to rates, one temperature at a time.

use crate::facts::Quantity;
use crate::report::InWords;
use crate::stats;

use super::dark::{DarkSet, EXPOSURE_LEVER, PairNoise};
use super::drift::{Growth, drifts};
use super::{dark_current, hot, pixels};
use crate::sensor::bias::pairs::BiasSet;
use crate::sensor::bias::wander::{BIAS_WANDER_ASSUMED_ADU, Wander, grown};
use crate::sensor::{DarkCurrent, DarkPoint, HotPixels, PixelDarkRates};

/// Offset between biases and darks of no exposure where it cannot be measured, ADU: 0.8 to 1.8 ADU on a real ladder of
/// darks at three temperatures.
const OFFSET_ASSUMED_ADU: f64 = 1.0;
/// Rounds in which the frames of a drifting sensor are brought to one temperature; each takes off nine tenths of the error.
const DRIFT_ROUNDS: usize = 3;
/// A rate is seen where it stands this many errors above 0.
pub(crate) const SEEN_SIGMAS: f64 = 3.0;
/// Mean rate over variance rate below which the camera must have taken the dark level off.
const SUPPRESSED_RATIO: f64 = 0.3;

/// What the dark stage hands back.
pub(crate) struct DarkOutcome {
    pub current: DarkCurrent,
    pub hot: HotPixels,
    /// Whether the camera takes the dark level off.
    pub suppressed: bool,
    /// Distribution over the pixels, one entry a temperature.
    pub pixels: Vec<PixelDarkRates>,
    /// Step that doubles the rate of the hot pixels, C.
    pub hot_doubling: Quantity,
    /// Typical rate of each set, ADU/s.
    pub typical: Vec<Option<f64>>,
}

/// Slope of the mean level against exposure at one temperature.
pub(crate) struct Rate {
    pub adu_per_s: f64,
    pub sigma: f64,
    /// Level of a dark of no exposure above the bias, ADU.
    pub offset_adu: Option<f64>,
    pub method: &'static str,
    pub n: usize,
    pub note: Option<String>,
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
    let mut rates: Vec<Result<Rate, String>> = Vec::new();
    for (set, slope) in sets.iter().zip(slopes) {
        rates.push(slope.map_or_else(|| two_point(set, &times(set), biases, wander, offset_rms), Ok));
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
    let mut current = dark_current::current(sets, &rates, points, gain, &celsius_sigma, resolution_c, suppressed);
    current.points.retain(|p| p.celsius.is_finite());
    DarkOutcome { current, hot, suppressed, pixels: of_pixels, hot_doubling, typical }
}

/// Exposures of a set's levels and pairs, brought to the mean temperature of the set where its sensor drifted, s.
struct Times {
    levels: Vec<f64>,
    pairs: Vec<f64>,
}

impl Times {
    fn of(set: &DarkSet, growth: Option<Growth>) -> Self {
        let at = |seconds: f64, celsius| growth.map_or(seconds, |g| g.seconds(set, celsius, seconds));
        Self {
            levels: set.levels.iter().map(|l| at(l.exposure_s, l.celsius)).collect(),
            pairs: set.variances.iter().map(|p| at(p.exposure_s, p.celsius)).collect(),
        }
    }
}

/// Whether the variance rises with exposure and the mean does not.
fn is_suppressed(p: &DarkPoint) -> bool {
    let (Some((variance, sigma)), Some(mean)) = (p.variance_rate_e_per_px_s.pair(), p.rate_e_per_px_s.value) else {
        return false;
    };
    variance > SEEN_SIGMAS * sigma && mean.abs() < SUPPRESSED_RATIO * variance
}

/// Slope of the level against exposure where the exposures differ enough.
fn slope(set: &DarkSet, times: &Times, wander: Wander) -> Option<Rate> {
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
        method: "slope of the mean level against exposure; n counts darks",
        n: line.n,
        note: wander.note(),
    })
}

/// One exposure: the level above the bias over the time.
fn two_point(
    set: &DarkSet,
    times: &Times,
    biases: &[BiasSet],
    wander: Wander,
    offset_rms: Option<f64>,
) -> Result<Rate, String> {
    let needs = "bias frames, or darks of a second exposure at the same temperature, would supply it";
    let n = set.levels.len();
    if n == 0 {
        return Err("none of its darks could be used".to_owned());
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
        return Err(format!("dark charge and bias cannot be separated with one dark exposure and no bias: {needs}"));
    };
    let of_wander = wander.adu * (1.0 / n as f64 + 1.0 / nearest.levels.len() as f64).sqrt();
    let mut sigma = statistical.hypot(of_wander);
    sigma *= wander.factor(of_wander, sigma);
    sigma = sigma.hypot(offset_rms.unwrap_or(OFFSET_ASSUMED_ADU));
    let mut notes: Vec<String> = wander.note().into_iter().collect();
    let mut above = level;
    if !set.has_bias {
        above -= nearest.level().unwrap_or(0.0);
        let levels: Vec<f64> = biases.iter().filter_map(BiasSet::level).collect();
        sigma = sigma.hypot(stats::mean_and_std(&levels).map_or(0.0, |m| m.1)).hypot(BIAS_WANDER_ASSUMED_ADU);
        notes.push("bias frames of another temperature were taken off".to_owned());
    }
    let allowed = offset_rms.unwrap_or(OFFSET_ASSUMED_ADU);
    notes.push(format!(
        "one exposure: {allowed:.1} ADU are allowed for an offset between bias and dark, which darks of a second exposure \
         would show"
    ));
    Ok(Rate {
        adu_per_s: above / exposure,
        sigma: sigma / exposure,
        offset_adu: None,
        method: "level above bias over exposure; n counts darks",
        n,
        note: Some(notes.join("; ")),
    })
}

fn point(
    set: &DarkSet,
    times: &Times,
    rate: &Result<Rate, String>,
    bias: Option<&BiasSet>,
    gain: &Quantity,
) -> DarkPoint {
    let rate_adu = match rate {
        Ok(r) => {
            let q = Quantity::measured(r.adu_per_s, r.sigma, r.method, r.n);
            r.note.iter().fold(q, |q, note| q.noted(note.clone()))
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

/// Slope of the temporal variance against exposure, e-/px/s; the biases' pairs are the point at no exposure.
fn variance_rate(set: &DarkSet, times: &Times, bias: Option<&BiasSet>, gain: &Quantity) -> Quantity {
    let pair = |(p, seconds): (&PairNoise, &f64)| (*seconds, p.variance, p.sigma);
    let mut points: Vec<(f64, f64, f64)> = set.variances.iter().zip(&times.pairs).map(pair).collect();
    if let Some(bias) = bias {
        points.extend(bias.pairs.iter().map(|p| (0.0, p.variance + bias.mean_row_variance(), p.sigma)));
    }
    let of = |f: fn(&(f64, f64, f64)) -> f64| points.iter().map(f).collect::<Vec<_>>();
    let Some(line) = stats::weighted_line(&of(|p| p.0), &of(|p| p.1), &of(|p| p.2)) else {
        return Quantity::not_measurable(
            "pairs of equal exposure are needed at two exposures, a pair of biases counting as one: a second dark of the \
             longest exposure and two biases at its temperature would supply them",
        );
    };
    let Some((g, gain_sigma)) = gain.pair() else { return Quantity::not_measurable(gain.why()) };
    let grown = grown(line.chi2, line.n);
    let value = line.slope * g * g;
    let sigma = (line.slope_sigma * grown * g * g).hypot(2.0 * value * gain_sigma / g);
    Quantity::with(
        gain.source,
        value,
        Some(sigma),
        "slope of the temporal variance of pairs against exposure; n counts pairs",
        points.len(),
    )
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

    // C4.7: EMVA 1288 series t = 0 to 300 s by 60: mean 256 + 0.4375 t, variance 9.083333 + 0.546875 t, K = 1.25 DN/e-.
    #[test]
    fn c4_7_dark_current_from_the_mean_and_from_the_variance() {
        let mut set = DarkSet { celsius: Some(-10.0), has_bias: true, ..DarkSet::default() };
        for exposure_s in [60.0, 120.0, 180.0, 240.0, 300.0] {
            set.levels.push(Level { exposure_s, adu: 0.4375 * exposure_s, sigma: 0.01, ..Level::default() });
            set.variances.push(noise(exposure_s, 9.083_333 + 0.546_875 * exposure_s, 0.01));
        }
        let bias = biases(9.083_333, 0.01);
        let gain = Quantity::rig(1.0 / 1.25, "gain");
        let out = derive(&[set], &[Some(0)], &[bias], &gain, 0.0);
        let point = &out.current.points[0];
        assert!((point.rate_e_per_px_s.value.unwrap() - 0.35).abs() < 1e-9);
        assert!((point.variance_rate_e_per_px_s.value.unwrap() - 0.35).abs() < 1e-7);
        assert!(!out.suppressed);
        assert!((((9.083_333f64 - 1.0 / 12.0).sqrt()) / 1.25 - 2.4).abs() < 1e-6);
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
