//! What is left out of the dark rates: hot pixels, and cells that glow. Found in the longest dark of a temperature.

use rayon::prelude::*;

use crate::fits::Pixels;
use crate::stats;

use crate::sensor::bias::mean_bias::Pattern;
use crate::sensor::plane::spread::{Spread, spread};
use crate::sensor::plane::tiles::{Cell, TileGrid, TileRow};

/// A pixel is hot above this many times the typical rate. On real cooled frames 1.3 % of the pixels carry a quarter of
/// all dark charge; with the limit anywhere from 3 to 5 times the mean of the rest moves by 1 % only.
pub(crate) const HOT_TIMES_TYPICAL: f64 = 5.0;
/// And above this many standard deviations of its own noise, so that 1 in 3 million is called hot by chance.
pub(crate) const HOT_NOISE_SIGMAS: f64 = 5.0;
/// A cell glows when it stands this many robust deviations above the median cell ...
const GLOW_SIGMAS: f64 = 6.0;
/// ... and exceeds it by this share, so that a gentle gradient stays in the mean.
const GLOW_EXCESS: f64 = 0.5;
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
}

impl Mask {
    /// Looks for hot pixels and glow; `step` is the step between codes, 0 for continuous values.
    pub fn new(frame: &Pixels, pattern: Option<&Pattern>, grid: &TileGrid, step: f64, exposure_s: f64) -> Self {
        let at =
            |(x, y): (usize, usize)| frame.at(x, y) - pattern.map_or(0.0, |p| f64::from(p.mean[y * grid.width + x]));
        let cells = grid.map(|cell| spread(&mut looked_at(cell).map(at).collect(), step));
        let means: Vec<f64> = cells.iter().flatten().map(|s| s.mean).collect();
        let (centre, width) = stats::median_and_mad_sigma(&means).unwrap_or((0.0, 0.0));
        // Without a bias the level is pedestal and dark charge in one, and tells no typical rate.
        let typical_adu = if pattern.is_some() { centre.max(0.0) } else { 0.0 };
        let (glows, peak) = match pattern {
            // Nor can a gradient of the bias be told from glow then.
            None => (vec![false; cells.len()], None),
            Some(_) => glow(&cells, grid.sites(), centre, (GLOW_SIGMAS * width).max(GLOW_EXCESS * typical_adu)),
        };
        let noise: Vec<f64> =
            cells.iter().zip(&glows).filter(|(_, g)| !**g).filter_map(|(s, _)| Some(s.as_ref()?.variance)).collect();
        let noise_adu = stats::median(&noise).unwrap_or(0.0).sqrt();
        let excess_adu = (HOT_NOISE_SIGMAS * noise_adu).max((HOT_TIMES_TYPICAL - 1.0) * typical_adu);
        // A pixel of a cell that glows, or of which nothing is known, is never called hot.
        let limit = |i: usize| cells[i].filter(|_| !glows[i]).map_or(f64::INFINITY, |s| s.mean + excess_adu) as f32;
        let limits: Vec<f32> = (0..cells.len()).map(limit).collect();
        let good = not_above(frame, pattern, grid, &limits);
        let looked = grid.cells.iter().zip(&limits).filter(|(_, l)| l.is_finite()).map(|(c, _)| c.len()).sum();
        let hot = (good.iter().filter(|g| **g == 0).count(), looked);
        Self { good, glows, hot, excess_adu, noise_adu, typical_adu, longest_s: exposure_s, peak }
    }
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

/// Cells above the limit with the other sites of their tiles, and the brightest of them.
fn glow(cells: &[Option<Spread>], sites: usize, centre: f64, limit: f64) -> (Vec<bool>, Option<(usize, f64)>) {
    let above = |i: usize| cells[i].map_or(f64::NEG_INFINITY, |s| s.mean - centre);
    let tile_glows = |i: usize| (i / sites * sites..(i / sites + 1) * sites).any(|k| above(k) > limit);
    let glows: Vec<bool> = (0..cells.len()).map(tile_glows).collect();
    let peak = (0..cells.len()).filter(|i| glows[*i]).max_by(|a, b| above(*a).total_cmp(&above(*b)));
    (glows, peak.map(|i| (i, above(i))))
}
