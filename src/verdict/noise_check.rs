//! Whether gain, bias level and read noise explain the noise that the lights show.
//!
//! Frames that were scaled, averaged, calibrated, stretched or taken with another gain or offset than the calibration frames do not obey
//! the law of raw lights (`noise_law.rs`). A session is held against it by the differences of neighbouring lights, where what stays from
//! frame to frame cancels; each light by itself, and a session without neighbours, by the pixels of one frame.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use strum::{IntoStaticStr, VariantNames};

use super::noise_law::{At, CameraNoise, NoiseLaw};
use crate::facts::night::{NightMissing, NoiseLooks, NoiseLooksCode};
use crate::facts::verdict::{VerdictMethod, VerdictMissing};
use crate::facts::{Missing, Quantity};
use crate::frame::NoiseAtLevel;
use crate::stats::{median, median_with_error, weighted_line};

/// Ratio of noise measured to noise predicted, either way, from which the budget is less sure: 10 % of noise are 21 % of the time.
pub const DIFFERS: f64 = 1.10;
/// Ratio from which it is withheld: the variance is then more than half as large again as the budget says, or as little of it.
pub const UNEXPLAINED: f64 = 1.25;
/// Standard errors that the ratio must be off as well.
const SURE_SIGMAS: f64 = 3.0;
/// Relative error of the ratio from which it says nothing: it would not show what [`UNEXPLAINED`] asks.
const UNTOLD: f64 = 0.22;
/// Distance below the bias level, in read noises, from which a level is one that no raw light has, where it is three errors as well.
const BELOW_READ_NOISE: f64 = 0.5;
/// Relative error of a gain from the lights' own levels by stars too faint or too close to be cut, which make the brighter sky noisier
/// (simulated: 3 to 9 %).
const STARLIGHT: f64 = 0.1;
/// Relative error of the noise by what stars too faint to be cut leave in it: 0.5 % in the mean of 159 simulated nights
/// (`tests/it/night_trials.rs`).
const FAINT_STARS: f64 = 0.006;
/// The same of the noise of one frame, whose levels are told apart less: the stars' surplus is within their own error in those nights.
const ALONE: f64 = 0.003;
/// Pixels to a star below which those too faint to be found may make all the noise that one frame has too much: in a globular cluster with
/// one to 430 they made twice of it.
const CROWDED_PX: f64 = 1000.0;
/// Relative error to which the lights' own levels must tell a gain for it to say what is wrong.
const TELLING: f64 = 0.2;
/// Fewest frames of a mean that is told from its noise.
const LEAST_AVERAGED: f64 = 1.5;

/// What a session's noise is held against.
#[derive(Debug, Clone, Copy)]
pub struct NoiseCheckInput<'a> {
    /// Noise of the difference of each pair of neighbouring lights, at their levels.
    pub pairs: &'a [Vec<NoiseAtLevel>],
    /// Each light by itself.
    pub lights: &'a [OneLight<'a>],
    /// What their noise follows from.
    pub camera: CameraNoise<'a>,
    /// Whether the lights hold numbers between whole ones.
    pub fractional: bool,
    /// Highest number in the lights, ADU.
    pub highest_adu: f64,
    /// Whether the noise of neighbours says that they were resampled or denoised.
    pub resampled: bool,
    /// Whether the camera takes the dark level off, so that a level may fall below the bias.
    pub dark_level_taken_off: bool,
}

/// One light.
#[derive(Debug, Clone, Copy)]
pub struct OneLight<'a> {
    /// Its noise, at its levels.
    pub noise: &'a [NoiseAtLevel],
    /// Pixels of the frame to one star found.
    pub px_a_star: f64,
}

/// Whether the budget explains the noise.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, IntoStaticStr, VariantNames, JsonSchema)]
#[serde(rename_all = "kebab-case")]
#[strum(serialize_all = "kebab-case")]
pub enum NoiseVerdict {
    /// Measured and predicted noise agree.
    Explained,
    /// They differ by more than their errors and 10 %.
    Differs,
    /// They differ by more than 25 %, or the level is one that no raw light has: the budget is withheld.
    Unexplained,
    /// There is nothing to compare.
    NotMeasurable,
}

/// The noise that lights show against the noise that the budget predicts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct NoiseCheck {
    /// Noise of one pixel of the sky, from differences of neighbouring lights.
    #[schemars(extend("unit" = "ADU"))]
    pub measured_adu: Quantity,
    /// The same as gain, level above bias and read noise predict it.
    #[schemars(extend("unit" = "ADU"))]
    pub predicted_adu: Quantity,
    /// Measured over predicted.
    #[schemars(extend("unit" = "1"))]
    pub ratio: Quantity,
    /// Gain as the noise at the lights' own levels tells it, whatever their offset.
    #[schemars(extend("unit" = "e-/ADU"))]
    pub gain_of_sky_e_per_adu: Quantity,
    /// Pairs of neighbouring lights that were looked at, over the session.
    #[schemars(extend("unit" = "pairs"))]
    pub pairs: usize,
    /// Those whose noise by itself is off by more than 25 %.
    #[schemars(extend("unit" = "pairs"))]
    pub pairs_off: usize,
    /// Lights that were looked at by themselves.
    #[schemars(extend("unit" = "frames"))]
    pub lights: usize,
    /// Those whose noise by itself is off by more than 25 %.
    #[schemars(extend("unit" = "frames"))]
    pub lights_off: usize,
    /// Whether they agree.
    pub verdict: NoiseVerdict,
    /// What the lights look like where they do not.
    pub looks_like: Option<NoiseLooksCode>,
}

/// The check, and in full what the lights look like.
#[derive(Debug, Clone, PartialEq)]
pub struct NoiseFinding {
    pub check: NoiseCheck,
    pub looks_like: Option<NoiseLooks>,
    /// What each light shows by itself.
    pub lights: Vec<LightNoise>,
}

/// The noise of one light against what its level makes of it.
#[derive(Debug, Clone, PartialEq)]
pub struct LightNoise {
    /// Noise measured over noise predicted.
    pub ratio: Quantity,
    /// Why its level tells no sky, where it is off by more than 25 %.
    pub withheld: Option<NightMissing>,
}

impl NoiseFinding {
    /// The finding with what pairs and single lights show: some that are off make a session's budget less sure where its median agrees.
    fn with_each(mut self, (pairs, off): (usize, usize), lights: Vec<LightNoise>) -> Self {
        (self.check.pairs, self.check.pairs_off) = (pairs, off);
        self.check.lights = lights.iter().filter(|l| l.ratio.is_known()).count();
        self.check.lights_off = lights.iter().filter(|l| l.withheld.is_some()).count();
        self.lights = lights;
        if off + self.check.lights_off > 0 && self.check.verdict == NoiseVerdict::Explained {
            self.check.verdict = NoiseVerdict::Differs;
            self.looks_like = Some(NoiseLooks::Mixed);
            self.check.looks_like = self.looks_like.map(NoiseLooksCode::from);
        }
        self
    }

    /// Why nothing that rests on the lights' levels is told; `None` where it may be.
    pub fn withholds(&self) -> Option<NightMissing> {
        let looks_like = self.looks_like.filter(|_| self.check.verdict == NoiseVerdict::Unexplained)?;
        let NoiseCheck { measured_adu, predicted_adu, .. } = &self.check;
        let (measured_adu, predicted_adu) = (measured_adu.value?, predicted_adu.value?);
        Some(NightMissing::NoiseUnexplained { measured_adu, predicted_adu, looks_like })
    }
}

/// Holds the noise of lights against their levels.
///
/// Stars that crowd raise the noise of whole pixels, a read-out that correlates neighbours lowers that of the finest structure: that of
/// both counts which comes nearer to what is expected.
pub fn noise_check(input: &NoiseCheckInput) -> NoiseFinding {
    let by_pairs = input.pairs.iter().any(|pair| !pair.is_empty());
    let found = if by_pairs {
        input.pairs.concat()
    } else {
        input.lights.iter().flat_map(|l| l.noise.iter().copied()).collect()
    };
    let gain_of_sky_e_per_adu = gain_of_sky(&At::all(&found, |l| l.fine));
    let whole = measured(&At::all(&found, |l| l.whole), by_pairs);
    match NoiseLaw::of(&input.camera) {
        Ok(law) if !found.is_empty() => {
            let check = Check { input, law: &law, by_pairs };
            let found = if by_pairs { found } else { law.without_pattern(&found) };
            let finding = check.held_against(&law.nearer(&found), gain_of_sky_e_per_adu);
            let of_pair = |pair: &&Vec<NoiseAtLevel>| law.ratio(&law.nearer(pair), law.bias.0);
            let off = input.pairs.iter().filter(|p| of_pair(p).is_some_and(|(r, e)| is_off(r, e, UNEXPLAINED))).count();
            let ratio = finding.check.ratio.value.filter(|_| by_pairs);
            finding.with_each((input.pairs.len(), off), check.each_light(ratio))
        }
        Ok(_) => nothing(VerdictMissing::NoSkyNoise.into(), whole, gain_of_sky_e_per_adu),
        Err(because) => nothing(because, whole, gain_of_sky_e_per_adu),
    }
}

fn nothing(because: Missing, measured_adu: Quantity, gain_of_sky_e_per_adu: Quantity) -> NoiseFinding {
    let unknown = || Quantity::not_measurable(because.clone());
    let check = NoiseCheck {
        measured_adu,
        predicted_adu: unknown(),
        ratio: unknown(),
        gain_of_sky_e_per_adu,
        pairs: 0,
        pairs_off: 0,
        lights: 0,
        lights_off: 0,
        verdict: NoiseVerdict::NotMeasurable,
        looks_like: None,
    };
    NoiseFinding { check, looks_like: None, lights: Vec::new() }
}

/// Median over the levels.
fn measured(lights: &[At], by_pairs: bool) -> Quantity {
    let Some((variance, error)) = median_with_error(&lights.iter().map(|l| l.variance).collect::<Vec<_>>()) else {
        return Quantity::not_measurable(VerdictMissing::NoSkyNoise);
    };
    let noise = variance.max(0.0).sqrt();
    let method = if by_pairs { VerdictMethod::NoiseOfDifferences } else { VerdictMethod::NoiseOfSingleLights };
    Quantity::measured(noise, 0.5 * error / noise.max(1e-30), method, lights.len())
}

/// Inverse slope of the variance over the level.
fn gain_of_sky(lights: &[At]) -> Quantity {
    let column = |of: fn(&At) -> f64| lights.iter().map(of).collect::<Vec<f64>>();
    let line = weighted_line(&column(|l| l.level), &column(|l| l.variance), &column(|l| l.sigma.max(1e-12)));
    let Some(line) = line.filter(|line| line.n > 2 && line.slope > 0.0) else {
        return Quantity::not_measurable(VerdictMissing::OneSkyLevel);
    };
    // Where the levels scatter about the line by more than stated, they tell its error.
    let scatter = (line.chi2 / (line.n - 2) as f64).max(1.0).sqrt();
    let relative = (scatter * line.slope_sigma / line.slope).hypot(STARLIGHT);
    if relative > 1.0 {
        return Quantity::not_measurable(VerdictMissing::OneSkyLevel);
    }
    let gain = line.slope.recip();
    Quantity::measured(gain, gain * relative, VerdictMethod::NoiseOverSkyLevel, line.n)
}

/// Relative error of a noise `ratio` times the one expected by the faint stars of one frame.
fn crowd(ratio: f64, px_a_star: f64) -> f64 {
    if px_a_star < CROWDED_PX { ratio.ln().max(0.0) } else { 0.0 }
}

/// Whether a ratio lies beyond a limit, either way, and beyond its relative error.
fn is_off(ratio: f64, error: f64, limit: f64) -> bool {
    let off = ratio.ln().abs();
    off > limit.ln() && off > SURE_SIGMAS * error
}

/// Lights, and the law that they are held against.
struct Check<'a> {
    input: &'a NoiseCheckInput<'a>,
    law: &'a NoiseLaw,
    /// Whether the session is judged by differences of neighbours, not by single frames.
    by_pairs: bool,
}

impl Check<'_> {
    /// Relative error of the noise of single frames at a level: half of the pattern taken off, and what is in no calibration frame.
    fn alone(&self, level_adu: f64) -> f64 {
        let pattern = self.law.pattern_adu2(level_adu) / self.law.variance(level_adu, self.law.bias.0);
        ALONE.hypot(0.25 * pattern)
    }

    /// What each light shows by itself.
    ///
    /// Patterns are in a single frame and not in the difference of two: where the session's pairs have `ratio`, what their lights show
    /// beyond it in the median is taken for such.
    fn each_light(&self, ratio: Option<f64>) -> Vec<LightNoise> {
        let of = |light: &OneLight| self.law.nearer(&self.law.without_pattern(light.noise));
        let lights: Vec<Vec<At>> = self.input.lights.iter().map(of).collect();
        let own = |light: &[At]| self.law.ratio(light, self.law.bias.0);
        let beyond = ratio.and_then(|r| {
            let all: Vec<f64> = lights.iter().filter_map(|l| own(l)).map(|(r, _)| r).collect();
            Some((median(&all)? / r).max(1.0))
        });
        let beyond = beyond.unwrap_or(1.0);
        let without = |at: &At| At { variance: at.variance / beyond.powi(2), sigma: at.sigma / beyond.powi(2), ..*at };
        let found = lights.iter().zip(self.input.lights);
        found.map(|(light, of)| self.one_light(&light.iter().map(without).collect::<Vec<_>>(), of.px_a_star)).collect()
    }

    fn one_light(&self, light: &[At], px_a_star: f64) -> LightNoise {
        let level = median(&light.iter().map(|l| l.level).collect::<Vec<_>>());
        let Some((level, (ratio, own))) = level.zip(self.law.ratio(light, self.law.bias.0)) else {
            return LightNoise { ratio: Quantity::not_measurable(VerdictMissing::NoSkyNoise), withheld: None };
        };
        let beside = self.law.relative_error(level).hypot(self.alone(level)).hypot(crowd(ratio, px_a_star));
        let error = own.hypot(beside);
        let off = self.below_bias(level) || is_off(ratio, error, UNEXPLAINED);
        if !off && error > UNTOLD {
            return LightNoise { ratio: Quantity::not_measurable(VerdictMissing::NoSkyNoise), withheld: None };
        }
        let withheld = off.then(|| {
            let predicted_adu = self.law.variance(level, self.law.bias.0).sqrt();
            let looks_like = self.looks(light, (self.below_bias(level), ratio), &gain_of_sky(light));
            NightMissing::NoiseUnexplained { measured_adu: ratio * predicted_adu, predicted_adu, looks_like }
        });
        let method = VerdictMethod::MeasuredOverPredicted;
        LightNoise { ratio: Quantity::measured(ratio, ratio * error, method, light.len()), withheld }
    }

    /// Whether no raw light of this camera has that level.
    fn below_bias(&self, level_adu: f64) -> bool {
        let margin = (SURE_SIGMAS * self.law.bias.1).max(BELOW_READ_NOISE * self.law.read.0);
        !self.input.dark_level_taken_off && level_adu < self.law.bias.0 - margin
    }

    fn held_against(&self, lights: &[At], gain_of_sky: Quantity) -> NoiseFinding {
        let law = self.law;
        let level = median(&lights.iter().map(|l| l.level).collect::<Vec<_>>()).unwrap_or(law.bias.0);
        let (noise, relative) = (law.variance(level, law.bias.0).sqrt(), law.relative_error(level));
        let predicted_adu = Quantity::measured(noise, noise * relative, VerdictMethod::NoiseOfLevel, 1);
        let (ratio, own) = law.ratio(lights, law.bias.0).unwrap_or((0.0, 0.0));
        let px_a_star = self.input.lights.iter().map(|l| l.px_a_star).fold(f64::INFINITY, f64::min);
        let systematic = if self.by_pairs { FAINT_STARS } else { self.alone(level).hypot(crowd(ratio, px_a_star)) };
        let error = own.hypot(relative).hypot(systematic);
        let below = self.below_bias(level);
        if !below && error > UNTOLD && !is_off(ratio, error, 1.0) {
            return nothing(VerdictMissing::NoSkyNoise.into(), measured(lights, self.by_pairs), gain_of_sky);
        }
        let verdict = if below || is_off(ratio, error, UNEXPLAINED) {
            NoiseVerdict::Unexplained
        } else if is_off(ratio, error, DIFFERS) {
            NoiseVerdict::Differs
        } else {
            NoiseVerdict::Explained
        };
        let looks_like = (verdict != NoiseVerdict::Explained).then(|| self.looks(lights, (below, ratio), &gain_of_sky));
        let check = NoiseCheck {
            ratio: Quantity::measured(ratio, ratio * error, VerdictMethod::MeasuredOverPredicted, lights.len()),
            measured_adu: measured(lights, self.by_pairs),
            predicted_adu,
            gain_of_sky_e_per_adu: gain_of_sky,
            pairs: 0,
            pairs_off: 0,
            lights: 0,
            lights_off: 0,
            verdict,
            looks_like: looks_like.map(NoiseLooksCode::from),
        };
        NoiseFinding { check, looks_like, lights: Vec::new() }
    }

    /// What lights look like whose noise is `ratio` times what it should be.
    fn looks(&self, lights: &[At], (below, ratio): (bool, f64), gain_of_sky: &Quantity) -> NoiseLooks {
        let Self { input, law, .. } = self;
        if input.fractional && input.highest_adu <= 1.0 {
            return NoiseLooks::ScaledToOne;
        }
        if input.resampled {
            return NoiseLooks::Resampled;
        }
        if below && input.fractional {
            return NoiseLooks::OffsetTakenOff;
        }
        let frames = ratio.powi(-2);
        let without_offset = law.ratio(lights, 0.0).filter(|_| law.bias.0 > 0.0);
        if without_offset.is_some_and(|(r, _)| r.ln().abs() < DIFFERS.ln()) {
            return NoiseLooks::OffsetTakenOff;
        }
        let told = gain_of_sky.pair().filter(|(gain, sigma)| *sigma < TELLING * gain && !input.fractional);
        let alike = |gain: f64, sigma: f64| (gain - law.gain.0).abs() < (SURE_SIGMAS * sigma).max(TELLING * law.gain.0);
        match told {
            Some((gain, sigma)) if alike(gain, sigma) => {
                let offset = |l: &At| l.level - law.gain.0 * (l.variance - law.read.0.powi(2) - law.rounding_adu2);
                let offsets: Vec<f64> = lights.iter().map(offset).collect();
                NoiseLooks::OtherOffset { bias_adu: median(&offsets).unwrap_or(law.bias.0) }
            }
            _ if below => NoiseLooks::BelowBias,
            Some((gain, _)) if frames < LEAST_AVERAGED => NoiseLooks::OtherGain { e_per_adu: gain },
            _ if frames >= LEAST_AVERAGED => NoiseLooks::Averaged { frames },
            _ if input.fractional => NoiseLooks::Processed,
            _ => NoiseLooks::Untold,
        }
    }
}
