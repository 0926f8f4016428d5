//! The pixels one by one: distribution of dark rates, DSNU, hot and warm pixels, and which of them are defects.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::facts::Quantity;
use crate::facts::sensor::{SensorMethod, SensorMissing, SensorNote};
use crate::stats;

use super::criteria::LEAST_RANGE_C;
use super::dark::DarkSet;
use super::exponential::fit_exponential;
use super::law::{arrhenius_coordinate, doubling_celsius};
use super::pixel_map::{Listed, PixelMap};

/// A hot pixel exceeds the typical rate by this, e-/s: in 300 s it gathers 300 e- more than its neighbours, whose shot
/// noise of 17 e- exceeds the read noise of any camera in use (1 to 15 e-).
const HOT_E_PER_S: f64 = 1.0;
/// And by this many times the typical rate: above it is no longer the spread of ordinary pixels.
const HOT_EXCESS: f64 = 4.0;
/// A warm pixel exceeds the typical rate by this, e-/s: 30 e- in 300 s, whose shot noise of 5 e- is like a read noise.
const WARM_E_PER_S: f64 = 0.1;
/// And by this many times the typical rate.
const WARM_EXCESS: f64 = 1.0;
/// A rate is not linear in time where long and short exposures differ by this many errors ...
const UNLIKE_SIGMAS: f64 = 5.0;
/// ... and by this share of the rate, since a gain or an exposure time may be off by a few per cent.
const UNLIKE_SHARE: f64 = 0.25;
/// Shares of the pixels whose rates are stated.
const SHARES: [f64; 10] = [0.01, 0.05, 0.16, 0.5, 0.84, 0.95, 0.99, 0.999, 0.9999, 1.0];
/// Steps of the histogram in a decade: each 58 % wider than the last.
const STEPS_A_DECADE: i32 = 5;
/// Lowest and highest edge of the histogram, steps of a decade from 1 e-/s: 0.0001 to 100 000 e-/s.
const STEPS: [i32; 2] = [-4 * STEPS_A_DECADE, 5 * STEPS_A_DECADE];
/// Groups of hot pixels that are left out in turn for the error of their doubling step (jackknife, Efron 1982, from memory).
const GROUPS: usize = 10;
/// Fewest hot pixels with a common doubling step: three a group.
const FEWEST_HOT: usize = 30;

/// Dark rates of the pixels at one temperature; areas that glow are left out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PixelDarkRates {
    /// Mean temperature of the frames.
    #[schemars(extend("unit" = "°C"))]
    pub celsius: Option<f64>,
    /// Darks in the mean.
    #[schemars(extend("unit" = "frames"))]
    pub frames: usize,
    /// Their mean exposure.
    #[schemars(extend("unit" = "s"))]
    pub exposure_s: f64,
    /// Pixels measured.
    #[schemars(extend("unit" = "px"))]
    pub pixels: u64,
    /// Scatter that noise alone gives to the rate of one pixel.
    #[schemars(extend("unit" = "e-/px/s"))]
    pub noise_e_per_px_s: Option<f64>,
    /// Rates below which given shares of the pixels lie.
    pub quantiles: Vec<RateQuantile>,
    /// Pixels by rate, five steps a decade.
    pub histogram: Vec<RateStep>,
    /// Dark signal non-uniformity of that exposure over all pixels (EMVA 1288), bias pattern taken off.
    #[schemars(extend("unit" = "e-"))]
    pub dsnu_e: Quantity,
    /// The same over the pixels that are not hot, as a rate.
    #[schemars(extend("unit" = "e-/px/s"))]
    pub ordinary_dsnu_e_per_px_s: Quantity,
    /// Share of the pixels left out of the mean dark rate for being hot.
    #[schemars(extend("unit" = "1"))]
    pub left_out_share: Quantity,
    /// What they add to the mean rate of all pixels.
    #[schemars(extend("unit" = "e-/px/s"))]
    pub left_out_e_per_px_s: Quantity,
    /// Pixels that are hot.
    #[schemars(extend("unit" = "px"))]
    pub hot_pixels: Option<u64>,
    /// Pixels that are warm.
    #[schemars(extend("unit" = "px"))]
    pub warm_pixels: Option<u64>,
    /// Hot and warm pixels whose rate differs between long and short exposures.
    #[schemars(extend("unit" = "px"))]
    pub not_linear_pixels: Option<u64>,
    /// Pixels that were full at that exposure: their rates are lower limits.
    #[schemars(extend("unit" = "px"))]
    pub full_pixels: u64,
    /// Rate above the typical one from which a pixel is hot.
    #[schemars(extend("unit" = "e-/s"))]
    pub hot_above_e_per_s: Option<f64>,
    /// Rate above the typical one from which a pixel is warm.
    #[schemars(extend("unit" = "e-/s"))]
    pub warm_above_e_per_s: Option<f64>,
}

/// Rate below which a share of the pixels lies.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RateQuantile {
    /// Share of the pixels.
    #[schemars(extend("unit" = "1"))]
    pub share: f64,
    /// Rate below which they lie.
    #[schemars(extend("unit" = "e-/px/s"))]
    pub e_per_px_s: f64,
}

/// Pixels with rates from one edge to the other.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RateStep {
    /// Lower edge; null for the step that holds all that are lower.
    #[schemars(extend("unit" = "e-/px/s"))]
    pub from_e_per_px_s: Option<f64>,
    /// Upper edge.
    #[schemars(extend("unit" = "e-/px/s"))]
    pub to_e_per_px_s: f64,
    /// Pixels in between.
    #[schemars(extend("unit" = "px"))]
    pub pixels: u64,
}

/// What a defect is. The number is its value in the map.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[repr(u8)]
pub enum DefectKind {
    Warm = 1,
    Hot = 2,
    /// Hot or warm, and its charge does not grow evenly with the exposure.
    NotLinear = 3,
    /// Full within the exposure of the darks.
    Full = 4,
}

/// A pixel that is not like the others.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Defect {
    /// Row times columns plus column.
    pub index: u32,
    pub kind: DefectKind,
    /// Rate above the typical one, ADU/s.
    pub excess_adu_per_s: f32,
}

/// The defects that the darks of one temperature show.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DefectMap {
    pub width: usize,
    pub height: usize,
    pub celsius: Option<f64>,
    /// Mean exposure of the darks, s.
    pub exposure_s: f64,
    /// Number of darks.
    pub frames: usize,
    /// By index, each once.
    pub defects: Vec<Defect>,
}

/// A gain to count electrons with, and the typical rate at one temperature.
struct Scale {
    gain: f64,
    typical_adu_per_s: f64,
}

impl Scale {
    fn limits(&self, map: &PixelMap) -> (f64, f64) {
        let above =
            |absolute: f64, times: f64| (absolute / self.gain).max(times * self.typical_adu_per_s).max(map.listed_from);
        (above(HOT_E_PER_S, HOT_EXCESS), above(WARM_E_PER_S, WARM_EXCESS))
    }
}

/// Distribution, DSNU and counts at one temperature; `typical` is the rate of the pixels that are not hot, ADU/s.
pub(crate) fn rates(set: &DarkSet, typical: Option<f64>, gain: &Quantity) -> Option<PixelDarkRates> {
    let map = set.pixels.as_ref()?;
    let mut out = PixelDarkRates {
        celsius: set.celsius,
        frames: map.frames,
        exposure_s: map.exposure_s,
        pixels: map.all.n as u64,
        noise_e_per_px_s: gain.value.map(|g| g * map.noise),
        quantiles: Vec::new(),
        histogram: Vec::new(),
        dsnu_e: dsnu(map, &map.all, map.exposure_s, gain),
        ordinary_dsnu_e_per_px_s: dsnu(map, &map.ordinary, 1.0, gain),
        left_out_share: left_out_share(map),
        left_out_e_per_px_s: left_out_rate(map, gain),
        hot_pixels: None,
        warm_pixels: None,
        not_linear_pixels: None,
        full_pixels: map.listed.iter().filter(|l| l.full).count() as u64,
        hot_above_e_per_s: None,
        warm_above_e_per_s: None,
    };
    let (Some(g), Some(typical)) = (gain.value, typical) else { return Some(out) };
    out.quantiles = quantiles(map, typical, g);
    out.histogram = histogram(map, typical, g);
    let scale = Scale { gain: g, typical_adu_per_s: typical.max(0.0) };
    let (hot, warm) = scale.limits(map);
    let above = |limit: f64| map.bins.iter().filter(|b| b.0 > limit).map(|b| u64::from(b.1)).sum::<u64>();
    out.hot_pixels = Some(above(hot));
    out.warm_pixels = Some(above(warm) - above(hot));
    (out.hot_above_e_per_s, out.warm_above_e_per_s) = (Some(hot * g), Some(warm * g));
    if map.short_frames > 0 && map.listed.iter().any(|l| l.short.is_finite()) {
        let odd = map.listed.iter().filter(|l| f64::from(l.rate) > warm && is_not_linear(l, map, g));
        out.not_linear_pixels = Some(odd.count() as u64);
    }
    Some(out)
}

/// Pixels whose rate is known and that count for no ordinary one, over all.
fn left_out_share(map: &PixelMap) -> Quantity {
    let (all, hot) = (map.all.n, map.all.n - map.ordinary.n);
    if all <= 0.0 {
        return Quantity::not_measurable(SensorMissing::NoUsableDark);
    }
    Quantity::measured(hot / all, hot.max(1.0).sqrt() / all, SensorMethod::PixelsLeftOutOfDarkRate, map.frames)
}

/// Mean rate of all pixels less that of the ordinary ones; its error is the scatter of the hot pixels' rates over their number.
fn left_out_rate(map: &PixelMap, gain: &Quantity) -> Quantity {
    let (Some(all), Some(ordinary), Some(g)) = (map.all.mean(), map.ordinary.mean(), gain.value) else {
        return Quantity::not_measurable(gain.because());
    };
    let spread = map.all.variance().unwrap_or(0.0);
    let sigma = (spread / map.all.n).sqrt();
    Quantity::with(gain.source, g * (all - ordinary), Some(g * sigma), SensorMethod::MeanOfAllLessOrdinary, map.frames)
}

/// Spatial deviation of the mean dark with the temporal noise of the mean taken off, in electrons of `seconds`.
///
/// EMVA 1288 release 3.1, section 8.2 (from memory): `s_y^2 = s^2_measured - sigma_y^2 / L`, DSNU = s_y / K. Departure:
/// the mean bias is taken off first, since its pattern is stated by itself.
fn dsnu(map: &PixelMap, over: &crate::sensor::plane::windowed::Moments, seconds: f64, gain: &Quantity) -> Quantity {
    let (Some(g), Some(measured)) = (gain.value, over.variance()) else {
        return Quantity::not_measurable(gain.because());
    };
    let Some((_, relative)) = map.temporal else {
        return Quantity::not_measurable(SensorMissing::NoPairOfLongestDarks);
    };
    let noise = map.noise * map.noise;
    let variance = measured - noise;
    let error = (measured * (2.0 / over.n).sqrt()).hypot(noise * relative);
    let unit = g * seconds;
    let method = SensorMethod::DeviationOfMeanDark;
    if variance <= error {
        // Nothing but noise: the value is what would have been missed.
        return Quantity::measured(variance.max(0.0).sqrt() * unit, error.sqrt() * unit, method, map.frames);
    }
    let deviation = variance.sqrt();
    let of_gain = gain.pair().map_or(0.0, |(g, sigma)| sigma / g);
    let relative = (0.5 * error / variance).hypot(of_gain);
    Quantity::with(gain.source, deviation * unit, Some(relative * deviation * unit), method, map.frames)
}

fn quantiles(map: &PixelMap, typical: f64, gain: f64) -> Vec<RateQuantile> {
    let total = map.all.n;
    let of = |share: f64| {
        let mut below = 0.0;
        let bin = map.bins.iter().find(|b| {
            below += f64::from(b.1);
            below >= share * total
        });
        bin.or(map.bins.last()).map(|b| RateQuantile { share, e_per_px_s: gain * (typical + b.0) })
    };
    SHARES.into_iter().filter_map(of).collect()
}

fn histogram(map: &PixelMap, typical: f64, gain: f64) -> Vec<RateStep> {
    let edge = |step: i32| 10f64.powf(f64::from(step) / f64::from(STEPS_A_DECADE));
    let mut counts = vec![0u64; (STEPS[1] - STEPS[0] + 1) as usize];
    for (excess, n) in &map.bins {
        let rate = gain * (typical + excess);
        // Whole steps upwards; all that lie below the lowest edge make the first.
        let step = if rate > edge(STEPS[0]) {
            (rate.log10() * f64::from(STEPS_A_DECADE)).floor() as i32 + 1
        } else {
            STEPS[0]
        };
        counts[(step.min(STEPS[1]) - STEPS[0]) as usize] += u64::from(*n);
    }
    let first = counts.iter().position(|n| *n > 0).unwrap_or(0);
    let last = counts.iter().rposition(|n| *n > 0).unwrap_or(0);
    (first..=last)
        .map(|i| RateStep {
            from_e_per_px_s: (i > 0).then(|| edge(STEPS[0] + i as i32 - 1)),
            to_e_per_px_s: edge(STEPS[0] + i as i32),
            pixels: counts[i],
        })
        .collect()
}

fn is_not_linear(pixel: &Listed, map: &PixelMap, gain: f64) -> bool {
    let (long, short) = (f64::from(pixel.rate), f64::from(pixel.short));
    if !short.is_finite() || pixel.full {
        return false;
    }
    let read = (map.noise * map.exposure_s).powi(2) * map.frames as f64;
    let variance =
        |frames: usize, seconds: f64| (read + long.max(0.0) * seconds / gain) / (frames as f64 * seconds * seconds);
    let error = (variance(map.frames, map.exposure_s) + variance(map.short_frames, map.short_s)).sqrt();
    let apart = (long - short).abs();
    apart > UNLIKE_SIGMAS * error && apart > UNLIKE_SHARE * long
}

/// The defects of one temperature; without a gain every pixel that stands out counts.
pub(crate) fn defects(set: &DarkSet, typical: Option<f64>, gain: &Quantity, size: (usize, usize)) -> Option<DefectMap> {
    let map = set.pixels.as_ref()?;
    let typical = typical.unwrap_or(0.0).max(0.0);
    let (hot, warm) = match gain.value {
        Some(gain) => Scale { gain, typical_adu_per_s: typical }.limits(map),
        None => ((HOT_EXCESS * typical).max(map.listed_from), (WARM_EXCESS * typical).max(map.listed_from)),
    };
    let kind = |l: &Listed| {
        let rate = f64::from(l.rate);
        if l.full {
            Some(DefectKind::Full)
        } else if rate > warm && gain.value.is_some_and(|g| is_not_linear(l, map, g)) {
            Some(DefectKind::NotLinear)
        } else if rate > hot {
            Some(DefectKind::Hot)
        } else {
            (rate > warm).then_some(DefectKind::Warm)
        }
    };
    let mut defects: Vec<Defect> = map
        .listed
        .iter()
        .filter_map(|l| Some(Defect { index: l.index, kind: kind(l)?, excess_adu_per_s: l.rate }))
        .collect();
    defects.sort_by_key(|d| d.index);
    let (width, height) = size;
    Some(DefectMap { width, height, celsius: set.celsius, exposure_s: map.exposure_s, frames: map.frames, defects })
}

/// Pixels to follow through the other temperatures, hot without doubt and not full; the map's own rates of them are noted.
pub(crate) fn to_follow(map: &mut PixelMap) -> Vec<u32> {
    // Twice the limit of the list: chance and the telegraph noise of ordinary pixels stay out.
    let chosen = map.listed.iter().filter(|l| f64::from(l.rate) > 2.0 * map.listed_from && !l.full);
    let (indices, rates) = chosen.map(|l| (l.index, l.rate)).unzip();
    map.followed = rates;
    indices
}

/// Step that doubles the rate of the hot pixels, typical rate included: one fixed set of pixels at all temperatures.
///
/// `typical` gives the rate of the pixels that are not hot for each set, ADU/s.
pub(crate) fn hot_doubling(sets: &[DarkSet], typical: &[Option<f64>]) -> Quantity {
    let rows: Vec<(f64, f64, &PixelMap)> = sets
        .iter()
        .zip(typical)
        .filter_map(|(s, t)| Some((s.celsius?, (*t)?, s.pixels.as_ref().filter(|m| !m.followed.is_empty())?)))
        .collect();
    let count = rows.iter().map(|r| r.2.followed.len()).max().unwrap_or(0);
    let rows: Vec<_> = rows.into_iter().filter(|r| r.2.followed.len() == count).collect();
    let (low, high) = rows.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), r| (l.min(r.0), h.max(r.0)));
    if rows.len() < 2 || high - low < LEAST_RANGE_C {
        return Quantity::not_measurable(SensorMissing::NoHotPixelsAtTwoTemperatures);
    }
    if count < FEWEST_HOT {
        return Quantity::not_measurable(SensorMissing::TooFewHotPixels { count });
    }
    let reference = 0.5 * (low + high);
    let u: Vec<f64> = rows.iter().map(|r| arrhenius_coordinate(r.0, reference)).collect();
    let step_without = |left_out: usize| {
        let sums: Vec<f64> = rows
            .iter()
            .map(|(_, typical, map)| {
                let kept = map.followed.iter().enumerate().filter(|(i, r)| i % GROUPS != left_out && r.is_finite());
                kept.map(|(_, r)| typical + f64::from(*r)).sum::<f64>()
            })
            .collect();
        // All temperatures weigh alike in relative terms: what limits is that not all pixels follow one law.
        let sigma: Vec<f64> = sums.iter().map(|s| s.abs().max(f64::MIN_POSITIVE)).collect();
        Some(doubling_celsius(fit_exponential(&u, &sums, &sigma, false)?.exponent, reference))
    };
    let (Some(step), parts) = (step_without(GROUPS), (0..GROUPS).filter_map(step_without).collect::<Vec<f64>>()) else {
        return Quantity::not_measurable(SensorMissing::HotPixelsDoNotGrow);
    };
    let Some((_, deviation)) = stats::mean_and_std(&parts).filter(|_| parts.len() == GROUPS) else {
        return Quantity::not_measurable(SensorMissing::HotPixelsDoNotGrow);
    };
    let sigma = deviation * ((GROUPS - 1) as f64).sqrt();
    let note =
        SensorNote::HotPixelsMeasuredBetween { low_celsius: low, high_celsius: high, reference_celsius: reference };
    Quantity::measured(step, sigma, SensorMethod::HotPixelsAgainstTemperature, count).noted(note)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sensor::plane::windowed::Moments;

    fn map() -> PixelMap {
        PixelMap {
            frames: 4,
            exposure_s: 300.0,
            short_frames: 4,
            short_s: 60.0,
            bins: vec![(-0.01, 400), (0.01, 500), (0.3, 60), (5.0, 40)],
            all: Moments { n: 1000.0, sum: 0.0, squares: 0.0 },
            noise: 0.01,
            listed_from: 0.05,
            ..PixelMap::default()
        }
    }

    #[test]
    fn quantiles_and_histogram_count_every_pixel_once() {
        let (map, gain, typical) = (map(), 0.5, 0.02);
        let steps = histogram(&map, typical, gain);
        assert_eq!(steps.iter().map(|s| s.pixels).sum::<u64>(), 1000);
        let hottest = steps.last().unwrap();
        // 0.5 (5 + 0.02) = 2.51 e-/s, just above the edge 10^0.4 = 2.5119 or just below it.
        assert!(hottest.pixels == 40 && hottest.to_e_per_px_s < 4.0, "{hottest:?}");
        let got = quantiles(&map, typical, gain);
        assert!((got[3].e_per_px_s - 0.5 * 0.03).abs() < 1e-12, "the median lies in the second bin");
        assert!((got[9].e_per_px_s - 0.5 * 5.02).abs() < 1e-12);
    }

    #[test]
    fn a_rate_that_changes_with_the_exposure_is_not_linear_and_one_within_its_errors_is() {
        let map = map();
        let pixel = |short: f32| Listed { index: 0, rate: 1.0, short, full: false };
        assert!(!is_not_linear(&pixel(1.0), &map, 0.5));
        assert!(!is_not_linear(&pixel(1.15), &map, 0.5));
        assert!(is_not_linear(&pixel(3.0), &map, 0.5));
        assert!(!is_not_linear(&pixel(f32::NAN), &map, 0.5));
    }

    // Truth by construction: pixels of 0.55 to 0.65 eV; the step of their sum is that of 0.6 eV, 7.43 C at 0 C.
    #[test]
    fn hot_pixels_have_a_doubling_step_of_their_own() {
        let set = |celsius: f64| {
            let rate = |i: usize| {
                let energy = 0.55 + 0.1 * (i % 11) as f64 / 10.0;
                (2.0 * (energy * arrhenius_coordinate(celsius, 0.0)).exp()) as f32
            };
            let followed = (0..220).map(rate).collect();
            DarkSet { celsius: Some(celsius), pixels: Some(PixelMap { followed, ..map() }), ..DarkSet::default() }
        };
        let sets: Vec<DarkSet> = [-10.0, 0.0, 10.0].map(set).into();
        let got = hot_doubling(&sets, &[Some(0.0); 3]);
        let (step, sigma) = got.pair().unwrap();
        let want = doubling_celsius(0.6, 0.0);
        assert!((step - want).abs() < 0.1 && sigma < 0.1, "{got:?} {want}");
        let alone = hot_doubling(&sets[..1], &[Some(0.0)]);
        assert_eq!(alone.because(), SensorMissing::NoHotPixelsAtTwoTemperatures.into());
    }
}
