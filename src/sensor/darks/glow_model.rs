//! A smooth glow over the whole sensor, and what the dark level is without it.
//!
//! Light from the electronics comes from a place or a side and falls off with the distance. Tried are the distances from the
//! brightest place and from the four sides, three laws of falling off and forty lengths, each with the level and the strength that fit
//! best; the level is their mean by likelihood. The bright part of the glow weighs little, since no law follows it to a tenth: what
//! counts is how it runs out (derived; nothing here is known of the electronics).

use crate::sensor::plane::spread::Spread;
use crate::sensor::plane::tiles::TileGrid;

/// Blocks along a side that the tiles are put together to.
const MOST_BLOCKS: usize = 32;
/// Share to which a law is believed to follow the glow.
const FOLLOWED_TO: f64 = 0.1;
/// Share of the blocks whose level stands for the dark one at first: the darkest.
const DARKEST: f64 = 0.05;
/// Shortest and longest length of falling off, share of the longer side, and how many are tried.
const LENGTHS: [f64; 2] = [0.03, 1.5];
const TRIED: usize = 40;
/// The brightest block must exceed the dark level by this share of it and so many errors of a block to be worth the search.
const WORTH_A_LOOK: f64 = 0.3;
const SEEN_SIGMAS: f64 = 6.0;
/// Share of the glow of the darkest half by which its level may be off, as laws unlike those tried have shown: a law and half of
/// another with a quarter of its length.
const UNLIKE_SHARE: f64 = 0.15;
/// Another law counts where its misfit is at most so much larger than the best one's.
const NEAR_BEST: f64 = 1.3;
const NEAR_BEST_CHI2: f64 = 10.0;

/// The level without the glow, and the glow of each tile.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct GlowModel {
    /// Level of the dark and its error, ADU.
    pub level_adu: f64,
    pub level_sigma: f64,
    /// Glow of each tile, ADU, in the order of the grid's tiles.
    pub tiles: Vec<f64>,
    /// Error of the level of one block.
    pub noise_adu: f64,
}

/// A block of tiles.
struct Block {
    /// Place, share of the longer side.
    x: f64,
    y: f64,
    level: f64,
}

/// One law with level and strength.
#[derive(Clone, Copy)]
struct Fit {
    chi2: f64,
    level: f64,
    strength: f64,
    /// Variance of the level for blocks of unit weight.
    variance: f64,
    from: usize,
    law: usize,
    length: f64,
}

const LAWS: [fn(f64) -> f64; 3] = [|t| (-t).exp(), |t| (-0.5 * t * t).exp(), |t| 1.0 / (1.0 + t * t)];

/// Looks for a glow in the levels of a frame's cells; `None` where the frame is even.
pub(crate) fn glow_model(cells: &[Option<Spread>], grid: &TileGrid) -> Option<GlowModel> {
    let [nx, ny] = grid.tiles();
    let sites = grid.sites();
    let tile_level = |t: usize| {
        let known: Vec<f64> = cells[t * sites..(t + 1) * sites].iter().flatten().map(|s| s.mean).collect();
        (!known.is_empty()).then(|| known.iter().sum::<f64>() / known.len() as f64)
    };
    let side = nx.max(ny) as f64;
    let step = nx.max(ny).div_ceil(MOST_BLOCKS);
    let mut blocks = Vec::new();
    for by in (0..ny).step_by(step) {
        for bx in (0..nx).step_by(step) {
            let (xs, ys) = (bx..(bx + step).min(nx), by..(by + step).min(ny));
            let centre = |r: &std::ops::Range<usize>| 0.5 * (r.start + r.end) as f64 / side;
            let (x, y) = (centre(&xs), centre(&ys));
            let levels: Vec<f64> =
                ys.flat_map(|ty| xs.clone().map(move |tx| ty * nx + tx)).filter_map(tile_level).collect();
            if !levels.is_empty() {
                blocks.push(Block { x, y, level: levels.iter().sum::<f64>() / levels.len() as f64 });
            }
        }
    }
    let errors: Vec<f64> = cells.iter().flatten().map(Spread::mean_sigma).collect();
    let noise = crate::stats::median(&errors)? / ((step * step * sites) as f64).sqrt();
    let levels: Vec<f64> = blocks.iter().map(|b| b.level).collect();
    let start = crate::stats::quantile(&levels, DARKEST)?;
    let brightest = blocks.iter().max_by(|a, b| a.level.total_cmp(&b.level))?;
    let worth = (WORTH_A_LOOK * start).max(SEEN_SIGMAS * noise);
    if brightest.level - start < worth || blocks.len() < 2 * LAWS.len() {
        return None;
    }
    let search =
        Search { blocks: &blocks, noise, peak: (brightest.x, brightest.y), ends: [nx, ny].map(|n| n as f64 / side) };
    let (level, _, _) = search.level(start)?;
    let (level_adu, spread, best) = search.level(level)?;
    let glow = |x: f64, y: f64| best.strength * LAWS[best.law](search.distance(best.from, x, y) / best.length);
    let tiles: Vec<f64> =
        (0..nx * ny).map(|t| glow(((t % nx) as f64 + 0.5) / side, ((t / nx) as f64 + 0.5) / side)).collect();
    let mut darkest = tiles.clone();
    darkest.sort_by(f64::total_cmp);
    darkest.truncate(tiles.len().div_ceil(2));
    let unlike = UNLIKE_SHARE * darkest.iter().sum::<f64>() / darkest.len() as f64;
    Some(GlowModel { level_adu, level_sigma: spread.hypot(unlike), tiles, noise_adu: noise })
}

/// What the laws are held against.
struct Search<'a> {
    blocks: &'a [Block],
    noise: f64,
    peak: (f64, f64),
    /// Width and height, share of the longer side.
    ends: [f64; 2],
}

impl Search<'_> {
    /// Distance from the peak or from one of the sides.
    fn distance(&self, from: usize, x: f64, y: f64) -> f64 {
        match from {
            0 => (x - self.peak.0).hypot(y - self.peak.1),
            1 => x,
            2 => self.ends[0] - x,
            3 => y,
            _ => self.ends[1] - y,
        }
    }

    /// Level, its error and the law that fits best, where glow counts from `level` on.
    fn level(&self, level: f64) -> Option<(f64, f64, Fit)> {
        let weights: Vec<f64> = self
            .blocks
            .iter()
            .map(|b| (self.noise.powi(2) + (FOLLOWED_TO * (b.level - level).max(0.0)).powi(2)).recip())
            .collect();
        let mut fits = Vec::new();
        for from in 0..5 {
            let distances: Vec<f64> = self.blocks.iter().map(|b| self.distance(from, b.x, b.y)).collect();
            for (law, falls) in LAWS.iter().enumerate() {
                for k in 0..TRIED {
                    let share = k as f64 / (TRIED - 1) as f64;
                    let length = LENGTHS[0] * (LENGTHS[1] / LENGTHS[0]).powf(share);
                    let shape: Vec<f64> = distances.iter().map(|d| falls(d / length)).collect();
                    fits.extend(self.fit(&weights, &shape).map(|f| Fit { from, law, length, ..f }));
                }
            }
        }
        let best = *fits.iter().min_by(|a, b| a.chi2.total_cmp(&b.chi2))?;
        let scale = (best.chi2 / (self.blocks.len() as f64 - 5.0).max(1.0)).max(1.0);
        let likelihood = |f: &Fit| (-(f.chi2 - best.chi2) / (2.0 * scale)).exp();
        let total: f64 = fits.iter().map(likelihood).sum();
        let mean = fits.iter().map(|f| likelihood(f) * f.level).sum::<f64>() / total;
        let scatter = fits.iter().map(|f| likelihood(f) * (f.level - mean).powi(2)).sum::<f64>() / total;
        // The best of each law: laws that fit nearly as well are as good a guess.
        let near = NEAR_BEST * best.chi2 + NEAR_BEST_CHI2 * scale;
        let of_law = |law: usize| {
            fits.iter().filter(|f| f.law == law).min_by(|a, b| a.chi2.total_cmp(&b.chi2)).filter(|f| f.chi2 < near)
        };
        let levels: Vec<f64> = (0..LAWS.len()).filter_map(of_law).map(|f| f.level).collect();
        let (low, high) = levels.iter().fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(*v), h.max(*v)));
        let between = 0.5 * (high - low).max(0.0);
        Some((mean, (scatter + scale * best.variance + between * between).sqrt(), best))
    }

    /// Level and strength of a shape by least squares; `None` where it would take light away.
    fn fit(&self, weights: &[f64], shape: &[f64]) -> Option<Fit> {
        let sum = |f: &dyn Fn(usize) -> f64| (0..weights.len()).map(|i| weights[i] * f(i)).sum::<f64>();
        let level = |i: usize| self.blocks[i].level;
        let all = sum(&|_| 1.0);
        let (mean_shape, mean_level) = (sum(&|i| shape[i]) / all, sum(&|i| level(i)) / all);
        let spread = sum(&|i| (shape[i] - mean_shape).powi(2));
        let strength = sum(&|i| (shape[i] - mean_shape) * (level(i) - mean_level)) / spread;
        if !strength.is_finite() || strength <= 0.0 {
            return None;
        }
        let base = mean_level - strength * mean_shape;
        let chi2 = sum(&|i| (level(i) - base - strength * shape[i]).powi(2));
        let variance = mean_shape * mean_shape / spread + 1.0 / all;
        Some(Fit { chi2, level: base, strength, variance, from: 0, law: 0, length: 0.0 })
    }
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};
    use rand_distr::StandardNormal;
    use rand_xoshiro::Xoshiro256PlusPlus;

    use super::*;

    const NOISE: f64 = 0.3;

    /// Levels of the tiles of a frame with a glow of this shape.
    fn cells(grid: &TileGrid, seed: u64, level: f64, glow: impl Fn(f64, f64) -> f64) -> Vec<Option<Spread>> {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
        let side = grid.width.max(grid.height) as f64;
        let of = |cell: &crate::sensor::plane::tiles::Cell| {
            let (x, y) = cell.centre();
            let mean = level + glow(x / side, y / side) + NOISE * rng.sample::<f64, _>(StandardNormal);
            Some(Spread { mean, variance: NOISE * NOISE * 256.0, n: 256 })
        };
        grid.cells.iter().map(of).collect()
    }

    /// Errors of the levels of many frames: those within one and within two stated ones, and the median of their sizes in per cent.
    #[test]
    fn the_level_is_found_behind_glows_of_many_shapes_within_its_error() {
        let grid = TileGrid::new(1280, 960, false);
        let (mut z, mut seed) = (Vec::new(), 0);
        for level in [2.0, 10.0] {
            for strength in [5.0, 50.0] {
                for length in [0.06, 0.15, 0.25] {
                    let shapes: [&dyn Fn(f64, f64) -> f64; 5] = [
                        &|x: f64, y: f64| (-x.hypot(y) / length).exp(),
                        &|x: f64, y: f64| (-0.5 * ((1.0 - x).hypot(y) / length).powi(2)).exp(),
                        &|x: f64, y: f64| 1.0 / (1.0 + (x.hypot(y - 0.4) / length).powi(2)),
                        &|x: f64, _: f64| (-(1.0 - x) / length).exp(),
                        // None of the laws tried.
                        &|x: f64, y: f64| (-(x.hypot(y) / length).powf(1.5)).exp(),
                    ];
                    for shape in shapes {
                        seed += 1;
                        let model = glow_model(&cells(&grid, seed, level, |x, y| strength * shape(x, y)), &grid);
                        match model {
                            Some(model) => z.push((model.level_adu - level) / model.level_sigma),
                            None => assert!(strength < level, "{level} {strength} {length}"),
                        }
                    }
                }
            }
        }
        let within = |k: f64| z.iter().filter(|z| z.abs() < k).count() as f64 / z.len() as f64;
        // Sixty draws: 68 % to 6 %, and the laws tried are four of five here.
        assert!(within(1.0) > 0.56 && within(2.0) > 0.85 && within(3.5) > 0.96, "{z:?}");
    }

    #[test]
    fn an_even_frame_and_a_gentle_gradient_have_none() {
        let grid = TileGrid::new(1280, 960, false);
        assert_eq!(glow_model(&cells(&grid, 90, 20.0, |_, _| 0.0), &grid), None);
        assert_eq!(glow_model(&cells(&grid, 91, 20.0, |x, y| 3.0 * x + 2.0 * y), &grid), None);
    }
}
