//! The mean bias frame that is taken off darks pixel by pixel.

use std::path::{Path, PathBuf};

use super::pairs::BiasSet;
use crate::sensor::plane::load::walk;

/// Mean of the bias frames of one temperature.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Pattern {
    /// Mean frame, row by row, ADU.
    pub mean: Vec<f32>,
    /// Frames that it is the mean of.
    pub frames: usize,
    /// Its mean level, ADU.
    pub level_adu: f64,
    /// Variance of one of its frames, ADU^2, where pairs tell it.
    pub variance_adu2: Option<f64>,
    /// Whether it belongs to the temperature of the darks: its level counts then, and not its shape alone.
    pub own: bool,
}

impl Pattern {
    /// Takes over the sum of a set of biases, which is empty afterwards. `None` where there is none.
    pub fn take(set: &mut BiasSet) -> Option<Self> {
        let mut mean = std::mem::take(&mut set.sum);
        let (frames, level_adu) = (set.levels.len(), set.level()?);
        if mean.is_empty() {
            return None;
        }
        mean.iter_mut().for_each(|m| *m /= frames as f32);
        let pairs = set.pairs.iter().map(|p| p.variance).collect::<Vec<_>>();
        let variance_adu2 = crate::stats::mean_and_std(&pairs).map(|m| m.0);
        Some(Self { mean, frames, level_adu, variance_adu2, own: true })
    }

    /// Reads the biases of another temperature again, for the shape of their mean alone.
    pub fn read(paths: &[PathBuf], size: (usize, usize), progress: &(dyn Fn(&Path) + Sync)) -> Option<Self> {
        let mut mean: Vec<f32> = Vec::new();
        let (mut frames, mut row) = (0, vec![0f32; size.0]);
        walk(paths, size, progress, |_, frame| {
            // What cannot be read has been refused when the biases were measured.
            let Ok(frame) = frame else { return };
            mean.resize(size.0 * size.1, 0.0);
            for (y, sum) in mean.chunks_exact_mut(size.0).enumerate() {
                frame.copy_row(y, &mut row);
                sum.iter_mut().zip(&row).for_each(|(s, v)| *s += v);
            }
            frames += 1;
        });
        if frames == 0 {
            return None;
        }
        mean.iter_mut().for_each(|m| *m /= frames as f32);
        let known = mean.iter().filter(|m| m.is_finite());
        let (sum, n) = known.fold((0.0, 0usize), |(s, n), m| (s + f64::from(*m), n + 1));
        Some(Self { mean, frames, level_adu: sum / n as f64, variance_adu2: None, own: false })
    }
}
