//! Charge that each pixel gathers above the level of its frame, summed over darks of one class of exposures.
//!
//! One plane of single-precision numbers whatever the number of frames. A cosmic ray is known by comparison with what
//! the pixel showed before: its value is replaced by the expected one, so that the sum over the time stays the mean.

/// A value is struck by a cosmic ray this many standard deviations of the frame's noise above the expected one. The
/// expected one of a single earlier frame has that noise too, hence 4.2 of the difference: 1 pixel in 75 000 by chance.
const STRUCK_SIGMAS: f32 = 6.0;
/// And by more than this share of the expected charge: hot pixels scatter more than others, and some of them blink.
const STRUCK_SHARE: f32 = 0.5;

/// Sum over frames of the charge of each pixel, and the time that it stands for.
#[derive(Debug, Clone, Default)]
pub(crate) struct Charge {
    /// Charge above the frames' levels, ADU, row by row.
    pub sum: Vec<f32>,
    /// Sum of the exposures, s.
    pub seconds: f64,
    /// Number of frames.
    pub frames: usize,
}

/// How the next frame is added.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Add {
    /// Exposure over the time gathered so far.
    ratio: f32,
    /// Frames so far.
    before: usize,
    /// Difference that noise does not make, ADU.
    noise_limit: f32,
}

impl Charge {
    /// Makes room for the next frame of so many pixels; `noise_adu` is the spread of its pixels.
    pub fn begin(&mut self, pixels: usize, seconds: f64, noise_adu: f64) -> Add {
        if self.sum.is_empty() {
            self.sum = vec![0.0; pixels];
        }
        let ratio = if self.frames > 0 { (seconds / self.seconds) as f32 } else { 0.0 };
        let add = Add { ratio, before: self.frames, noise_limit: STRUCK_SIGMAS * noise_adu as f32 };
        self.seconds += seconds;
        self.frames += 1;
        add
    }

    /// Mean exposure of the frames, s.
    pub fn exposure_s(&self) -> f64 {
        self.seconds / self.frames as f64
    }
}

impl Add {
    /// Adds values above the level of their frame to the sums of their pixels.
    pub fn row(self, sum: &mut [f32], values: &[f32]) {
        match self.before {
            0 => sum.copy_from_slice(values),
            1 => second(sum, values, self.ratio, self.noise_limit),
            _ => further(sum, values, self.ratio, self.noise_limit),
        }
    }
}

/// With one value before, either may be the struck one. An undefined value gives way to the other.
#[multiversion::multiversion(targets("x86_64+avx2", "x86_64+sse4.2"))]
fn second(sum: &mut [f32], values: &[f32], ratio: f32, noise_limit: f32) {
    let up = 1.0 + ratio.recip();
    for (sum, value) in sum.iter_mut().zip(values) {
        let expected = *sum * ratio;
        let low = if *value < expected { *value } else { expected };
        let limit = noise_limit + STRUCK_SHARE * low.abs();
        let first_is_bad = (expected - *value > limit) | !expected.is_finite();
        let second_is_bad = (*value - expected > limit) | !value.is_finite();
        let kept = if second_is_bad { *sum + expected } else { *sum + *value };
        *sum = if first_is_bad { *value * up } else { kept };
    }
}

#[multiversion::multiversion(targets("x86_64+avx2", "x86_64+sse4.2"))]
fn further(sum: &mut [f32], values: &[f32], ratio: f32, noise_limit: f32) {
    let up = 1.0 + ratio.recip();
    for (sum, value) in sum.iter_mut().zip(values) {
        let expected = *sum * ratio;
        let limit = noise_limit + STRUCK_SHARE * expected.abs();
        let is_bad = (*value - expected > limit) | !value.is_finite();
        let kept = if is_bad { *sum + expected } else { *sum + *value };
        *sum = if !expected.is_finite() { *value * up } else { kept };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rate_of(frames: &[(f64, f32)]) -> f64 {
        let mut charge = Charge::default();
        for (seconds, value) in frames {
            let add = charge.begin(1, *seconds, 3.0);
            add.row(&mut charge.sum, &[*value]);
        }
        f64::from(charge.sum[0]) / charge.seconds
    }

    #[test]
    fn a_cosmic_ray_in_any_frame_leaves_the_rate() {
        let clean = [(100.0, 12.0f32), (100.0, 8.0), (200.0, 20.0), (100.0, 9.0)];
        assert!((rate_of(&clean) - 49.0 / 500.0).abs() < 1e-6);
        for struck in 0..4 {
            let mut frames = clean;
            frames[struck].1 += 3000.0;
            let got = rate_of(&frames);
            // The mean of the other three, which differ among themselves by 20 %.
            assert!((got / 0.1 - 1.0).abs() < 0.2, "{struck}: {got}");
        }
    }

    #[test]
    fn a_hot_pixel_and_its_larger_noise_are_kept_whole() {
        let frames = [(100.0, 5000.0f32), (100.0, 5400.0), (100.0, 4700.0)];
        assert!((rate_of(&frames) - 15_100.0 / 300.0).abs() < 1e-3);
    }

    #[test]
    fn an_undefined_value_gives_way_to_the_others() {
        for missing in 0..3 {
            let mut frames = [(100.0, 10.0f32), (100.0, 10.0), (100.0, 10.0)];
            frames[missing].1 = f32::NAN;
            assert!((rate_of(&frames) - 0.1).abs() < 1e-6, "{missing}");
        }
    }
}
