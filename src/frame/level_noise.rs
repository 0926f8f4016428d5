//! Noise of the sky by its level: in the difference of two frames of one scene, where what stays from frame to frame cancels, or in one
//! frame alone.

use serde::{Deserialize, Serialize};

use super::Lattice;
use crate::fits::Pixels;
use crate::stats::{clipped, mean_and_std, median, median_with_error};

/// Side of a block, px: the sky is even in it, and a thousand pixels tell a variance to 5 %.
const BLOCK_PX: usize = 32;
/// Blocks of a difference looked at: together they tell the noise to a third of a per cent.
const MOST_BLOCKS: usize = 400;
/// Blocks and levels of a frame alone: they tell its noise to two per cent, which the patterns in it are not known to.
const MOST_BLOCKS_ALONE: usize = 72;
const MOST_LEVELS_ALONE: usize = 3;
/// Fewest pixels of a block that count.
const LEAST_PIXELS: usize = 128;
/// Deviations at which stars are cut, and the noise with them, which the truncation's correction gives back.
const CLIP_SIGMA: f64 = 3.0;
/// Levels that are told apart, and fewest blocks of each: their median is safe from the few in which stars moved.
const MOST_LEVELS: usize = 8;
const LEAST_BLOCKS: usize = 16;
/// Share of a level's blocks that are used, those in which stars show least.
const QUIET_SHARE: f64 = 0.5;

/// Noise of one pixel of one frame where the sky has about one level.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NoiseAtLevel {
    /// Level, of two frames their mean, ADU.
    pub level_adu: f64,
    /// As pixels show it: stars are in it where they crowd.
    pub whole: Variance,
    /// As it differs from a pixel to its neighbours along both axes: stars are hardly in it, nor what neighbours share.
    pub fine: Variance,
}

/// A variance and its one-sigma error by the scatter from block to block, ADU^2.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Variance {
    pub adu2: f64,
    pub sigma_adu2: f64,
}

/// Noise of the difference of two frames of one size at up to eight levels, the darkest first; empty where too few pixels
/// count. It is half the variance of the difference.
pub fn noise_of_difference(a: &Pixels, b: &Pixels, lattice: Lattice) -> Vec<NoiseAtLevel> {
    if b.dim() != a.dim() {
        return Vec::new();
    }
    // The noise of the mean of both is independent of that of their difference, so that to choose by it favours none.
    let unrest = |levels: &[f64], _: f64| mean_and_std(levels).map(|(_, std)| std);
    let view = View { dim: a.dim(), lattice, noise_in: |x, y| a.at(x, y) - b.at(x, y), frames: 2.0, unrest };
    view.by_level(|x, y| 0.5 * (a.at(x, y) + b.at(x, y)), MOST_BLOCKS, MOST_LEVELS)
}

/// Noise of a frame by itself at up to three levels, the darkest first: patterns that all frames of a camera have are in it.
pub fn noise_of_frame(frame: &Pixels, lattice: Lattice) -> Vec<NoiseAtLevel> {
    // Stars draw the mean of all pixels off that of most; how far noise alone does has nothing to do with its own strength.
    let unrest = |levels: &[f64], mean: f64| mean_and_std(levels).map(|(of_all, _)| (of_all - mean).abs());
    let at = |x, y| frame.at(x, y);
    let view = View { dim: frame.dim(), lattice, noise_in: at, frames: 1.0, unrest };
    view.by_level(at, MOST_BLOCKS_ALONE, MOST_LEVELS_ALONE)
}

/// Blocks of pixels in which noise is looked at.
struct View<N, U> {
    /// Rows and columns.
    dim: (usize, usize),
    lattice: Lattice,
    /// What holds the noise of a pixel.
    noise_in: N,
    /// Frames whose noise is in that.
    frames: f64,
    /// How much of stars shows in a block, by the levels of its pixels and the mean of most.
    unrest: U,
}

/// A block of the sky.
#[derive(Debug, Clone, Copy)]
struct Block {
    level_adu: f64,
    whole_adu2: f64,
    fine_adu2: f64,
    /// How much of stars shows, ADU.
    unrest_adu: f64,
}

/// The second difference along both axes has 36 times the variance of independent pixels (Immerkaer 1996, CVIU 64, 300; from memory).
const OF_SECOND_DIFFERENCES: f64 = 36.0;

impl<N: Fn(usize, usize) -> f64, U: Fn(&[f64], f64) -> Option<f64>> View<N, U> {
    fn by_level(&self, level: impl Fn(usize, usize) -> f64, most: usize, levels: usize) -> Vec<NoiseAtLevel> {
        let (rows, columns) = self.dim;
        let margin = self.lattice.pitch();
        let blocks_in = |length: usize| length.saturating_sub(2 * margin) / BLOCK_PX;
        let (across, down) = (blocks_in(columns), blocks_in(rows));
        if across * down == 0 {
            return Vec::new();
        }
        let every = (across * down).div_ceil(most).max(1);
        let place = |k: usize| (k % across * BLOCK_PX + margin, k / across * BLOCK_PX + margin);
        let mut blocks: Vec<Block> =
            (0..across * down).step_by(every).filter_map(|k| self.block(&level, place(k))).collect();
        blocks.sort_by(|p, q| p.level_adu.total_cmp(&q.level_adu));
        let levels = (blocks.len() / LEAST_BLOCKS).min(levels);
        let n = blocks.len();
        let bound = |i: usize| i * n / levels;
        (0..levels).filter_map(|i| at_level(&mut blocks[bound(i)..bound(i + 1)])).collect()
    }

    fn block(&self, level: &impl Fn(usize, usize) -> f64, (left, top): (usize, usize)) -> Option<Block> {
        let (mut levels, mut noise, mut bends) = (Vec::new(), Vec::new(), Vec::new());
        let (d, of) = (self.lattice.pitch(), &self.noise_in);
        let bend_along = |x: usize, y: usize| of(x - d, y) - 2.0 * of(x, y) + of(x + d, y);
        for y in top..top + BLOCK_PX {
            for x in (left..left + BLOCK_PX).filter(|x| self.lattice.holds(*x, y)) {
                let value = of(x, y);
                if value.is_finite() {
                    levels.push(level(x, y));
                    noise.push(value);
                    // Undefined neighbours leave it undefined, and such are left out when it is cut.
                    bends.push(bend_along(x, y - d) - 2.0 * bend_along(x, y) + bend_along(x, y + d));
                }
            }
        }
        if levels.len() < LEAST_PIXELS {
            return None;
        }
        let variance = |values: &[f64]| Some(clipped(values, CLIP_SIGMA)?.sigma.powi(2) / self.frames);
        let level_adu = clipped(&levels, CLIP_SIGMA)?.mean;
        Some(Block {
            level_adu,
            whole_adu2: variance(&noise)?,
            fine_adu2: variance(&bends)? / OF_SECOND_DIFFERENCES,
            unrest_adu: (self.unrest)(&levels, level_adu)?,
        })
    }
}

fn at_level(blocks: &mut [Block]) -> Option<NoiseAtLevel> {
    blocks.sort_by(|p, q| p.unrest_adu.total_cmp(&q.unrest_adu));
    let blocks = &blocks[..(QUIET_SHARE * blocks.len() as f64).ceil() as usize];
    let level_adu = median(&blocks.iter().map(|b| b.level_adu).collect::<Vec<_>>())?;
    let variance = |of: fn(&Block) -> f64| {
        let (adu2, sigma_adu2) = median_with_error(&blocks.iter().map(of).collect::<Vec<_>>())?;
        Some(Variance { adu2, sigma_adu2 })
    };
    Some(NoiseAtLevel { level_adu, whole: variance(|b| b.whole_adu2)?, fine: variance(|b| b.fine_adu2)? })
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;
    use rand::{RngExt, SeedableRng};
    use rand_distr::StandardNormal;
    use rand_xoshiro::Xoshiro256PlusPlus;

    /// A frame whose level rises from 500 to 900 ADU with variance 0.5 ADU^2 an ADU above 400, on a fixed pattern of 20 ADU,
    /// with stars at `shift`.
    fn frame(seed: u64, shift: usize) -> Pixels {
        let (mut pattern, mut noise) = (Xoshiro256PlusPlus::seed_from_u64(1), Xoshiro256PlusPlus::seed_from_u64(seed));
        Pixels::U16(Array2::from_shape_fn((640, 640), |(y, x)| {
            let above = 100.0 + 400.0 * x as f64 / 640.0;
            let fixed = 20.0 * pattern.sample::<f64, _>(StandardNormal);
            let star = if (x + shift) % 40 < 3 && (y + shift) % 40 < 3 { 3000.0 } else { 0.0 };
            let random = (0.5 * above).sqrt() * noise.sample::<f64, _>(StandardNormal);
            (400.0 + above + fixed + star + random).round() as u16
        }))
    }

    #[test]
    fn what_stays_cancels_and_the_noise_follows_the_level() {
        for lattice in [Lattice::All, Lattice::Green(crate::folder::CfaPattern(*b"RGGB"))] {
            let found = noise_of_difference(&frame(2, 0), &frame(3, 7), lattice);
            assert_eq!(found.len(), 8);
            for at in &found {
                // The rounding to whole numbers adds 1/12; of 16 levels and two ways the farthest lies within four of its errors, and
                // what the cut leaves of stars is 1 %.
                let want = 0.5 * (at.level_adu - 400.0) + 1.0 / 12.0;
                for found in [at.whole, at.fine] {
                    assert!((found.adu2 - want).abs() < 4.0 * found.sigma_adu2 + 0.01 * want, "{at:?} {want}");
                    // Second differences of neighbours are correlated: five hundred tell a variance to 12 %, 25 such blocks to
                    // 3 %, and their scatter is known to a quarter, of which four count.
                    assert!(found.sigma_adu2 < 0.06 * want, "{at:?}");
                }
            }
        }
    }

    #[test]
    fn frames_of_other_sizes_and_without_pixels_say_nothing() {
        let small = Pixels::U16(Array2::from_elem((20, 20), 7));
        assert!(noise_of_difference(&small, &small, Lattice::All).is_empty());
        assert!(noise_of_difference(&small, &frame(1, 0), Lattice::All).is_empty());
        let undefined = Pixels::F32(Array2::from_elem((640, 640), f32::NAN));
        assert!(noise_of_difference(&undefined, &undefined, Lattice::All).is_empty());
        assert!(noise_of_frame(&small, Lattice::All).is_empty());
        assert!(noise_of_frame(&undefined, Lattice::All).is_empty());
    }

    #[test]
    fn one_frame_shows_its_noise_and_its_pattern() {
        for lattice in [Lattice::All, Lattice::Green(crate::folder::CfaPattern(*b"RGGB"))] {
            let found = noise_of_frame(&frame(4, 3), lattice);
            assert_eq!(found.len(), 3);
            for at in &found {
                // The pattern's 20 ADU, and what the cut leaves of stars: 1 %; levels change by 20 ADU over a block, 400 / 12 ADU^2.
                let want = 0.5 * (at.level_adu - 400.0) + 1.0 / 12.0 + 400.0;
                for (found, slope) in [(at.whole, 400.0 / 12.0), (at.fine, 0.0)] {
                    let off = found.adu2 - want - slope;
                    // Ten blocks: their scatter is known to a quarter.
                    assert!(off.abs() < 5.0 * found.sigma_adu2 + 0.01 * want, "{at:?} {want}");
                    assert!(found.sigma_adu2 < 0.1 * want, "{at:?}");
                }
            }
        }
    }
}
