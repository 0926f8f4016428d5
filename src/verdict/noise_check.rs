//! Whether gain, bias level and read noise explain the noise that the lights show.
//!
//! A raw light's sky has the variance `(level - bias) / gain + R^2 + step^2/12` (ADU^2; Janesick 2007, Photon Transfer, from
//! memory). Dark current is in the level and in the noise alike, so that no temperature enters. Frames that were scaled, averaged,
//! calibrated, stretched or taken with another gain or offset than the calibration frames do not obey it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use strum::{IntoStaticStr, VariantNames};

use crate::facts::night::{NightMissing, NoiseLooks, NoiseLooksCode};
use crate::facts::verdict::{VerdictMethod, VerdictMissing};
use crate::facts::{Input, Missing, Quantity};
use crate::frame::{NoiseAtLevel, Variance};
use crate::stats::{median, median_with_error, weighted_line};

/// Ratio of noise measured to noise predicted, either way, from which the budget is less sure: 10 % of noise are 21 % of the time.
pub const DIFFERS: f64 = 1.10;
/// Ratio from which it is withheld: the variance is then more than half as large again as the budget says, or as little of it.
pub const UNEXPLAINED: f64 = 1.25;
/// Standard errors that the ratio must be off as well.
const SURE_SIGMAS: f64 = 3.0;
/// Distance below the bias level, in read noises, from which a level is one that no raw light has, where it is three errors as well.
const BELOW_READ_NOISE: f64 = 0.5;
/// Relative error of a gain from the lights' own levels by stars too faint or too close to be cut, which make the brighter sky noisier
/// (simulated: 3 to 9 %).
const STARLIGHT: f64 = 0.1;
/// Relative error of the noise by what stars too faint to be cut leave in it: 0.5 % in the mean of 159 simulated nights
/// (`tests/it/night_trials.rs`).
const FAINT_STARS: f64 = 0.006;
/// Relative error to which the lights' own levels must tell a gain for it to say what is wrong.
const TELLING: f64 = 0.2;
/// Fewest frames of a mean that is told from its noise.
const LEAST_AVERAGED: f64 = 1.5;

/// What a session's noise is held against.
#[derive(Debug, Clone, Copy)]
pub struct NoiseCheckInput<'a> {
    /// Noise of the difference of each pair of neighbouring lights, at their levels.
    pub pairs: &'a [Vec<NoiseAtLevel>],
    /// Gain, e-/ADU.
    pub gain_e_per_adu: &'a Quantity,
    /// Level of the bias frames, ADU.
    pub bias_level_adu: &'a Quantity,
    /// By how much that level wanders from frame to frame, ADU; 0 where it is not known.
    pub level_drift_adu: f64,
    /// Read noise, ADU.
    pub read_noise_adu: &'a Quantity,
    /// Step between codes, ADU.
    pub adu_step: Option<u32>,
    /// Whether the lights hold numbers between whole ones.
    pub fractional: bool,
    /// Highest number in the lights, ADU.
    pub highest_adu: f64,
    /// Whether the noise of neighbours says that they were resampled or denoised.
    pub resampled: bool,
    /// Whether the camera takes the dark level off, so that a level may fall below the bias.
    pub dark_level_taken_off: bool,
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
}

impl NoiseFinding {
    /// The finding with what single pairs show: some that are off make a session's budget less sure where its median agrees.
    fn with_pairs(mut self, pairs: usize, off: usize) -> Self {
        (self.check.pairs, self.check.pairs_off) = (pairs, off);
        if off > 0 && self.check.verdict == NoiseVerdict::Explained {
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

/// A level of the sky and the variance of a pixel there, with its error, ADU and ADU^2.
#[derive(Debug, Clone, Copy)]
struct At {
    level: f64,
    variance: f64,
    sigma: f64,
}

impl At {
    fn all(lights: &[NoiseAtLevel], of: fn(&NoiseAtLevel) -> Variance) -> Vec<Self> {
        let at = |l: &NoiseAtLevel| Self { level: l.level_adu, variance: of(l).adu2, sigma: of(l).sigma_adu2 };
        lights.iter().map(at).collect()
    }
}

/// Holds the noise of lights against their levels.
///
/// Stars that crowd raise the noise of whole pixels, a read-out that correlates neighbours lowers that of the finest structure: that of
/// both counts which comes nearer to what is expected.
pub fn noise_check(input: &NoiseCheckInput) -> NoiseFinding {
    let lights = input.pairs.concat();
    let (whole, fine) = (At::all(&lights, |l| l.whole), At::all(&lights, |l| l.fine));
    let gain_of_sky_e_per_adu = gain_of_sky(&fine);
    match Predicted::of(input) {
        Ok(predicted) if !whole.is_empty() => {
            let nearer = predicted.nearer(&lights);
            let finding = predicted.held_against(input, &nearer, gain_of_sky_e_per_adu);
            let off = input.pairs.iter().filter(|pair| predicted.is_off(&predicted.nearer(pair))).count();
            finding.with_pairs(input.pairs.len(), off)
        }
        Ok(_) => nothing(VerdictMissing::NoNeighbouringLights.into(), measured(&whole), gain_of_sky_e_per_adu),
        Err(because) => nothing(because, measured(&whole), gain_of_sky_e_per_adu),
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
        verdict: NoiseVerdict::NotMeasurable,
        looks_like: None,
    };
    NoiseFinding { check, looks_like: None }
}

/// Median over the levels.
fn measured(lights: &[At]) -> Quantity {
    let Some((variance, error)) = median_with_error(&lights.iter().map(|l| l.variance).collect::<Vec<_>>()) else {
        return Quantity::not_measurable(VerdictMissing::NoNeighbouringLights);
    };
    let noise = variance.max(0.0).sqrt();
    Quantity::measured(noise, 0.5 * error / noise.max(1e-30), VerdictMethod::NoiseOfDifferences, lights.len())
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

/// What the noise of lights should be.
struct Predicted {
    gain: (f64, f64),
    bias: (f64, f64),
    read: (f64, f64),
    /// Variance of the rounding to codes, ADU^2.
    rounding_adu2: f64,
}

impl Predicted {
    fn of(input: &NoiseCheckInput) -> Result<Self, Missing> {
        let known = |q: &Quantity, what| q.pair().ok_or_else(|| Missing::input(what, q.because()));
        let bias = known(input.bias_level_adu, Input::BiasLevel)?;
        let step = f64::from(input.adu_step.unwrap_or(0));
        Ok(Self {
            gain: known(input.gain_e_per_adu, Input::Gain)?,
            bias: (bias.0, bias.1.hypot(input.level_drift_adu)),
            read: known(input.read_noise_adu, Input::ReadNoise)?,
            rounding_adu2: step * step / 12.0,
        })
    }

    /// Variance of a pixel at a level, were the bias at `bias_adu`.
    fn variance(&self, level_adu: f64, bias_adu: f64) -> f64 {
        (level_adu - bias_adu).max(0.0) / self.gain.0 + self.read.0.powi(2) + self.rounding_adu2
    }

    /// Median over the levels of noise measured over noise predicted.
    fn ratio(&self, lights: &[At], bias_adu: f64) -> Option<(f64, f64)> {
        let of = |l: &At| 0.5 * (l.variance / self.variance(l.level, bias_adu)).ln();
        let (ln, error) = median_with_error(&lights.iter().map(of).filter(|r| r.is_finite()).collect::<Vec<_>>())?;
        Some((ln.exp(), error))
    }

    /// Noise of whole pixels, or of their finest structure where that comes nearer to what is expected.
    fn nearer(&self, lights: &[NoiseAtLevel]) -> Vec<At> {
        let (whole, fine) = (At::all(lights, |l| l.whole), At::all(lights, |l| l.fine));
        let off = |at: &[At]| self.ratio(at, self.bias.0).map_or(f64::INFINITY, |(r, _)| r.ln().abs());
        if off(&fine) < off(&whole) { fine } else { whole }
    }

    /// Whether the noise of these lights is far from what their level makes of it.
    fn is_off(&self, lights: &[At]) -> bool {
        let far = |(r, error): (f64, f64)| r.ln().abs() > UNEXPLAINED.ln() && r.ln().abs() > SURE_SIGMAS * error;
        self.ratio(lights, self.bias.0).is_some_and(far)
    }

    fn held_against(&self, input: &NoiseCheckInput, lights: &[At], gain_of_sky: Quantity) -> NoiseFinding {
        let level = median(&lights.iter().map(|l| l.level).collect::<Vec<_>>()).unwrap_or(self.bias.0);
        let variance = self.variance(level, self.bias.0);
        let light = (level - self.bias.0).max(0.0) / self.gain.0;
        // Relative errors of the predicted noise.
        let parts = [light * self.gain.1 / self.gain.0, self.bias.1 / self.gain.0, 2.0 * self.read.0 * self.read.1];
        let relative = 0.5 * parts.iter().map(|p| p * p).sum::<f64>().sqrt() / variance;
        let noise = variance.sqrt();
        let predicted_adu = Quantity::measured(noise, noise * relative, VerdictMethod::NoiseOfLevel, 1);
        let (ratio, own) = self.ratio(lights, self.bias.0).unwrap_or((0.0, 0.0));
        let error = own.hypot(relative).hypot(FAINT_STARS);
        let off = ratio.ln().abs();
        let margin = (SURE_SIGMAS * self.bias.1).max(BELOW_READ_NOISE * self.read.0);
        let below = !input.dark_level_taken_off && level < self.bias.0 - margin;
        let verdict = if below || (off > UNEXPLAINED.ln() && off > SURE_SIGMAS * error) {
            NoiseVerdict::Unexplained
        } else if off > DIFFERS.ln() && off > SURE_SIGMAS * error {
            NoiseVerdict::Differs
        } else {
            NoiseVerdict::Explained
        };
        let looks_like =
            (verdict != NoiseVerdict::Explained).then(|| self.looks(input, lights, (below, ratio), &gain_of_sky));
        let check = NoiseCheck {
            ratio: Quantity::measured(ratio, ratio * error, VerdictMethod::MeasuredOverPredicted, lights.len()),
            measured_adu: measured(lights),
            predicted_adu,
            gain_of_sky_e_per_adu: gain_of_sky,
            pairs: 0,
            pairs_off: 0,
            verdict,
            looks_like: looks_like.map(NoiseLooksCode::from),
        };
        NoiseFinding { check, looks_like }
    }

    /// What lights look like whose noise is `ratio` times what it should be.
    fn looks(
        &self,
        input: &NoiseCheckInput,
        lights: &[At],
        (below, ratio): (bool, f64),
        gain_of_sky: &Quantity,
    ) -> NoiseLooks {
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
        let without_offset = self.ratio(lights, 0.0).filter(|_| self.bias.0 > 0.0);
        if without_offset.is_some_and(|(r, _)| r.ln().abs() < DIFFERS.ln()) {
            return NoiseLooks::OffsetTakenOff;
        }
        let told = gain_of_sky.pair().filter(|(gain, sigma)| *sigma < TELLING * gain && !input.fractional);
        let alike =
            |gain: f64, sigma: f64| (gain - self.gain.0).abs() < (SURE_SIGMAS * sigma).max(TELLING * self.gain.0);
        match told {
            Some((gain, sigma)) if alike(gain, sigma) => {
                let offset = |l: &At| l.level - self.gain.0 * (l.variance - self.read.0.powi(2) - self.rounding_adu2);
                let offsets: Vec<f64> = lights.iter().map(offset).collect();
                NoiseLooks::OtherOffset { bias_adu: median(&offsets).unwrap_or(self.bias.0) }
            }
            _ if below => NoiseLooks::BelowBias,
            Some((gain, _)) if frames < LEAST_AVERAGED => NoiseLooks::OtherGain { e_per_adu: gain },
            _ if frames >= LEAST_AVERAGED => NoiseLooks::Averaged { frames },
            _ if input.fractional => NoiseLooks::Processed,
            _ => NoiseLooks::Untold,
        }
    }
}
