//! Gain where there are no flats: photon transfer on the sky of pairs of lights.
//!
//! The sky's shot noise is as good as a lamp's, and the response of the pixels leaves the difference of two lights as it
//! leaves that of two flats, since it stays with the sensor. Stars do not: seeing and pointing change between frames. So
//! only the quietest tiles are used, chosen by the variance of the *sum* of both frames, which for noise is independent
//! of that of the difference and so chooses without bias; and what stars too faint to tell leave in the difference
//! betrays itself: noise of neighbouring pixels is independent, star images are not.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::facts::Quantity;
use crate::facts::sensor::{SensorMethod, SensorMissing, SensorNote};
use crate::fits::Pixels;
use crate::folder::FrameKind;
use crate::stats;

use super::flat_pair::{self, CellPoint, FlatPair};
use super::residual::{Surface, TERMS};
use super::transfer::{self, FittedPairs};
use crate::sensor::bias::pairs::BiasSet;
use crate::sensor::bias::wander::bias_wander;
use crate::sensor::input::CalibrationFrame;
use crate::sensor::plane::copies::Copies;
use crate::sensor::plane::load::{LoadError, walk};
use crate::sensor::plane::spread::WINDOW_SIGMAS;
use crate::sensor::plane::tiles::{Cell, TileGrid};

/// Lights of one filter and exposure that are read: seven pairs of tiles say more than their systematics allow.
const MOST_LIGHTS: usize = 8;
/// Share of a pair's tiles that are used, the quietest.
const QUIET_SHARE: f64 = 0.25;
/// Level ratio of a usable pair: beyond it clouds or twilight change the sky within the frame.
const LEVEL_RATIO: std::ops::RangeInclusive<f64> = 0.9..=1.1;
/// Correlation of neighbouring pixels in the difference that refuses the gain, in its standard errors and as a number.
const CORRELATION_ERRORS: f64 = 4.0;
const MOST_CORRELATION: f64 = 0.02;
/// Correlation of neighbouring pixels within a star image that is two pixels wide, and two pixels apart in a mosaic: by
/// it a correlation tells how much variance stars have left.
const STAR_CORRELATION: f64 = 0.5;
const STAR_CORRELATION_IN_MOSAIC: f64 = 0.3;

/// The lights among these frames that the gain is measured from: of each filter and exposure the first few paths.
pub fn chosen<'a>(frames: impl Iterator<Item = &'a CalibrationFrame>) -> Vec<Vec<PathBuf>> {
    let mut groups: BTreeMap<(Option<&String>, u64), Vec<PathBuf>> = BTreeMap::new();
    for light in frames.filter(|f| f.kind == FrameKind::Light) {
        let seconds = light.exposure_s.unwrap_or(0.0);
        groups.entry((light.filter.as_ref(), seconds.to_bits())).or_default().push(light.path.clone());
    }
    let first = |mut paths: Vec<PathBuf>| {
        paths.sort();
        paths.truncate(MOST_LIGHTS);
        paths
    };
    groups.into_values().map(first).collect()
}

/// Gain from the lights, or why not; frames that cannot be used go to `refuse`.
pub(crate) fn measure(
    lights: &[&CalibrationFrame],
    biases: &BiasSet,
    grid: &TileGrid,
    saturation_adu: f64,
    progress: &(dyn Fn(&Path) + Sync),
    refuse: &mut Vec<(PathBuf, LoadError)>,
) -> Result<Quantity, SensorMissing> {
    let groups = chosen(lights.iter().copied());
    let mut pairs = Vec::new();
    let mut correlation = Correlation::default();
    for paths in groups.iter().filter(|p| p.len() > 1) {
        let mut last: Vec<Arc<Pixels>> = Vec::new();
        let mut copies = Copies::default();
        let found = pairs.len();
        let mut take = |frames: &[Arc<Pixels>], pairs: &mut Vec<FlatPair>| {
            let together = Together::of(frames);
            let Some(pair) = together.measure(biases, grid, saturation_adu) else { return };
            together.correlate(&pair.cells, grid, &mut correlation);
            pairs.push(pair);
        };
        walk(paths, (grid.width, grid.height), progress, |i, frame| {
            let frame = match frame {
                Ok(frame) => frame,
                Err(e) => return refuse.push((paths[i].clone(), e)),
            };
            if copies.repeats(i, &frame).is_some() {
                return;
            }
            if last.len() == 3 {
                last.remove(0);
            }
            last.push(frame);
            if last.len() == 3 {
                take(&last, &mut pairs);
            }
        });
        // With two lights only, or where the third is unlike them, their first difference is what there is.
        if pairs.len() == found && last.len() > 1 {
            take(&last[last.len() - 2..], &mut pairs);
        }
    }
    if pairs.is_empty() {
        return Err(SensorMissing::NoLightPairUnderEvenSky);
    }
    let (value, error) = correlation.value();
    if value.abs() > CORRELATION_ERRORS * error || value.abs() > MOST_CORRELATION {
        return Err(SensorMissing::FaintStarsInLights { correlation: value });
    }
    let signals: Vec<f64> = pairs.iter().flat_map(|p| &p.cells).map(|c| c.signal).collect();
    let pairs: Vec<&FlatPair> = pairs.iter().collect();
    let top_adu = saturation_adu - biases.level().unwrap_or(0.0);
    let input =
        FittedPairs { pairs: &pairs, top_adu, dark_sigma_adu2: biases.common_variance_sigma(), sites: grid.sites() };
    let (gain, _) = transfer::fit(&input).map_err(|_| SensorMissing::SkyNoiseTooLow)?;
    let (value, sigma) = gain.pair().unwrap_or((f64::NAN, 0.0));
    // What the correlation could hide of starlight, in the variance and so in the gain.
    let share = if grid.sites() > 1 { STAR_CORRELATION_IN_MOSAIC } else { STAR_CORRELATION };
    let hidden = error / share * value;
    // A level that wanders from the biases' is taken for light.
    let wander = bias_wander(std::slice::from_ref(biases)).map_or(0.0, |w| w.0);
    let by_level = value * wander / stats::median(&signals).unwrap_or(f64::INFINITY);
    let sigma = sigma.hypot(hidden).hypot(by_level);
    let gain = Quantity::measured(value, sigma, SensorMethod::PhotonTransferOnSky, pairs.len());
    Ok(gain.noted(SensorNote::FromLightsNotFlats))
}

/// Successive lights whose difference is free of what stays.
///
/// Of three, `a - 2 b + c` is free of the pattern of the dark current as well where that grows or falls evenly, and none is
/// scaled to another: the sky's ratio would leave the pattern of the dark in.
struct Together<'a> {
    frames: &'a [Arc<Pixels>],
    weights: &'static [f64],
}

/// A cell by its index, with level and variance without light, ADU and ADU^2.
#[derive(Clone, Copy)]
struct Place {
    cell: usize,
    bias: f64,
    dark: f64,
}

/// Pixels count where the sum of the frames lies so near its median, in standard deviations of its lower half: warm pixels and stars
/// widen the upper one. The sum tells nothing of the difference.
const SUM_SIGMAS: f64 = 2.0;
/// Quantile of a normal law one standard deviation below its median.
const ONE_BELOW: f64 = 0.158_7;

impl<'a> Together<'a> {
    fn of(frames: &'a [Arc<Pixels>]) -> Self {
        Self { frames, weights: if frames.len() > 2 { &[1.0, -2.0, 1.0] } else { &[1.0, -1.0] } }
    }

    /// Sum of the frames at each pixel of a cell.
    fn sums(&self, cell: &Cell) -> Vec<f64> {
        cell.pixels().map(|(x, y)| self.frames.iter().map(|f| f.at(x, y)).sum()).collect()
    }

    /// The pixels of a cell that count, and their difference.
    fn pixels(&self, cell: &Cell, sums: &[f64]) -> Vec<Option<f64>> {
        let mut known: Vec<f64> = sums.iter().copied().filter(|v| v.is_finite()).collect();
        let middle = stats::median_mut(&mut known).unwrap_or(f64::NAN);
        let reach = SUM_SIGMAS * (middle - stats::quantile(&known, ONE_BELOW).unwrap_or(f64::NAN));
        let difference = |(x, y)| self.frames.iter().zip(self.weights).map(|(f, w)| w * f.at(x, y)).sum::<f64>();
        let near = |(place, sum): ((usize, usize), &f64)| ((sum - middle).abs() <= reach).then(|| difference(place));
        cell.pixels().zip(sums).map(near).collect()
    }

    /// Signal and variance of the quietest cells; `None` where the sky changes too much from one to the next.
    fn measure(&self, biases: &BiasSet, grid: &TileGrid, saturation_adu: f64) -> Option<FlatPair> {
        let everywhere = biases.mean_row_variance() + biases.jump_variance();
        let dark = |i: usize| biases.cell_variance.get(i).filter(|v| v.is_finite()).map(|v| v + everywhere);
        let of = |i: usize, cell: &Cell| {
            let place = Place { cell: i, bias: biases.cell_mean[i], dark: dark(i)? };
            self.point(place, cell, saturation_adu)
        };
        let cells = grid.map_indexed(of);
        let cells: Vec<(CellPoint, f64)> = cells.into_iter().flatten().collect();
        let ratios: Vec<f64> = cells.iter().map(|c| c.0.ratio).collect();
        let ratio = stats::median(&ratios).filter(|r| LEVEL_RATIO.contains(r))?;
        // Colours have levels of their own.
        let mut quiet = Vec::new();
        for site in 0..grid.sites() {
            let members = || cells.iter().filter(|c| c.0.cell % grid.sites() == site);
            let known: Vec<f64> = members().map(|c| c.1).collect();
            let limit = stats::quantile(&known, QUIET_SHARE).unwrap_or(0.0);
            quiet.extend(members().filter(|c| c.1 <= limit).map(|c| c.0));
        }
        Some(FlatPair { cells: quiet, ratio, ..FlatPair::default() })
    }

    /// What a cell tells, and the variance of all of its sums: a star is an outlier there.
    fn point(&self, place: Place, cell: &Cell, saturation_adu: f64) -> Option<(CellPoint, f64)> {
        let Place { cell: i, bias, dark } = place;
        let sums = self.sums(cell);
        let kept = self.pixels(cell, &sums);
        let level = |frame: &Pixels| {
            let own = cell.pixels().zip(&kept).filter(|(_, k)| k.is_some()).map(|((x, y), _)| frame.at(x, y));
            stats::mean_and_std(&own.collect::<Vec<f64>>())
        };
        let levels: Vec<(f64, f64)> = self.frames.iter().map(|f| level(f)).collect::<Option<_>>()?;
        let clear = |(mean, sigma): &(f64, f64)| mean + flat_pair::CLEAR_OF_CLIPPING_SIGMAS * sigma < saturation_adu;
        if !levels.iter().all(|l| l.0 > bias && clear(l)) {
            return None;
        }
        let surface = Surface::of(cell);
        let mut difference: Vec<Option<f64>> = kept;
        for _ in 0..SURFACE_ROUNDS {
            let strengths = surface.strengths(difference.iter().copied());
            difference.iter_mut().enumerate().for_each(|(k, d)| *d = d.map(|d| d - surface.at(k, &strengths)));
        }
        let known: Vec<f64> = difference.into_iter().flatten().collect();
        let n = known.len() as f64;
        if n <= 2.0 * TERMS as f64 {
            return None;
        }
        let squares: f64 = self.weights.iter().map(|w| w * w).sum();
        let weighted = |power: i32| {
            self.weights.iter().zip(&levels).map(|(w, l)| w * w * (l.0 - bias).powi(power)).sum::<f64>() / squares
        };
        let finite: Vec<f64> = sums.into_iter().filter(|v| v.is_finite()).collect();
        let point = CellPoint {
            cell: i,
            signal: weighted(1),
            square: weighted(2),
            variance: known.iter().map(|d| d * d).sum::<f64>() / (n - TERMS as f64) / squares,
            dark,
            n: known.len(),
            ratio: (levels[0].0 - bias) / (levels[levels.len() - 1].0 - bias),
            prnu2: f64::NAN,
        };
        Some((point, stats::mean_and_std(&finite)?.1))
    }

    /// Adds the correlation of neighbours along the rows of these cells.
    fn correlate(&self, cells: &[CellPoint], grid: &TileGrid, into: &mut Correlation) {
        for point in cells {
            let cell = &grid.cells[point.cell];
            let kept = self.pixels(cell, &self.sums(cell));
            let known: Vec<f64> = kept.iter().copied().flatten().collect();
            let Some((mean, sigma)) = stats::mean_and_std(&known) else { continue };
            into.add_cell(cell, &kept, mean, sigma * sigma);
        }
    }
}

/// Pixels that count for one where each light is in three differences: `1 + 2 ((4/6)^2 + (1/6)^2)`, by the correlation of `a - 2 b + c`
/// with the next and the one after it.
const OVERLAP: f64 = 1.94;

/// Rounds in which a surface is taken off a difference some of whose pixels do not count: the terms are orthogonal over all of them.
const SURFACE_ROUNDS: usize = 2;

/// Correlation of neighbours along the rows of the differences.
#[derive(Debug, Default)]
struct Correlation {
    product: f64,
    square: f64,
    n: f64,
}

impl Correlation {
    fn add_cell(&mut self, cell: &Cell, kept: &[Option<f64>], mean: f64, variance: f64) {
        let half = WINDOW_SIGMAS * variance.sqrt();
        let mut before: Option<(usize, f64)> = None;
        for ((_, y), value) in cell.pixels().zip(kept) {
            // A defect is not noise, and is no neighbour either.
            let here = value.map(|v| v - mean).filter(|d| d.abs() <= half).map(|d| (y, d));
            if let (Some((row, earlier)), Some((_, d))) = (before, here)
                && row == y
            {
                self.product += earlier * d / variance;
                self.square += d * d / variance;
                self.n += 1.0;
            }
            before = here;
        }
    }

    /// Value and standard error; the latter is that of independent noise, `1 / sqrt n`, with what differences of successive lights share.
    fn value(&self) -> (f64, f64) {
        (self.product / self.square, (OVERLAP / self.n).sqrt())
    }
}
