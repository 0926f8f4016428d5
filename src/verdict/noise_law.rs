//! What the noise of a raw light's sky is at its level, and how far lights are from it.
//!
//! The variance is `(level - bias) / gain + R^2 + step^2/12` (ADU^2; Janesick 2007, Photon Transfer, from memory). Dark current is in the
//! level and in the noise alike, so that no temperature enters.

use crate::facts::{Input, Missing, Quantity};
use crate::frame::{NoiseAtLevel, Variance};
use crate::stats::{MEDIAN_TO_MEAN_ERROR, median_with_error};

/// What the noise of a camera's lights follows from.
#[derive(Debug, Clone, Copy)]
pub struct CameraNoise<'a> {
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
    /// What the pixels of every light differ by.
    pub pattern: Pattern,
}

/// Differences between pixels that are the same in all frames, as calibration frames show them; 0 where none does.
#[derive(Debug, Clone, Copy, Default)]
pub struct Pattern {
    /// Of bias and dark charge, ADU^2.
    pub unlit_adu2: f64,
    /// Of the response to light, over the light.
    pub of_light: f64,
}

/// A level of the sky and the variance of a pixel there, with its error, ADU and ADU^2.
#[derive(Debug, Clone, Copy)]
pub(super) struct At {
    pub level: f64,
    pub variance: f64,
    pub sigma: f64,
}

impl At {
    pub fn all(lights: &[NoiseAtLevel], of: fn(&NoiseAtLevel) -> Variance) -> Vec<Self> {
        let at = |l: &NoiseAtLevel| Self { level: l.level_adu, variance: of(l).adu2, sigma: of(l).sigma_adu2 };
        lights.iter().map(at).collect()
    }
}

/// What the noise of lights should be.
pub(super) struct NoiseLaw {
    pub gain: (f64, f64),
    pub bias: (f64, f64),
    pub read: (f64, f64),
    /// Variance of the rounding to codes, ADU^2.
    pub rounding_adu2: f64,
    pattern: Pattern,
}

impl NoiseLaw {
    pub fn of(camera: &CameraNoise) -> Result<Self, Missing> {
        let known = |q: &Quantity, what| q.pair().ok_or_else(|| Missing::input(what, q.because()));
        let bias = known(camera.bias_level_adu, Input::BiasLevel)?;
        let step = f64::from(camera.adu_step.unwrap_or(0));
        Ok(Self {
            gain: known(camera.gain_e_per_adu, Input::Gain)?,
            bias: (bias.0, bias.1.hypot(camera.level_drift_adu)),
            read: known(camera.read_noise_adu, Input::ReadNoise)?,
            rounding_adu2: step * step / 12.0,
            pattern: camera.pattern,
        })
    }

    /// Variance of a pixel at a level, were the bias at `bias_adu`.
    pub fn variance(&self, level_adu: f64, bias_adu: f64) -> f64 {
        (level_adu - bias_adu).max(0.0) / self.gain.0 + self.read.0.powi(2) + self.rounding_adu2
    }

    /// Standard error of the noise that a level should show, over it, by those of gain, bias and read noise.
    pub fn relative_error(&self, level_adu: f64) -> f64 {
        let light = (level_adu - self.bias.0).max(0.0) / self.gain.0;
        let parts = [light * self.gain.1 / self.gain.0, self.bias.1 / self.gain.0, 2.0 * self.read.0 * self.read.1];
        0.5 * parts.iter().map(|p| p * p).sum::<f64>().sqrt() / self.variance(level_adu, self.bias.0)
    }

    /// Variance of the pixels' lasting differences at a level, ADU^2.
    pub fn pattern_adu2(&self, level_adu: f64) -> f64 {
        self.pattern.unlit_adu2 + (self.pattern.of_light * (level_adu - self.bias.0)).powi(2)
    }

    /// A light's own noise without those differences; where it is less than they are, the light has been changed, and they are not in it.
    pub fn without_pattern(&self, light: &[NoiseAtLevel]) -> Vec<NoiseAtLevel> {
        let less = |v: Variance, pattern: f64| Variance {
            adu2: if v.adu2 > pattern { v.adu2 - pattern } else { v.adu2 },
            ..v
        };
        let of = |at: &NoiseAtLevel| {
            let pattern = self.pattern_adu2(at.level_adu);
            NoiseAtLevel { whole: less(at.whole, pattern), fine: less(at.fine, pattern), ..*at }
        };
        light.iter().map(of).collect()
    }

    /// Median over the levels of noise measured over noise predicted, with the larger of the errors by their scatter and their own.
    pub fn ratio(&self, lights: &[At], bias_adu: f64) -> Option<(f64, f64)> {
        let of = |l: &At| 0.5 * (l.variance / self.variance(l.level, bias_adu)).ln();
        let (ln, error) = median_with_error(&lights.iter().map(of).filter(|r| r.is_finite()).collect::<Vec<_>>())?;
        let squares = lights.iter().map(|l| (0.5 * l.sigma / l.variance).powi(2)).filter(|s| s.is_finite());
        let own = MEDIAN_TO_MEAN_ERROR * squares.sum::<f64>().sqrt() / lights.len() as f64;
        Some((ln.exp(), error.max(own)))
    }

    /// Noise of whole pixels, or of their finest structure where that comes nearer to what is expected.
    pub fn nearer(&self, lights: &[NoiseAtLevel]) -> Vec<At> {
        let (whole, fine) = (At::all(lights, |l| l.whole), At::all(lights, |l| l.fine));
        let off = |at: &[At]| self.ratio(at, self.bias.0).map_or(f64::INFINITY, |(r, _)| r.ln().abs());
        if off(&fine) < off(&whole) { fine } else { whole }
    }
}
