//! Small cameras with their bias frames and flats, drawn over the range of what is sold, for Monte Carlo of the sensor stage.

use std::path::{Path, PathBuf};

use rand::RngExt;

use super::{Detector, FrameRecipe, SimulateError, mix, render, stream, write_frame};

/// Streams of a camera's seed.
const DRAW: u64 = 1;
const PIXELS: u64 = 2;
const FRAMES: u64 = 3;
/// Gain, e-/ADU.
const GAIN: [f64; 2] = [0.1, 3.0];
/// Read noise, ADU, and at least this share of a step between codes: below, a limit is the right answer.
const READ_NOISE_ADU: [f64; 2] = [0.5, 20.0];
const LEAST_STEPS: f64 = 0.35;
/// Share of a step that a noise below the limit has.
const HIDDEN_STEPS: [f64; 2] = [0.03, 0.2];
/// Level of a bias frame in read noises: from hard at the floor to far above it.
const PEDESTAL_SIGMAS: [f64; 2] = [1.0, 30.0];
/// Steps between codes of 16, 14 and 12 bits in 16.
const STEPS: [u16; 3] = [1, 4, 16];
/// Levels of a ladder of flats, shares of the range of codes; of one level only, the middle one.
const LADDER: [f64; 3] = [0.1, 0.3, 0.6];
/// Every so many-th camera has flats of one level.
const ONE_LEVEL_EVERY: u64 = 4;
const PRNU: f64 = 0.01;
const CORNER_ILLUMINATION: f64 = 0.8;

/// What is true of a camera.
#[derive(Debug, Clone, PartialEq)]
pub struct SmallCamera {
    pub gain_e_per_adu: f64,
    pub read_noise_adu: f64,
    pub pedestal_adu: f64,
    /// Step between codes, ADU.
    pub step: u16,
    /// Scatter of the pixels' response, relative.
    pub prnu: f64,
    /// Levels of its flats, shares of the range of codes.
    pub levels: Vec<f64>,
    /// Side of its frames, px.
    pub side: usize,
    /// Seed of its pixels and its frames.
    pub seed: u64,
}

/// The files of a camera.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct CalibrationFiles {
    pub biases: Vec<PathBuf>,
    pub flats: Vec<PathBuf>,
}

fn even_in_logarithm(range: [f64; 2], share: f64) -> f64 {
    range[0] * (range[1] / range[0]).powf(share)
}

impl SmallCamera {
    /// Camera `number` of a seed; steps take turns, the rest is even in its logarithm.
    pub fn draw(seed: u64, number: u64, side: usize) -> Self {
        let mut rng = stream(mix(seed, number), DRAW);
        let step = STEPS[(number % STEPS.len() as u64) as usize];
        let least = READ_NOISE_ADU[0].max(LEAST_STEPS * f64::from(step));
        let read_noise_adu = even_in_logarithm([least, READ_NOISE_ADU[1]], rng.random());
        let one_level = (number / STEPS.len() as u64).is_multiple_of(ONE_LEVEL_EVERY);
        Self {
            gain_e_per_adu: even_in_logarithm(GAIN, rng.random()),
            read_noise_adu,
            pedestal_adu: read_noise_adu * even_in_logarithm(PEDESTAL_SIGMAS, rng.random()),
            step,
            prnu: PRNU,
            levels: if one_level { vec![LADDER[1]] } else { LADDER.to_vec() },
            side,
            seed: mix(seed, number),
        }
    }

    /// The same camera with a noise that its codes do not tell, at a level between two codes.
    #[must_use]
    pub fn hidden(mut self) -> Self {
        let mut rng = stream(self.seed, DRAW);
        let step = f64::from(self.step);
        self.read_noise_adu = step * even_in_logarithm(HIDDEN_STEPS, rng.random());
        self.pedestal_adu = step * (100.0 + rng.random::<f64>());
        self
    }

    fn detector(&self) -> Detector {
        Detector {
            seed: mix(self.seed, PIXELS),
            gain_e_per_adu: self.gain_e_per_adu,
            read_noise_e: self.read_noise_adu * self.gain_e_per_adu,
            offset_adu: self.pedestal_adu,
            full_well_e: f64::MAX,
            code_step: self.step,
            light_scatter: self.prnu,
            ..Detector::even(self.side, self.side)
        }
    }

    /// Writes four bias frames and two flats a level into `dir`.
    ///
    /// # Errors
    ///
    /// The folder cannot be written.
    pub fn write(&self, dir: &Path) -> Result<CalibrationFiles, SimulateError> {
        let mut files = CalibrationFiles::default();
        let frame = |name: String, number: u64, level: f64| {
            let recipe = FrameRecipe {
                exposure_s: 1.0,
                sky_e_per_px_s: level * f64::from(u16::MAX) * self.gain_e_per_adu,
                corner_illumination: CORNER_ILLUMINATION,
                ..FrameRecipe::unlit(self.detector(), mix(mix(self.seed, FRAMES), number))
            };
            let path = dir.join(name);
            write_frame(&path, &render(&recipe).0, &[]).map(|()| path)
        };
        for i in 0..4 {
            files.biases.push(frame(format!("bias{i}.fits"), i, 0.0)?);
        }
        for (k, level) in self.levels.iter().enumerate() {
            for i in 0..2 {
                files.flats.push(frame(format!("flat{k}{i}.fits"), 10 + 2 * k as u64 + i, *level)?);
            }
        }
        Ok(files)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cameras_fill_their_range_and_repeat() {
        let cameras: Vec<SmallCamera> = (0..300).map(|n| SmallCamera::draw(1, n, 64)).collect();
        assert_eq!(cameras[7], SmallCamera::draw(1, 7, 64));
        let extent = |f: fn(&SmallCamera) -> f64| {
            let values = cameras.iter().map(f);
            values.fold((f64::MAX, 0.0f64), |(l, h), v| (l.min(v), h.max(v)))
        };
        let (low, high) = extent(|c| c.gain_e_per_adu);
        assert!(low < 0.11 && high > 2.7 && low >= 0.1 && high <= 3.0);
        let (low, high) = extent(|c| c.pedestal_adu / c.read_noise_adu);
        assert!((1.0..1.1).contains(&low) && high <= 30.0);
        assert!(cameras.iter().all(|c| c.read_noise_adu >= 0.35 * f64::from(c.step)));
        assert!(cameras.iter().all(|c| c.clone().hidden().read_noise_adu <= 0.2 * f64::from(c.step)));
    }
}
