//! From dark levels to rates, the law against temperature, and the share of hot pixels.

use crate::quantity::Quantity;
use crate::stats;

use super::bias::BiasSet;
use super::dark::{DarkSet, HOT_NOISE_SIGMAS, HOT_TIMES_TYPICAL};
use super::law::{ASSUMED_DOUBLING_C, DarkLaw, LawPoint};
use super::{DarkCurrent, DarkPoint, HotPixels};

/// Wander of the bias level from frame to frame where it cannot be measured, ADU: real cameras show a few tenths to
/// several ADU; common practice, no source.
const BIAS_WANDER_ASSUMED_ADU: f64 = 1.0;
/// Exposures count as different where the longest is this many times the shortest.
const EXPOSURE_LEVER: f64 = 1.5;
/// Smallest range of temperature that measures a doubling step, C: half of the smallest published step.
const LEAST_RANGE_C: f64 = 2.5;
/// A rate is seen where it stands this many errors above 0.
const SEEN_SIGMAS: f64 = 3.0;
/// Mean rate over variance rate below which the camera must have taken the dark level off.
const SUPPRESSED_RATIO: f64 = 0.3;

/// What the dark stage hands back.
pub(super) struct DarkOutcome {
    pub current: DarkCurrent,
    pub hot: HotPixels,
    /// Whether the camera takes the dark level off.
    pub suppressed: bool,
}

struct Rate {
    adu_per_s: f64,
    sigma: f64,
    offset_adu: Option<f64>,
    method: &'static str,
    n: usize,
    note: Option<String>,
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
    let offset_rms = stats::mean_and_std(&offsets).map_or(0.0, |m| m.0.sqrt());
    let mut rates: Vec<Result<Rate, String>> = Vec::new();
    for (set, slope) in sets.iter().zip(slopes) {
        rates.push(slope.map_or_else(|| two_point(set, biases, wander, offset_rms), Ok));
    }
    let mut points = Vec::new();
    for ((set, rate), own) in sets.iter().zip(&rates).zip(own_bias) {
        points.push(point(set, rate, own.map(|i| &biases[i]), gain));
    }
    let suppressed = points.iter().any(is_suppressed);
    let hot = hot_pixels(sets, &rates, gain);
    let mut current = current(sets, &rates, points, gain, resolution_c, suppressed);
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
fn two_point(set: &DarkSet, biases: &[BiasSet], wander: Option<f64>, offset_rms: f64) -> Result<Rate, String> {
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
    sigma = sigma.hypot(offset_rms);
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
    notes.push("one exposure: darks of a second exposure would show the offset between bias and dark".to_owned());
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

fn hot_pixels(sets: &[DarkSet], rates: &[Result<Rate, String>], gain: &Quantity) -> HotPixels {
    let warmest = (0..sets.len()).filter(|i| sets[*i].hot.1 > 0).max_by(|a, b| {
        let key = |i: usize| sets[i].celsius.unwrap_or(f64::NEG_INFINITY);
        key(*a).total_cmp(&key(*b))
    });
    let Some(i) = warmest else {
        return HotPixels {
            fraction: Quantity::not_measurable("dark frames would supply it"),
            threshold_e_per_s: None,
            at_celsius: None,
        };
    };
    let set = &sets[i];
    let (hot, all) = (set.hot.0 as f64, set.hot.1 as f64);
    let typical = rates[i].as_ref().map_or(0.0, |r| r.adu_per_s.max(0.0));
    let threshold = gain.value.map(|g| g * (typical + set.hot_excess_adu / set.longest_s));
    let method = format!(
        "share of pixels of the longest dark above {HOT_TIMES_TYPICAL:.0} times the typical level and above \
         {HOT_NOISE_SIGMAS:.0} times the noise; n counts pixels"
    );
    let fraction = Quantity::measured(hot / all, hot.max(1.0).sqrt() / all, method, set.hot.1);
    HotPixels { fraction, threshold_e_per_s: threshold, at_celsius: set.celsius }
}

/// Puts the rates of all temperatures together.
fn current(
    sets: &[DarkSet],
    rates: &[Result<Rate, String>],
    points: Vec<DarkPoint>,
    gain: &Quantity,
    resolution_c: f64,
    suppressed: bool,
) -> DarkCurrent {
    let gain_relative = gain.pair().map_or(0.0, |(g, s)| s / g);
    // (index, temperature, rate and its independent error in ADU/s)
    let usable: Vec<(usize, Option<f64>, f64, f64)> = (0..sets.len())
        .filter_map(|i| {
            if suppressed {
                let (v, s) = points[i].variance_rate_e_per_px_s.pair()?;
                let g = gain.value?;
                let own = (s * s - (2.0 * v * gain_relative).powi(2)).max(0.0).sqrt();
                return Some((i, sets[i].celsius, v / g, own / g));
            }
            let rate = rates[i].as_ref().ok()?;
            Some((i, sets[i].celsius, rate.adu_per_s, rate.sigma))
        })
        .collect();
    let method = if suppressed {
        "variance of pairs: the mean level does not rise with exposure as the variance does, so the camera takes the dark \
         level off"
    } else {
        "mean level of the pixels that are not hot"
    };
    let mut result = DarkCurrent {
        rate_e_per_px_s: Quantity::not_measurable("dark frames would supply it"),
        reference_celsius: None,
        doubling_celsius: Quantity::not_measurable("dark frames at two temperatures would supply it"),
        thermal_doubling_celsius: Quantity::not_measurable("dark frames at two temperatures would supply it"),
        activation_energy_ev: Quantity::not_measurable("dark frames at two temperatures would supply it"),
        floor_e_per_px_s: Quantity::not_measurable("darks at four temperatures or more would show a floor"),
        model: "none".to_owned(),
        method: method.to_owned(),
        range_celsius: None,
        points,
        law: None,
        glow: sets.iter().filter_map(|s| s.glow).max_by(|a, b| a.exposure_s.total_cmp(&b.exposure_s)),
    };
    let known: Vec<(usize, f64, f64, f64)> = usable.iter().filter_map(|u| Some((u.0, u.1?, u.2, u.3))).collect();
    let span = known.iter().fold(None, |span: Option<[f64; 2]>, k| {
        Some(span.map_or([k.1, k.1], |[low, high]| [low.min(k.1), high.max(k.1)]))
    });
    result.range_celsius = span;
    let seen: Vec<_> = known.iter().filter(|k| k.2 > SEEN_SIGMAS * k.3).collect();
    let wide = span.is_some_and(|[low, high]| high - low >= LEAST_RANGE_C);
    if wide && seen.len() >= 2 {
        let law_points = |relative_per_c: f64| -> Vec<LawPoint> {
            known
                .iter()
                .map(|(i, celsius, rate, sigma)| {
                    let t = sets[*i].celsius_sigma.hypot(resolution_c / 12f64.sqrt());
                    LawPoint { celsius: *celsius, rate: *rate, sigma: sigma.hypot(rate * relative_per_c * t) }
                })
                .collect()
        };
        // The first fit tells how much an error of the temperature matters, the second counts it.
        let first = DarkLaw::fit(&law_points(0.0), 0.0);
        let per_c = first.map_or(0.0, |l| std::f64::consts::LN_2 / l.doubling().0);
        if let Some(law) = DarkLaw::fit(&law_points(per_c), gain_relative * if suppressed { 2.0 } else { 1.0 }) {
            result.adopt(&law, gain, known.len());
            return result;
        }
    }
    // No law: the rate that is best known, and a stated assumption.
    let best = usable.iter().min_by(|a, b| (a.3 / a.2.abs().max(a.3)).total_cmp(&(b.3 / b.2.abs().max(b.3))));
    match best {
        Some(best) => {
            let point = &result.points[best.0];
            result.rate_e_per_px_s =
                if suppressed { &point.variance_rate_e_per_px_s } else { &point.rate_e_per_px_s }.clone();
            result.reference_celsius = best.1;
            result.model = "one temperature: no law".to_owned();
        }
        None => {
            if let Some(Err(why)) = rates.first() {
                result.rate_e_per_px_s = Quantity::not_measurable(why.clone());
            }
        }
    }
    result.doubling_celsius = if wide {
        Quantity::not_measurable(
            "the dark current does not stand out at two temperatures: longer or warmer darks would show it",
        )
    } else if best.is_some_and(|b| b.1.is_some()) {
        let (step, spread) = ASSUMED_DOUBLING_C;
        Quantity::assumed(step, Some(spread), "typical of published sensors").noted(
            "assumption: one dark temperature only; darks at a second temperature at least 5 C apart would measure it",
        )
    } else if best.is_some() {
        Quantity::not_measurable("the temperature of the darks is not known: a temperature card would supply it")
    } else {
        result.doubling_celsius
    };
    result
}

impl DarkCurrent {
    /// Takes over a law that was fitted to ADU rates.
    fn adopt(&mut self, law: &DarkLaw, gain: &Quantity, n: usize) {
        let measured = |(value, sigma): (f64, f64), method: &str| Quantity::measured(value, sigma, method, n);
        let range = self.range_celsius.unwrap_or([law.reference_celsius; 2]);
        self.model = match (law.floor_e_per_px_s, n) {
            (Some(_), _) => "activated (Arrhenius) part and a floor".to_owned(),
            (None, 2..=3) => format!("activated (Arrhenius) part; {n} temperatures are too few for a floor"),
            (None, _) => "activated (Arrhenius) part; a floor is not supported by the data".to_owned(),
        };
        let note = format!("measured from {:.1} to {:.1} C", range[0], range[1]);
        self.reference_celsius = Some(law.reference_celsius);
        self.doubling_celsius =
            measured(law.doubling(), "ln2 / (d ln D / dT) of the fitted law at the reference; n counts temperatures")
                .noted(note.clone());
        self.thermal_doubling_celsius =
            measured(law.thermal_doubling(), "ln2 k T^2 / Ea of the activated part; n counts temperatures").noted(note);
        self.activation_energy_ev = measured(
            (law.activation_energy_ev, law.covariance[1][1].sqrt()),
            "weighted fit in linear space; n counts temperatures",
        );
        let Some(g) = gain.value else {
            self.rate_e_per_px_s = Quantity::not_measurable(gain.why());
            return;
        };
        let law = law.scaled(g);
        if let Some(floor) = law.floor_e_per_px_s {
            let sigma = law.covariance[2][2].sqrt().hypot(floor * law.common_relative_sigma);
            self.floor_e_per_px_s = Quantity::with(gain.source, floor, Some(sigma), "fitted with the law", n);
        } else if n >= 4 {
            self.floor_e_per_px_s = Quantity::not_measurable("a floor does not stand out from the errors of the rates");
        }
        let (rate, sigma) = law.rate(law.reference_celsius);
        self.rate_e_per_px_s =
            Quantity::with(gain.source, rate, Some(sigma), "fitted law at the reference; n counts temperatures", n);
        self.law = Some(law);
    }
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
        let rate = two_point(&set, &[bias], Some(wander), 0.0).unwrap();
        // One dark and the mean of two biases.
        assert!((rate.sigma - wander * 1.5f64.sqrt() / 100.0).abs() < 1e-12);
        assert!(two_point(&set, &[], None, 0.0).is_err());
    }
}
