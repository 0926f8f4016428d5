//! An invented detector: its scales, its uneven pixels, its hot pixels and its dark current against temperature.

use std::f64::consts::LN_2;

use rand::RngExt;
use rand_distr::StandardNormal;
use serde::Serialize;

use super::stream;
use crate::units::{BOLTZMANN_EV_PER_K, Celsius};

/// Streams of the detector's seed.
const HOT_STREAM: u64 = 1;
const DARK_ROWS: u64 = 1 << 32;
const LIGHT_ROWS: u64 = 2 << 32;

/// Dark current against temperature after Arrhenius: `D(T) = D_ref exp[-Ea/k (1/T - 1/T_ref)]`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct DarkLaw {
    /// Rate of an ordinary pixel at the reference temperature, e- per px and s.
    pub rate_e_per_px_s: f64,
    /// Reference temperature, degrees Celsius.
    pub reference_celsius: f64,
    /// Activation energy, eV.
    pub activation_ev: f64,
}

impl DarkLaw {
    /// Rate at a temperature, e- per px and s.
    pub fn rate_at(&self, celsius: f64) -> f64 {
        let (t, reference) = (Celsius(celsius).kelvin(), Celsius(self.reference_celsius).kelvin());
        self.rate_e_per_px_s * (-self.activation_ev / BOLTZMANN_EV_PER_K * (1.0 / t - 1.0 / reference)).exp()
    }

    /// Local doubling step `ln 2 k T^2 / Ea` at a temperature, degrees Celsius.
    pub fn doubling_at(&self, celsius: f64) -> f64 {
        LN_2 * BOLTZMANN_EV_PER_K * Celsius(celsius).kelvin().powi(2) / self.activation_ev
    }
}

/// A pixel whose dark current is a multiple of an ordinary one's.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct HotPixel {
    /// Row times width plus column.
    pub index: usize,
    /// Multiple of the ordinary rate.
    pub factor: f64,
}

/// What does not change from frame to frame.
#[derive(Debug, Clone, PartialEq)]
pub struct Detector {
    /// Columns, px.
    pub width: usize,
    /// Rows, px.
    pub height: usize,
    /// Seed of its pixels' own properties.
    pub seed: u64,
    /// Conversion gain, e- per ADU.
    pub gain_e_per_adu: f64,
    /// Read noise, e- rms.
    pub read_noise_e: f64,
    /// Level without charge, ADU.
    pub offset_adu: f64,
    /// Charge at which a pixel is full, e-.
    pub full_well_e: f64,
    /// Step between the codes, ADU: 1 for 16 bit, 4 for 14 bit, 16 for 12 bit shifted to the left.
    pub code_step: u16,
    /// Relative scatter of the pixels' response to light, 1 sigma.
    pub light_scatter: f64,
    /// Relative scatter of the ordinary pixels' dark current, 1 sigma, cut at 0.
    pub dark_scatter: f64,
    /// Hot pixels by rising index, each once.
    pub hot: Vec<HotPixel>,
}

impl Detector {
    /// A detector of even pixels, none of them hot: 1 e- per ADU, offset 500 ADU, 16 bit, read noise 3 e-.
    pub fn even(width: usize, height: usize) -> Self {
        Self {
            width,
            height,
            seed: 0,
            gain_e_per_adu: 1.0,
            read_noise_e: 3.0,
            offset_adu: 500.0,
            full_well_e: 1e5,
            code_step: 1,
            light_scatter: 0.0,
            dark_scatter: 0.0,
            hot: Vec::new(),
        }
    }

    /// Makes the stated fraction of the pixels hot; factors are even in their logarithm from `least` to `most`.
    ///
    /// The detector's seed decides which, so that they are the same in all its frames.
    #[must_use]
    pub fn with_hot_pixels(mut self, fraction: f64, least: f64, most: f64) -> Self {
        let pixels = self.width * self.height;
        let count = ((fraction * pixels as f64).round() as usize).min(pixels);
        let mut rng = stream(self.seed, HOT_STREAM);
        let mut indices = rand::seq::index::sample(&mut rng, pixels, count).into_vec();
        indices.sort_unstable();
        let span = (most / least).ln();
        let hot = |index| HotPixel { index, factor: least * (span * rng.random::<f64>()).exp() };
        self.hot = indices.into_iter().map(hot).collect();
        self
    }

    /// The pixels of row `y` as multiples of the ordinary dark current.
    pub fn dark_factors(&self, y: usize, into: &mut [f64]) {
        scatter(self.seed, DARK_ROWS + y as u64, self.dark_scatter, into);
        let (first, end) = (y * self.width, (y + 1) * self.width);
        let from = self.hot.partition_point(|h| h.index < first);
        for pixel in self.hot[from..].iter().take_while(|h| h.index < end) {
            into[pixel.index - first] = pixel.factor;
        }
    }

    /// The response of the pixels of row `y` to light, 1 on average.
    pub fn light_factors(&self, y: usize, into: &mut [f64]) {
        scatter(self.seed, LIGHT_ROWS + y as u64, self.light_scatter, into);
    }

    /// Share of the pixels that are hot and whose dark current exceeds `limit_e_per_s` where the ordinary rate is `rate`.
    pub fn hot_fraction_above(&self, limit_e_per_s: f64, rate: f64) -> f64 {
        let count = self.hot.iter().filter(|h| h.factor * rate > limit_e_per_s).count();
        count as f64 / (self.width * self.height) as f64
    }

    /// The code for a charge, ADU: offset, gain, rounding to the step, clipping to 16 bit.
    pub fn code(&self, charge_e: f64) -> u16 {
        let step = f64::from(self.code_step);
        let highest = f64::from(u16::MAX / self.code_step * self.code_step);
        let adu = self.offset_adu + charge_e / self.gain_e_per_adu;
        ((adu / step).round() * step).clamp(0.0, highest) as u16
    }
}

fn scatter(seed: u64, number: u64, sigma: f64, into: &mut [f64]) {
    into.fill(1.0);
    if sigma > 0.0 {
        let mut rng = stream(seed, number);
        for factor in into {
            *factor = (1.0 + sigma * rng.sample::<f64, _>(StandardNormal)).max(0.0);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // C5.14 (doubling for 0.63 eV) and C5.15 (0.65 eV, 273.15 to 293.15 K).
    #[test]
    fn the_dark_law_meets_the_published_steps() {
        const PRINTED: f64 = 6e-5;
        let law = DarkLaw { rate_e_per_px_s: 1.0, reference_celsius: 0.0, activation_ev: 0.63 };
        assert!((law.doubling_at(0.0) - 7.0739).abs() < PRINTED);
        assert!((law.doubling_at(20.0) - 8.1477).abs() < PRINTED);
        let law = DarkLaw { activation_ev: 0.65, ..law };
        assert!((law.rate_at(20.0) - 6.57973).abs() < PRINTED);
        assert!((law.rate_at(7.03279) - 2.0).abs() < PRINTED);
    }

    #[test]
    fn hot_pixels_belong_to_the_detector_and_keep_their_place() {
        let make = |seed| Detector { seed, ..Detector::even(200, 100) }.with_hot_pixels(0.002, 20.0, 500.0);
        let (a, b) = (make(5), make(6));
        assert_eq!(a, make(5));
        assert_ne!(a.hot, b.hot);
        assert_eq!(a.hot.len(), 40);
        assert!(a.hot.windows(2).all(|w| w[0].index < w[1].index));
        assert!(a.hot.iter().all(|h| (20.0..=500.0).contains(&h.factor)));
        let spot = a.hot[17];
        let mut row = vec![0.0; 200];
        a.dark_factors(spot.index / 200, &mut row);
        assert_eq!(row[spot.index % 200], spot.factor);
        assert!((a.hot_fraction_above(0.0, 1.0) - 0.002).abs() < 1e-12);
    }

    #[test]
    fn codes_keep_their_step_and_stay_in_16_bit() {
        let chip = Detector { code_step: 16, gain_e_per_adu: 0.5, ..Detector::even(4, 4) };
        assert_eq!(chip.code(0.0), 496, "500 lies nearest to 31 steps");
        assert_eq!(chip.code(10.0), 528, "520 rounds up");
        assert_eq!(chip.code(1e9), 65520);
        assert_eq!(chip.code(-1e9), 0);
    }
}
