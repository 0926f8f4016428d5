//! Dark frames of one temperature: mean level of the pixels that are not hot, pair variances, hot pixels, glow.

use std::path::{Path, PathBuf};

use serde::Serialize;

use crate::fits::Pixels;
use crate::stats;

use super::bias::{BiasSet, combine_cells};
use super::load::{LoadError, walk};
use super::spread::spread;
use super::tiles::Grid;

/// A pixel is hot above this many times the typical rate. On real cooled frames 1.3 % of the pixels carry a quarter of
/// all dark charge; with the limit anywhere from 3 to 5 times the mean of the rest moves by 1 % only.
pub(super) const HOT_TIMES_TYPICAL: f64 = 5.0;
/// And above this many standard deviations of its own noise, so that 1 in 3 million is called hot by chance.
pub(super) const HOT_NOISE_SIGMAS: f64 = 5.0;
/// A cell glows when it stands this many robust deviations above the median cell ...
const GLOW_SIGMAS: f64 = 6.0;
/// ... and exceeds it by this share, so that a gentle gradient stays in the mean.
const GLOW_EXCESS: f64 = 0.5;
/// Every so many-th pixel makes the centre of a further frame (a prime, so that no column is favoured).
const SAMPLE_STRIDE: usize = 37;

/// A dark frame to measure.
#[derive(Debug, Clone)]
pub(super) struct Dark {
    pub path: PathBuf,
    pub exposure_s: f64,
    pub celsius: Option<f64>,
}

/// Mean level of one dark over the pixels that are neither hot nor in the glow, bias taken off, ADU.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Level {
    pub exposure_s: f64,
    pub adu: f64,
    pub sigma: f64,
}

/// Light from the sensor's own electronics in the longest dark.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Glow {
    /// Share of the frame that glows.
    pub area_fraction: f64,
    /// Where it is brightest, column, px.
    pub x_px: f64,
    /// Where it is brightest, row, px.
    pub y_px: f64,
    /// Excess over the rest of the frame there, ADU.
    pub excess_adu: f64,
    /// Exposure of that frame, s.
    pub exposure_s: f64,
}

/// What the darks of one temperature say.
#[derive(Debug, Clone, Default)]
pub(super) struct DarkSet {
    /// Mean temperature weighted by exposure, since the long exposures make the slope, C.
    pub celsius: Option<f64>,
    /// Standard error of that mean, C.
    pub celsius_sigma: f64,
    pub levels: Vec<Level>,
    /// Exposure and variance of one frame from pairs of equal exposure, ADU^2.
    pub variances: Vec<(f64, f64, f64)>,
    /// Number of hot pixels and of pixels looked at.
    pub hot: (usize, usize),
    /// Level above the typical one at which a pixel of the longest dark is called hot, ADU.
    pub hot_excess_adu: f64,
    /// Exposure of the longest dark, s.
    pub longest_s: f64,
    pub glow: Option<Glow>,
    /// Whether the mean bias of this temperature was taken off pixel by pixel.
    pub has_bias: bool,
}

/// Measures the darks of one temperature, longest first; `bias` is the set of the same temperature.
pub(super) fn measure(
    darks: &[Dark],
    bias: Option<&BiasSet>,
    grid: &Grid,
    step: u32,
    progress: &(dyn Fn(&Path) + Sync),
    refuse: &mut Vec<(PathBuf, LoadError)>,
) -> DarkSet {
    let mut darks = darks.to_vec();
    darks.sort_by(|a, b| b.exposure_s.total_cmp(&a.exposure_s).then_with(|| a.path.cmp(&b.path)));
    let (celsius, celsius_sigma) = mean_temperature(&darks);
    let bias = bias.filter(|b| !b.sum.is_empty());
    let mut set = DarkSet { celsius, celsius_sigma, has_bias: bias.is_some(), ..DarkSet::default() };
    let paths: Vec<PathBuf> = darks.iter().map(|d| d.path.clone()).collect();
    let frame_count = bias.map_or(1.0, |b| b.levels.len().max(1) as f32);
    let at = |frame: &Pixels, x: usize, y: usize| {
        frame.at(x, y) - bias.map_or(0.0, |b| f64::from(b.sum[y * grid.width + x] / frame_count))
    };
    // The mean of n biases divides the step between codes by n.
    let fine_step = f64::from(step) / f64::from(frame_count);
    let mut mask: Option<Mask> = None;
    let mut before: Option<(f64, Pixels)> = None;
    walk(&paths, (grid.width, grid.height), progress, |i, frame| {
        let frame = match frame {
            Ok(frame) => frame,
            Err(e) => return refuse.push((paths[i].clone(), e)),
        };
        let exposure = darks[i].exposure_s;
        let mask = mask.get_or_insert_with(|| {
            let mask = Mask::new(|x, y| at(&frame, x, y), grid, fine_step, bias.is_some(), exposure);
            (set.hot, set.hot_excess_adu, set.longest_s, set.glow) = (mask.hot, mask.excess_adu, exposure, mask.glow);
            mask
        });
        if let Some(level) = mask.level(|x, y| at(&frame, x, y), grid, exposure, bias.is_some()) {
            set.levels.push(level);
        }
        if let Some((seconds, earlier)) = before.take()
            && seconds == exposure
        {
            let cells = mask.map(grid, |good| {
                let mut values: Vec<f64> = good.map(|(x, y)| frame.at(x, y) - earlier.at(x, y)).collect();
                spread(&mut values, f64::from(step)).map(|s| 0.5 * s.variance)
            });
            if let Some(v) = combine_cells(&cells.into_iter().flatten().flatten().collect::<Vec<_>>()) {
                set.variances.push((exposure, v.variance, v.sigma));
            }
        }
        before = Some((exposure, frame));
    });
    set
}

fn mean_temperature(darks: &[Dark]) -> (Option<f64>, f64) {
    let known: Vec<(f64, f64)> = darks.iter().filter_map(|d| Some((d.celsius?, d.exposure_s))).collect();
    let weight: f64 = known.iter().map(|k| k.1).sum();
    if weight <= 0.0 {
        return (None, 0.0);
    }
    let mean = known.iter().map(|k| k.0 * k.1).sum::<f64>() / weight;
    let scatter = known.iter().map(|k| k.1 * (k.0 - mean).powi(2)).sum::<f64>() / weight;
    (Some(mean), (scatter / known.len() as f64).sqrt())
}

/// Pixels to leave out: hot ones, and whole cells that glow.
struct Mask {
    is_hot: Vec<bool>,
    glows: Vec<bool>,
    hot: (usize, usize),
    excess_adu: f64,
    noise_adu: f64,
    typical_adu: f64,
    longest_s: f64,
    glow: Option<Glow>,
}

impl Mask {
    fn new(
        at: impl Fn(usize, usize) -> f64 + Sync + Send,
        grid: &Grid,
        step: f64,
        has_bias: bool,
        exposure_s: f64,
    ) -> Self {
        let cells = grid.map(|cell| spread(&mut cell.pixels().map(|(x, y)| at(x, y)).collect(), step));
        let means: Vec<f64> = cells.iter().flatten().map(|s| s.mean).collect();
        let (centre, width) = stats::median_and_mad_sigma(&means).unwrap_or((0.0, 0.0));
        // Without a bias the level is pedestal and dark charge in one, and tells no typical rate.
        let typical_adu = if has_bias { centre.max(0.0) } else { 0.0 };
        // Nor can a gradient of the bias be told from glow then.
        let limit =
            if has_bias { centre + (GLOW_SIGMAS * width).max(GLOW_EXCESS * typical_adu) } else { f64::INFINITY };
        let glows: Vec<bool> = cells.iter().map(|s| s.is_some_and(|s| s.mean > limit)).collect();
        let noise: Vec<f64> =
            cells.iter().zip(&glows).filter(|(_, g)| !**g).filter_map(|(s, _)| Some(s.as_ref()?.variance)).collect();
        let noise_adu = stats::median(&noise).unwrap_or(0.0).sqrt();
        let excess_adu = (HOT_NOISE_SIGMAS * noise_adu).max((HOT_TIMES_TYPICAL - 1.0) * typical_adu);
        let mut is_hot = vec![false; grid.width * grid.height];
        let found = grid.map_indexed(|i, cell| {
            let Some(s) = cells[i].filter(|_| !glows[i]) else { return (Vec::new(), 0) };
            let hot: Vec<usize> = cell
                .pixels()
                .filter(|(x, y)| at(*x, *y) > s.mean + excess_adu)
                .map(|(x, y)| y * grid.width + x)
                .collect();
            (hot, cell.pixels().count())
        });
        let mut hot = (0, 0);
        for (pixels, count) in found {
            hot = (hot.0 + pixels.len(), hot.1 + count);
            pixels.into_iter().for_each(|p| is_hot[p] = true);
        }
        let brightest = (0..glows.len())
            .filter(|i| glows[*i])
            .max_by(|a, b| cells[*a].map_or(0.0, |s| s.mean).total_cmp(&cells[*b].map_or(0.0, |s| s.mean)));
        let glow = brightest.map(|i| {
            let (x_px, y_px) = grid.cells[i].centre();
            let area_fraction = glows.iter().filter(|g| **g).count() as f64 / glows.len() as f64;
            let excess_adu = cells[i].map_or(0.0, |s| s.mean - centre);
            Glow { area_fraction, x_px, y_px, excess_adu, exposure_s }
        });
        Self { is_hot, glows, hot, excess_adu, noise_adu, typical_adu, longest_s: exposure_s, glow }
    }

    /// Applies `f` to the good pixels of every cell that does not glow.
    fn map<T: Send>(
        &self,
        grid: &Grid,
        f: impl Fn(&mut dyn Iterator<Item = (usize, usize)>) -> T + Sync + Send,
    ) -> Vec<Option<T>> {
        grid.map_indexed(|i, cell| {
            let mut good = cell.pixels().filter(|(x, y)| !self.is_hot[y * grid.width + x]);
            (!self.glows[i]).then(|| f(&mut good))
        })
    }

    /// Mean over the good pixels; cosmic rays are left out by a limit that no pixel of the mask's frame would pass.
    fn level(
        &self,
        at: impl Fn(usize, usize) -> f64 + Sync + Send,
        grid: &Grid,
        exposure_s: f64,
        has_bias: bool,
    ) -> Option<Level> {
        let (w, n) = (grid.width, grid.width * grid.height);
        let good = |i: usize| !self.is_hot[i];
        let mut sample: Vec<f64> =
            (0..n).step_by(SAMPLE_STRIDE).filter(|i| good(*i)).map(|i| at(i % w, i / w)).collect();
        let rough = spread(&mut sample, 0.0)?;
        let warm = (HOT_TIMES_TYPICAL - 1.0) * self.typical_adu * exposure_s / self.longest_s;
        let noise = self.noise_adu.max(rough.variance.sqrt());
        // Without a bias the fixed pattern and its gradients are still there: the limit is twice as wide.
        let limit = rough.mean + warm + HOT_NOISE_SIGMAS * noise * if has_bias { 1.0 } else { 2.0 };
        let sums = self.map(grid, |good| {
            let inside = good.map(|(x, y)| at(x, y)).filter(|v| v.is_finite() && *v <= limit);
            inside.fold((0.0, 0.0, 0usize), |(s, ss, n), v| {
                let d = v - rough.mean;
                (s + d, ss + d * d, n + 1)
            })
        });
        let (s, ss, n) = sums.into_iter().flatten().fold((0.0, 0.0, 0), |a, b| (a.0 + b.0, a.1 + b.1, a.2 + b.2));
        if n < 2 {
            return None;
        }
        let mean = s / n as f64;
        let sigma = ((ss / n as f64 - mean * mean) / n as f64).max(0.0).sqrt();
        Some(Level { exposure_s, adu: rough.mean + mean, sigma })
    }
}
