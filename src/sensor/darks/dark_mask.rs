//! What is left out of the dark rates: hot pixels, and cells that glow. Found in the longest dark of a temperature.

use rayon::prelude::*;

use crate::fits::Pixels;
use crate::stats;

use super::glow_model::{GlowModel, glow_model};
use crate::sensor::bias::mean_bias::Pattern;
use crate::sensor::plane::spread::{Spread, spread};
use crate::sensor::plane::tiles::{Cell, TileGrid, TileRow};

/// A pixel is hot above this many times the typical rate. On real cooled frames 1.3 % of the pixels carry a quarter of
/// all dark charge; with the limit anywhere from 3 to 5 times the mean of the rest moves by 1 % only.
pub(crate) const HOT_TIMES_TYPICAL: f64 = 5.0;
/// And above this many standard deviations of its own noise, so that 1 in 3 million is called hot by chance.
pub(crate) const HOT_NOISE_SIGMAS: f64 = 5.0;
/// A frame glows where its brightest tile stands this many errors above the level without glow ...
const GLOW_SIGMAS: f64 = 6.0;
/// ... and exceeds it by this share, so that a gentle gradient stays in the mean.
const GLOW_EXCESS: f64 = 0.5;
/// Glow below this share of the level and this many errors is next to nothing; what is left of it is taken off.
const LEFT_EXCESS: f64 = 0.1;
const LEFT_SIGMAS: f64 = 2.0;
/// Share of the frame that counts as dark whatever glows, the darkest.
const LEAST_LEFT: f64 = 0.25;
/// Every so many-th row of a cell tells its level and noise: 256 pixels give the level to 6 % of the noise.
const ROWS_LOOKED_AT: usize = 4;
/// A cell of fewer pixels is looked at whole.
const LEAST_TO_THIN: usize = 512;

/// Pixels to leave out.
pub(crate) struct Mask {
    /// 1 for a pixel that is not hot.
    pub good: Vec<u8>,
    /// Cells that glow; all sites of a tile together.
    pub glows: Vec<bool>,
    /// Number of hot pixels and of pixels looked at.
    pub hot: (usize, usize),
    /// Level above that of its cell at which a pixel is called hot, ADU.
    pub excess_adu: f64,
    /// Typical noise of a pixel, fixed pattern included, ADU.
    pub noise_adu: f64,
    /// Typical charge above the bias, ADU; 0 where no bias tells it.
    pub typical_adu: f64,
    /// Exposure of the dark that it was made from, s.
    pub longest_s: f64,
    /// The brightest cell that glows, and its level above the median cell, ADU.
    pub peak: Option<(usize, f64)>,
    /// Glow beyond the cells that are left out; `None` where nothing glows.
    pub beyond: Option<Beyond>,
}

impl Mask {
    /// Looks for hot pixels and glow; `step` is the step between codes, 0 for continuous values.
    pub fn new(frame: &Pixels, pattern: Option<&Pattern>, grid: &TileGrid, step: f64, exposure_s: f64) -> Self {
        let at =
            |(x, y): (usize, usize)| frame.at(x, y) - pattern.map_or(0.0, |p| f64::from(p.mean[y * grid.width + x]));
        let cells = grid.map(|cell| spread(&mut looked_at(cell).map(at).collect(), step));
        let means: Vec<f64> = cells.iter().flatten().map(|s| s.mean).collect();
        let centre = stats::median(&means).unwrap_or(0.0);
        // Without a bias a gradient of it cannot be told from glow.
        let model = pattern.and_then(|_| glow_model(&cells, grid));
        let model = model.filter(|m| is_a_glow(m, &cells, grid.sites()));
        let centre = model.as_ref().map_or(centre, |m| m.level_adu);
        // Nor is the level more than pedestal and dark charge in one then, and tells no typical rate.
        let typical_adu = if pattern.is_some() { centre.max(0.0) } else { 0.0 };
        let glows = model.as_ref().map_or_else(|| vec![false; cells.len()], |m| glowing(m, grid.sites()));
        let above = |i: usize| cells[i].map_or(f64::NEG_INFINITY, |s| s.mean - centre);
        let peak = (0..cells.len()).filter(|i| glows[*i]).max_by(|a, b| above(*a).total_cmp(&above(*b)));
        let peak = peak.map(|i| (i, above(i)));
        let beyond = model.as_ref().and_then(|m| Beyond::of(m, &cells, &glows));
        let noise: Vec<f64> =
            cells.iter().zip(&glows).filter(|(_, g)| !**g).filter_map(|(s, _)| Some(s.as_ref()?.variance)).collect();
        let noise_adu = stats::median(&noise).unwrap_or(0.0).sqrt();
        let excess_adu = (HOT_NOISE_SIGMAS * noise_adu).max((HOT_TIMES_TYPICAL - 1.0) * typical_adu);
        // The slope of a glow widens its cell's own spread. A pixel of a cell of which nothing is known is never called hot.
        let wide = |i: usize, s: &Spread| if glows[i] { HOT_NOISE_SIGMAS * s.variance.sqrt() } else { 0.0 };
        let limit = |i: usize| cells[i].map_or(f64::INFINITY, |s| s.mean + excess_adu.max(wide(i, &s))) as f32;
        let limits: Vec<f32> = (0..cells.len()).map(limit).collect();
        let good = not_above(frame, pattern, grid, &limits);
        let looked = grid.cells.iter().zip(&limits).filter(|(_, l)| l.is_finite()).map(|(c, _)| c.len()).sum();
        let hot = (good.iter().filter(|g| **g == 0).count(), looked);
        Self { good, glows, hot, excess_adu, noise_adu, typical_adu, longest_s: exposure_s, peak, beyond }
    }
}

/// Mean glow of the cells that count as dark in the frame that the mask was made from, and its error, ADU; in others it is as much less
/// as that of the cells that glow.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Beyond {
    pub adu: f64,
    pub sigma: f64,
}

impl Beyond {
    fn of(model: &GlowModel, cells: &[Option<Spread>], glows: &[bool]) -> Option<Self> {
        let dark = cells.iter().zip(glows).filter(|(_, g)| !**g).filter_map(|(s, _)| Some(s.as_ref()?.mean));
        let (dark, _) = stats::mean_and_std(&dark.collect::<Vec<f64>>())?;
        Some(Self { adu: dark - model.level_adu, sigma: model.level_sigma })
    }
}

/// Whether some cell exceeds the level by the share that makes a glow, clearly.
fn is_a_glow(model: &GlowModel, cells: &[Option<Spread>], sites: usize) -> bool {
    let tiles = cells.chunks(sites).map(|tile| {
        let known: Vec<f64> = tile.iter().flatten().map(|s| s.mean).collect();
        known.iter().sum::<f64>() / known.len().max(1) as f64 - model.level_adu
    });
    let brightest = tiles.fold(f64::NEG_INFINITY, f64::max);
    brightest > (GLOW_EXCESS * model.level_adu.max(0.0)).max(GLOW_SIGMAS * model.noise_adu)
}

/// The cells whose glow is not next to nothing, all sites of a tile together; the least glowing part of the frame stays in any case.
fn glowing(model: &GlowModel, sites: usize) -> Vec<bool> {
    let next_to_nothing = LEFT_EXCESS * model.level_adu.max(0.0) + LEFT_SIGMAS * model.noise_adu;
    let limit = next_to_nothing.max(stats::quantile(&model.tiles, LEAST_LEFT).unwrap_or(0.0));
    model.tiles.iter().flat_map(|glow| std::iter::repeat_n(*glow > limit, sites)).collect()
}

/// 1 for each pixel that is not above the limit of its cell.
fn not_above(frame: &Pixels, pattern: Option<&Pattern>, grid: &TileGrid, limits: &[f32]) -> Vec<u8> {
    let (width, sites) = (grid.width, grid.sites());
    let across = if sites == 1 { 1 } else { 2 };
    let of_tile = |tile: &TileRow| {
        let (mut row, mut good) = (vec![0f32; width], Vec::with_capacity(tile.rows.len() * width));
        for y in tile.rows.clone() {
            frame.copy_row(y, &mut row);
            if let Some(p) = pattern {
                row.iter_mut().zip(&p.mean[y * width..]).for_each(|(v, p)| *v -= p);
            }
            for (i, columns) in tile.columns.iter().enumerate() {
                let first = tile.first_cell + i * sites + (y % across) * across;
                let of = &limits[first..first + across];
                good.extend(columns.clone().map(|x| u8::from(row[x] <= of[x % across] || row[x].is_nan())));
            }
        }
        good
    };
    let tiles: Vec<Vec<u8>> = grid.tile_rows().par_iter().map(of_tile).collect();
    tiles.concat()
}

fn looked_at(cell: &Cell) -> impl Iterator<Item = (usize, usize)> + use<> {
    let (across, up) = cell.span();
    let every = if across * up < LEAST_TO_THIN as f64 { 1 } else { ROWS_LOOKED_AT };
    cell.rows_of(every)
}
