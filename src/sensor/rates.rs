//! From dark levels to rates, one temperature at a time.

use crate::quantity::Quantity;
use crate::stats;

use super::bias::BiasSet;
use super::dark::DarkSet;
use super::{DarkCurrent, DarkPoint, HotPixels, dark_current, hot};

/// Wander of the bias level from frame to frame where it cannot be measured, ADU: real cameras show a few tenths to
/// several ADU; common practice, no source.
const BIAS_WANDER_ASSUMED_ADU: f64 = 1.0;
/// Offset between biases and darks of no exposure where it cannot be measured, ADU: 0.8 to 1.8 ADU on a real ladder of
/// darks at three temperatures.
const OFFSET_ASSUMED_ADU: f64 = 1.0;
/// Exposures count as different where the longest is this many times the shortest.
const EXPOSURE_LEVER: f64 = 1.5;
/// A rate is seen where it stands this many errors above 0.
pub(super) const SEEN_SIGMAS: f64 = 3.0;
/// Mean rate over variance rate below which the camera must have taken the dark level off.
const SUPPRESSED_RATIO: f64 = 0.3;

/// What the dark stage hands back.
pub(super) struct DarkOutcome {
    pub current: DarkCurrent,
    pub hot: HotPixels,
    /// Whether the camera takes the dark level off.
    pub suppressed: bool,
}

/// Slope of the mean level against exposure at one temperature.
pub(super) struct Rate {
    pub adu_per_s: f64,
    pub sigma: f64,
    /// Level of a dark of no exposure above the bias, ADU.
    pub offset_adu: Option<f64>,
    pub method: &'static str,
    pub n: usize,
    pub note: Option<String>,
}

/// Frame-to-frame wander of the bias level, ADU, statistical errors taken off. `None` without a set of two frames.
pub(super) fn bias_wander(biases: &[BiasSet]) -> Option<f64> {
    let (mut squares, mut degrees) = (0.0, 0.0);
    for set in biases.iter().filter(|s| s.levels.len() > 1) {
        let mean = set.level()?;
        squares += set.levels.iter().map(|l| (l.0 - mean).powi(2) - l.1 * l.1).sum::<f64>();
        degrees += (set.levels.len() - 1) as f64;
    }
    (degrees > 0.0).then(|| (squares / degrees).max(0.0).sqrt())
}

/// Rates, law and hot pixels. `own_bias` gives for each set the index of the bias set of its temperature.
///
/// `resolution_c` is the step of the temperature sensor, where the frames show one.
pub(super) fn derive(
    sets: &[DarkSet],
    own_bias: &[Option<usize>],
    biases: &[BiasSet],
    gain: &Quantity,
    resolution_c: f64,
) -> DarkOutcome {
    let wander = bias_wander(biases);
    let slopes: Vec<Option<Rate>> = sets.iter().map(|s| slope(s, wander)).collect();
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
        rates.push(slope.map_or_else(|| two_point(set, biases, wander, offset_rms), Ok));
    }
    let mut points = Vec::new();
    for ((set, rate), own) in sets.iter().zip(&rates).zip(own_bias) {
        points.push(point(set, rate, own.map(|i| &biases[i]), gain));
    }
    let suppressed = points.iter().any(is_suppressed);
    let hot = hot::share(sets, &rates, gain);
    let mut current = dark_current::current(sets, &rates, points, gain, resolution_c, suppressed);
    current.points.retain(|p| p.celsius.is_finite());
    DarkOutcome { current, hot, suppressed }
}

/// Whether the variance rises with exposure and the mean does not.
fn is_suppressed(p: &DarkPoint) -> bool {
    let (Some((variance, sigma)), Some(mean)) = (p.variance_rate_e_per_px_s.pair(), p.rate_e_per_px_s.value) else {
        return false;
    };
    variance > SEEN_SIGMAS * sigma && mean.abs() < SUPPRESSED_RATIO * variance
}

/// Slope of the level against exposure where the exposures differ enough.
fn slope(set: &DarkSet, wander: Option<f64>) -> Option<Rate> {
    let x: Vec<f64> = set.levels.iter().map(|l| l.exposure_s).collect();
    let (low, high) = x.iter().fold((f64::INFINITY, 0.0f64), |(l, h), v| (l.min(*v), h.max(*v)));
    if set.levels.len() < 2 || high < EXPOSURE_LEVER * low {
        return None;
    }
    let y: Vec<f64> = set.levels.iter().map(|l| l.adu).collect();
    let assumed = wander.unwrap_or(BIAS_WANDER_ASSUMED_ADU);
    let sigma: Vec<f64> = set.levels.iter().map(|l| l.sigma.hypot(assumed).max(f64::MIN_POSITIVE)).collect();
    let line = stats::weighted_line(&x, &y, &sigma)?;
    let grown = if line.n > 2 { (line.chi2 / (line.n - 2) as f64).max(1.0).sqrt() } else { 1.0 };
    Some(Rate {
        adu_per_s: line.slope,
        sigma: line.slope_sigma * grown,
        offset_adu: Some(line.intercept),
        method: "slope of the mean level against exposure; n counts darks",
        n: line.n,
        note: wander.is_none().then(|| format!("bias wander of {BIAS_WANDER_ASSUMED_ADU} ADU assumed")),
    })
}

/// One exposure: the level above the bias over the time.
fn two_point(set: &DarkSet, biases: &[BiasSet], wander: Option<f64>, offset_rms: Option<f64>) -> Result<Rate, String> {
    let needs = "bias frames, or darks of a second exposure at the same temperature, would supply it";
    let n = set.levels.len();
    if n == 0 {
        return Err("none of its darks could be used".to_owned());
    }
    let level = set.levels.iter().map(|l| l.adu).sum::<f64>() / n as f64;
    let exposure = set.levels.iter().map(|l| l.exposure_s).sum::<f64>() / n as f64;
    let statistical = set.levels.iter().map(|l| l.sigma.powi(2)).sum::<f64>().sqrt() / n as f64;
    let distance = |b: &&BiasSet| match (b.celsius, set.celsius) {
        (Some(a), Some(b)) => (a - b).abs(),
        _ => f64::MAX,
    };
    let nearest = biases.iter().filter(|b| !b.levels.is_empty()).min_by(|a, b| distance(a).total_cmp(&distance(b)));
    let Some(nearest) = nearest else {
        return Err(format!("dark charge and bias cannot be separated with one dark exposure and no bias: {needs}"));
    };
    let known = wander.unwrap_or(BIAS_WANDER_ASSUMED_ADU);
    let mut sigma = statistical.hypot(known / (n as f64).sqrt()).hypot(known / (nearest.levels.len() as f64).sqrt());
    sigma = sigma.hypot(offset_rms.unwrap_or(OFFSET_ASSUMED_ADU));
    let mut notes = Vec::new();
    if wander.is_none() {
        notes.push(format!("bias wander of {BIAS_WANDER_ASSUMED_ADU} ADU assumed"));
    }
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

fn point(set: &DarkSet, rate: &Result<Rate, String>, bias: Option<&BiasSet>, gain: &Quantity) -> DarkPoint {
    let rate_adu = match rate {
        Ok(r) => {
            let q = Quantity::measured(r.adu_per_s, r.sigma, r.method, r.n);
            r.note.iter().fold(q, |q, note| q.noted(note.clone()))
        }
        Err(why) => Quantity::not_measurable(why.clone()),
    };
    let mut rate_e = rate_adu.times(gain, rate_adu.method.clone());
    if let (Some(_), Some(note)) = (rate_e.value, &rate_adu.note) {
        rate_e = rate_e.noted(note.clone());
    }
    DarkPoint {
        // A set without a temperature has no row in the table; it is taken out once its rate has been used.
        celsius: set.celsius.unwrap_or(f64::NAN),
        exposure_s: set.levels.iter().map(|l| l.exposure_s).fold(0.0, f64::max),
        rate_e_per_px_s: rate_e,
        offset_adu: rate.as_ref().ok().and_then(|r| r.offset_adu),
        rate_adu_per_px_s: rate_adu,
        variance_rate_e_per_px_s: variance_rate(set, bias, gain),
    }
}

/// Slope of the temporal variance against exposure, e-/px/s; the biases' pairs are the point at no exposure.
fn variance_rate(set: &DarkSet, bias: Option<&BiasSet>, gain: &Quantity) -> Quantity {
    let mut points = set.variances.clone();
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
    let grown = if line.n > 2 { (line.chi2 / (line.n - 2) as f64).max(1.0).sqrt() } else { 1.0 };
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
    use super::super::bias::PairVariance;
    use super::super::dark::Level;
    use super::*;

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
            set.levels.push(Level { exposure_s, adu: 0.4375 * exposure_s, sigma: 0.01 });
            set.variances.push((exposure_s, 9.083_333 + 0.546_875 * exposure_s, 0.01));
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
        set.variances.push((300.0, 25.0, sigma));
        let rate = variance_rate(&set, Some(&biases(25.0, sigma)), &Quantity::rig(1.0, "gain"));
        assert!((rate.sigma.unwrap() - 1.6667e-4).abs() < 1e-8, "{rate:?}");
    }

    // C5.17: weighted line, numpy, outside this project.
    #[test]
    fn c5_17_the_slope_leaves_the_offset_behind() {
        let mut set = DarkSet { celsius: Some(-10.0), ..DarkSet::default() };
        for (exposure_s, adu) in [(0.0, 500.1), (30.0, 501.0), (60.0, 501.9), (120.0, 503.5), (300.0, 509.2)] {
            set.levels.push(Level { exposure_s, adu, sigma: 0.2 });
        }
        let rate = slope(&set, Some(0.0)).unwrap();
        assert!((rate.adu_per_s - 0.030_284_8).abs() < 1e-7 && (rate.sigma - 0.000_838_6).abs() < 1e-7);
        assert!((rate.offset_adu.unwrap() - 500.0509).abs() < 1e-4);
    }

    #[test]
    fn a_wander_of_the_bias_widens_a_rate_from_one_exposure() {
        let mut set = DarkSet { celsius: Some(-10.0), has_bias: true, ..DarkSet::default() };
        set.levels.push(Level { exposure_s: 100.0, adu: 10.0, sigma: 0.0 });
        let mut bias = biases(9.0, 0.1);
        bias.levels = vec![(255.0, 0.0), (257.0, 0.0)];
        let wander = bias_wander(std::slice::from_ref(&bias)).unwrap();
        assert!((wander - 2f64.sqrt()).abs() < 1e-12);
        let rate = two_point(&set, &[bias], Some(wander), Some(0.0)).unwrap();
        // One dark and the mean of two biases.
        assert!((rate.sigma - wander * 1.5f64.sqrt() / 100.0).abs() < 1e-12);
        assert!(two_point(&set, &[], None, None).is_err());
    }
}
