//! Pixels noisier than the rest, as random telegraph signals make them.
//!
//! Where there are enough bias frames, each pixel's own variance over the frames is kept (Welford 1962, from memory) and
//! the root of its mean over the pixels set against that of its median. A normal law's sample variance has the median
//! `(1 - 2/(9 f))^3` of its mean with f degrees of freedom (Wilson & Hilferty 1931, from memory).

use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::facts::sensor::SensorMethod;
use crate::facts::{Missing, Quantity};
use crate::fits::Pixels;
use crate::stats;

/// Fewest frames whose scatter at a single pixel says something: with 8 a variance is known to 53 %.
pub(crate) const FEWEST_FRAMES: usize = 8;
/// A pixel is called noisy above this many times the typical noise: by chance a normal pixel's scatter over 8 frames
/// exceeds it once in 4 million (chi-squared with 7 degrees of freedom).
const NOISY_TIMES: f64 = 2.5;
/// Noise in steps between codes below which a median over whole numbers says nothing.
const LEAST_STEPS: f64 = 1.0;

/// How much of the read noise sits in few pixels.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ReadNoiseTail {
    /// Read noise of the pixels that do not jump: beyond three standard deviations nothing of the pairs' differences counts.
    #[schemars(extend("unit" = "ADU"))]
    pub ordinary_adu: Quantity,
    /// Read noise of the typical pixel.
    #[schemars(extend("unit" = "ADU"))]
    pub median_adu: Quantity,
    /// Read noise over all pixels.
    #[schemars(extend("unit" = "ADU"))]
    pub rms_adu: Quantity,
    /// Share of pixels above 2.5 times the typical one.
    #[schemars(extend("unit" = "1"))]
    pub noisy_pixel_fraction: Quantity,
    /// Of the difference of a pair; 0 for normal noise.
    #[schemars(extend("unit" = "1"))]
    pub excess_kurtosis: Quantity,
}

impl ReadNoiseTail {
    /// Nothing known, for the reason given.
    pub fn not_measurable(because: impl Into<Missing>) -> Self {
        let because = because.into();
        let unknown = || Quantity::not_measurable(because.clone());
        Self {
            ordinary_adu: unknown(),
            median_adu: unknown(),
            rms_adu: unknown(),
            noisy_pixel_fraction: unknown(),
            excess_kurtosis: unknown(),
        }
    }
}

/// Each pixel's sum of squared deviations over frames; one plane beside the sum of the frames.
#[derive(Debug, Clone, Default)]
pub(crate) struct PixelScatter {
    squares: Vec<f32>,
    frames: usize,
    /// Sum of the shifts of the frames' levels that were taken off.
    shifts: f64,
}

impl PixelScatter {
    /// Adds a frame whose level lies `shift` above that of the first; `sum` is that of the frames before it.
    pub fn add(&mut self, frame: &Pixels, shift: f64, sum: &[f32]) {
        let (rows, columns) = frame.dim();
        self.squares.resize(rows * columns, 0.0);
        let (n, shifts) = (self.frames as f64, self.shifts);
        if self.frames > 0 {
            let planes = self.squares.par_chunks_exact_mut(columns).zip(sum.par_chunks_exact(columns));
            planes.enumerate().for_each_init(
                || vec![0f32; columns],
                |row, (y, (squares, sum))| {
                    frame.copy_row(y, row);
                    deviate(squares, row, sum, [n, shifts, shift]);
                },
            );
        }
        self.frames += 1;
        self.shifts += shift;
    }

    /// Median and root mean square of the pixels' noise, and the share of noisy ones. `step` is that between codes.
    pub fn derive(self, step: f64) -> Option<[Quantity; 3]> {
        if self.frames < FEWEST_FRAMES {
            return None;
        }
        let degrees = (self.frames - 1) as f64;
        let mut variances: Vec<f32> = self.squares.into_iter().filter(|v| v.is_finite()).collect();
        let pixels = variances.len();
        let mean = variances.iter().map(|v| f64::from(*v)).sum::<f64>() / pixels as f64 / degrees;
        let middle = pixels / 2;
        let (_, median, _) = variances.select_nth_unstable_by(middle, f32::total_cmp);
        let rounding = step * step / 12.0;
        let shrinkage = (1.0 - 2.0 / (9.0 * degrees)).powi(3);
        let typical = f64::from(*median) / degrees / shrinkage - rounding;
        if typical < (LEAST_STEPS * step).powi(2) || typical <= 0.0 {
            return None;
        }
        let limit = NOISY_TIMES * NOISY_TIMES * (typical + rounding) * degrees;
        let noisy = variances.iter().filter(|v| f64::from(**v) > limit).count() as f64;
        // Relative error of a variance from as many values, and of a median (1.25 times that of a mean).
        let error = (2.0 / (degrees * pixels as f64)).sqrt();
        let rms = (mean - rounding).max(0.0).sqrt();
        let spread = variances.iter().map(|v| (f64::from(*v) / degrees - mean).powi(2)).sum::<f64>() / pixels as f64;
        let of = |value, sigma| Quantity::measured(value, sigma, SensorMethod::PixelScatterOverBiases, self.frames);
        Some([
            of(typical.sqrt(), 0.5 * stats::MEDIAN_TO_MEAN_ERROR * error * (typical + rounding) / typical.sqrt()),
            of(rms, 0.5 * (spread / pixels as f64).sqrt() / rms),
            of(noisy / pixels as f64, noisy.max(1.0).sqrt() / pixels as f64),
        ])
    }
}

/// Adds what one row deviates by from the mean of the `n` frames before it.
#[multiversion::multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl", "x86_64+avx2", "x86_64+sse4.2"))]
fn deviate(squares: &mut [f32], row: &[f32], sum: &[f32], [n, shifts, shift]: [f64; 3]) {
    for ((square, v), sum) in squares.iter_mut().zip(row).zip(sum) {
        let mean = (f64::from(*sum) - shifts) / n;
        let away = f64::from(*v) - shift - mean;
        *square += (away * away * n / (n + 1.0)) as f32;
    }
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;
    use rand::{RngExt, SeedableRng};
    use rand_distr::{Distribution, Normal};
    use rand_xoshiro::Xoshiro256PlusPlus;

    use super::*;

    const SIDE: usize = 200;

    /// Ten frames of noise 3 ADU whose level drifts; a share of the pixels jumps by 20 ADU half of the time.
    fn telegraph(share: f64) -> [Quantity; 3] {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(5);
        let law = Normal::new(0.0, 3.0).unwrap();
        let jumps: Vec<bool> = (0..SIDE * SIDE).map(|_| rng.random_bool(share)).collect();
        let mut scatter = PixelScatter::default();
        let mut sum = vec![0f32; SIDE * SIDE];
        for k in 0..10 {
            let shift = f64::from(k * k);
            let frame = Pixels::F32(Array2::from_shape_fn((SIDE, SIDE), |(y, x)| {
                let jump = if jumps[y * SIDE + x] && rng.random_bool(0.5) { 20.0 } else { 0.0 };
                (1000.0 + shift + jump + law.sample(&mut rng)).round() as f32
            }));
            scatter.add(&frame, shift, &sum);
            sum.iter_mut().enumerate().for_each(|(i, s)| *s += frame.at(i % SIDE, i / SIDE) as f32);
        }
        scatter.derive(1.0).unwrap()
    }

    // Truth by construction; 40 000 pixels of 9 degrees of freedom give a noise to 0.12 % and its median to 0.15 %.
    #[test]
    fn jumping_pixels_raise_the_mean_and_leave_the_median() {
        let [median, rms, noisy] = telegraph(0.0);
        assert!((median.value.unwrap() / 3.0 - 1.0).abs() < 0.006, "{median:?}");
        assert!((rms.value.unwrap() / 3.0 - 1.0).abs() < 0.005, "{rms:?}");
        assert_eq!(noisy.value, Some(0.0));
        let [median, rms, noisy] = telegraph(0.02);
        // One in fifty pixels has lost its place among the quiet ones: the median of the rest moves up by 1 %.
        assert!((median.value.unwrap() / 3.0 - 1.0).abs() < 0.02, "{median:?}");
        // 9 + 0.02 * 100 ADU^2.
        assert!((rms.value.unwrap() / 11f64.sqrt() - 1.0).abs() < 0.02, "{rms:?}");
        // A jump seen in none or nearly all of ten frames (2 %) hides.
        assert!((0.017..0.0215).contains(&noisy.value.unwrap()), "{noisy:?}");
    }

    #[test]
    fn few_frames_and_coarse_codes_give_no_tail() {
        assert!(PixelScatter { frames: 5, squares: vec![4.0; 100], shifts: 0.0 }.derive(1.0).is_none());
        assert!(PixelScatter { frames: 9, squares: vec![4.0; 100], shifts: 0.0 }.derive(4.0).is_none());
    }
}
