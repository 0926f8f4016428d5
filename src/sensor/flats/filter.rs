//! The flats of one filter: which make pairs, what each pair says, what cannot be used.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::facts::Quantity;
use crate::facts::sensor::{SensorMethod, SensorMissing};
use crate::fits::Pixels;
use crate::frame::correlation_of_difference;
use crate::stats;

use super::flat_pair::{self, CellPoint, FlatPair};
use super::transfer::{LEAST_EXCESS_ERRORS, mean, ratio_of_sums};
use super::vignetting::{FlatCells, Vignetting};
use crate::sensor::bias::pairs::BiasSet;
use crate::sensor::bias::read_noise::root;
use crate::sensor::plane::codes::Histogram;
use crate::sensor::plane::copies::Copies;
use crate::sensor::plane::load::{LoadError, walk};
use crate::sensor::plane::tiles::{CELL_CLIP_SIGMAS, TileGrid};

/// Level ratio of a pair outside which the user is warned: a lamp that drifts so far may have changed its colour too.
const LEVEL_RATIO: std::ops::RangeInclusive<f64> = 0.9..=1.1;
/// Level ratio beyond which a pair is no pair: linearity then enters.
const USABLE_LEVEL_RATIO: std::ops::RangeInclusive<f64> = 0.5..=2.0;
/// Share of a flat's pixels at saturation that makes it unusable: more than hot pixels make up.
const CLIPPED_FRACTION: f64 = 1e-3;
/// Relative scatter of the rows that is worth a word: a tenth of the shot noise of a bright pixel.
const TOLD_BANDING: f64 = 1e-3;
/// Pairs of a filter whose noise is looked at for smoothing: what was done to one was done to all, and a look costs ten milliseconds.
const CORRELATED_PAIRS: usize = 3;

/// Share of a pair's pixels left out for stars from which it is a flat of a sky with stars: chance leaves out one in a thousand.
const STARRY_SHARE: f64 = 5e-3;
/// Correlation of neighbours in errors from which it is more than chance.
const SHARED_ERRORS: f64 = 4.0;
/// Correlation of neighbouring pixels within the images of stars of 2 to 6 px, next to each other and two apart in a mosaic, and how far
/// it may be off, relative (that of Gaussian images of such widths): by it a correlation tells how much variance faint stars have left.
const WITHIN_STARS: (f64, f64) = (0.81, 0.1);
const WITHIN_STARS_IN_MOSAIC: (f64, f64) = (0.55, 0.5);

/// Takes the variance that faint stars have left off the pairs of a sky with stars; the largest relative error of that.
///
/// Charge that spreads as pixels fill makes neighbours alike as well, but the more the brighter they are, and stays.
fn take_off_starlight(pairs: &mut [([PathBuf; 2], FlatPair)], sites: usize) -> f64 {
    let (within, off) = if sites > 1 { WITHIN_STARS_IN_MOSAIC } else { WITHIN_STARS };
    let starry = pairs.iter().any(|(_, p)| p.starlight.masked > STARRY_SHARE);
    let sure = |p: &FlatPair| p.starlight.correlation.0 > SHARED_ERRORS * p.starlight.correlation.1;
    // Told once for all: where some pairs have starlight in their noise, the others have some that chance may hide.
    let told = pairs.iter().any(|(_, p)| sure(p));
    let level = |p: &FlatPair| mean(&p.cells, |c| c.signal);
    let levels: Vec<f64> = pairs.iter().map(|(_, p)| level(p)).collect();
    let middle = stats::median(&levels).unwrap_or(0.0);
    let shared = |bright: bool| {
        let own = pairs.iter().filter(|(_, p)| (level(p) > middle) == bright).map(|(_, p)| p.starlight.correlation.0);
        stats::median(&own.collect::<Vec<_>>())
    };
    let grows = shared(true).zip(shared(false)).is_some_and(|(bright, dim)| bright > dim);
    if !starry || !told || grows {
        return 0.0;
    }
    let mut error: f64 = 0.0;
    for (_, pair) in pairs {
        let (correlation, sigma) = pair.starlight.correlation;
        let share = correlation / within;
        pair.cells.iter_mut().for_each(|c| c.variance *= 1.0 - share);
        error = error.max((off * share.abs()).hypot(sigma / within));
    }
    error
}

/// Mean and variance of one flat pair, of one site where the sensor has a colour mosaic.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PhotonTransferPoint {
    /// Mean signal above bias.
    #[schemars(extend("unit" = "ADU"))]
    pub mean_adu: f64,
    /// Temporal variance of one frame, read noise included.
    #[schemars(extend("unit" = "ADU^2"))]
    pub variance_adu2: f64,
    /// Gain from this pair alone.
    #[schemars(extend("unit" = "e-/ADU"))]
    pub gain_e_per_adu: Quantity,
    /// Filter of the flats.
    pub filter: Option<String>,
    /// Site of the colour mosaic along the rows from the first pixel; null without one.
    #[schemars(extend("unit" = "1"))]
    pub site: Option<usize>,
}

/// Fixed pattern of the response to light through one filter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Prnu {
    /// Filter of the flats.
    pub filter: Option<String>,
    /// Standard deviation of the pixels' response over its mean.
    #[schemars(extend("unit" = "1"))]
    pub fraction: Quantity,
    /// Signal at which it was measured.
    #[schemars(extend("unit" = "ADU"))]
    pub signal_adu: f64,
}

/// All flats of one filter, in the order in which they are to be paired.
pub(crate) struct FlatGroup {
    pub filter: Option<String>,
    pub paths: Vec<PathBuf>,
}

/// What the flats of one filter say.
#[derive(Debug, Default)]
pub(crate) struct FlatOutcome {
    pub points: Vec<PhotonTransferPoint>,
    /// The pairs that take part in the curve.
    pub pairs: Vec<FlatPair>,
    /// Error of a dark variance that all cells share, ADU^2.
    pub dark_sigma_adu2: f64,
    pub bias_level_adu: f64,
    /// Relative error of the variances for starlight that was taken off them.
    pub starlight: f64,
    /// The flats that take part.
    pub used: Vec<PathBuf>,
    /// Lowest code at which a flat's pixels piled up, ADU.
    pub pile_up: Option<u32>,
    pub clipped: Vec<PathBuf>,
    /// Pairs whose level ratio is worth a warning: the two frames and the ratio.
    pub mismatched: Vec<([PathBuf; 2], f64)>,
    /// Pairs whose rows differ in level: the two frames and the relative scatter.
    pub banded: Vec<([PathBuf; 2], f64)>,
    /// Frames left out because they repeat an earlier one, each with that one.
    pub copies: Vec<[PathBuf; 2]>,
    /// Flats that were smoothed or resampled and so make no pairs, with the correlation of neighbours.
    pub smoothed: Option<(Vec<PathBuf>, f64)>,
    pub refused: Vec<(PathBuf, LoadError)>,
    /// Fall-off of the light; `None` without a usable flat.
    pub vignetting: Option<Vignetting>,
    /// Pattern of the response; `None` without a pair.
    pub prnu: Option<Prnu>,
}

/// Measures the pairs of successive flats of a group. `biases` supplies level and variance of each cell.
pub(crate) fn measure_filter(
    group: &FlatGroup,
    biases: Option<&BiasSet>,
    grid: &TileGrid,
    step: u32,
    saturation_adu: f64,
    progress: &(dyn Fn(&Path) + Sync),
) -> FlatOutcome {
    let mut out = FlatOutcome::default();
    let mut before: Option<(usize, Arc<Pixels>)> = None;
    let mut cells = FlatCells::default();
    let mut copies = Copies::default();
    let mut pairs: Vec<([PathBuf; 2], FlatPair)> = Vec::new();
    let (mut looked_at, mut shared) = (0, None);
    walk(&group.paths, (grid.width, grid.height), progress, |i, frame| {
        let frame = match frame {
            Ok(frame) => frame,
            Err(e) => return out.refused.push((group.paths[i].clone(), e)),
        };
        if let Some(earlier) = copies.repeats(i, &frame) {
            return out.copies.push([group.paths[i].clone(), group.paths[earlier].clone()]);
        }
        if let Some(histogram) = Histogram::new(&frame) {
            let pile_up = histogram.pile_up(step);
            out.pile_up = [out.pile_up, pile_up].into_iter().flatten().min();
            let limit = pile_up.map_or(saturation_adu, |p| saturation_adu.min(f64::from(p)));
            if histogram.fraction_from(limit) > CLIPPED_FRACTION {
                return out.clipped.push(group.paths[i].clone());
            }
        }
        out.used.push(group.paths[i].clone());
        cells.add(&frame, grid);
        if let (Some((earlier_index, earlier)), Some(biases)) = (&before, biases) {
            if looked_at < CORRELATED_PAIRS {
                looked_at += 1;
                let found = correlation_of_difference(earlier, &frame, grid.is_mosaic());
                let smoothed = found.filter(|c| c.is_of_smoothing(&biases.neighbours));
                shared = shared.or(smoothed.map(|c| c.strongest()));
            }
            let pair = flat_pair::measure(earlier, &frame, biases, grid, saturation_adu);
            pairs.push(([group.paths[*earlier_index].clone(), group.paths[i].clone()], pair));
        }
        before = Some((i, frame));
    });
    out.vignetting = cells.derive(group.filter.as_ref(), biases.map(|b| b.cell_mean.as_slice()), grid);
    if let Some(correlation) = shared {
        out.smoothed = Some((std::mem::take(&mut out.used), correlation));
    } else if let Some(biases) = biases {
        out.dark_sigma_adu2 = biases.common_variance_sigma();
        out.bias_level_adu = biases.level().unwrap_or(0.0);
        out.starlight = take_off_starlight(&mut pairs, grid.sites());
        out.take(pairs, group.filter.as_ref(), grid, saturation_adu);
    }
    out
}

impl FlatOutcome {
    /// Chooses the pairs: those of one level where there are any (a ladder of exposures has steps between), else those
    /// that are near enough to be scaled.
    fn take(
        &mut self,
        pairs: Vec<([PathBuf; 2], FlatPair)>,
        filter: Option<&String>,
        grid: &TileGrid,
        saturation_adu: f64,
    ) {
        let measured = || pairs.iter().filter(|(_, p)| !p.cells.is_empty());
        let level = measured().any(|(_, p)| LEVEL_RATIO.contains(&p.ratio));
        let allowed = if level { LEVEL_RATIO } else { USABLE_LEVEL_RATIO };
        for (paths, pair) in pairs {
            if pair.cells.is_empty() || !allowed.contains(&pair.ratio) {
                if !level {
                    self.points.push(refused_point(&pair, filter));
                }
                if !level && !pair.cells.is_empty() {
                    self.mismatched.push((paths, pair.ratio));
                }
                continue;
            }
            if pair.banding > TOLD_BANDING {
                self.banded.push((paths.clone(), pair.banding));
            }
            if !LEVEL_RATIO.contains(&pair.ratio) {
                self.mismatched.push((paths, pair.ratio));
            }
            self.points.extend((0..grid.sites()).filter_map(|site| point(&pair, site, grid.sites(), filter)));
            self.pairs.push(pair);
        }
        let half = 0.5 * (saturation_adu - self.bias_level_adu);
        let distance = |p: &FlatPair| (mean(&p.cells, |c| c.signal) / half).ln().abs();
        let nearest = self.pairs.iter().min_by(|a, b| distance(a).total_cmp(&distance(b)));
        self.prnu = nearest.and_then(|p| prnu(p, filter));
    }
}

fn refused_point(pair: &FlatPair, filter: Option<&String>) -> PhotonTransferPoint {
    let why = if pair.cells.is_empty() {
        SensorMissing::FlatPairTooBright
    } else {
        SensorMissing::FlatPairLevelsDiffer { ratio: pair.ratio }
    };
    PhotonTransferPoint {
        mean_adu: mean(&pair.cells, |c| c.signal),
        variance_adu2: mean(&pair.cells, |c| c.variance),
        gain_e_per_adu: Quantity::not_measurable(why),
        filter: filter.cloned(),
        site: None,
    }
}

/// One pair and one colour by itself: the ratio of the sums over its cells, its error from their scatter.
fn point(pair: &FlatPair, site: usize, sites: usize, filter: Option<&String>) -> Option<PhotonTransferPoint> {
    let own: Vec<CellPoint> = pair.cells.iter().filter(|c| c.cell % sites == site).copied().collect();
    let rough = mean(&own, |c| c.variance - c.dark) / mean(&own, |c| c.signal);
    // Distance from that line in errors of a cell's variance.
    let away = |c: &CellPoint| (c.variance - c.dark - rough * c.signal) / (rough.max(0.0) * c.signal + c.dark);
    let (centre, sigma) = stats::median_and_mad_sigma(&own.iter().map(away).collect::<Vec<_>>())?;
    let kept: Vec<CellPoint> =
        own.into_iter().filter(|c| (away(c) - centre).abs() <= CELL_CLIP_SIGMAS * sigma).collect();
    let quantity = ratio_of_sums(&kept);
    let quantity = match quantity.pair() {
        Some((gain, error)) if error * LEAST_EXCESS_ERRORS > gain => {
            Quantity::not_measurable(SensorMissing::NoiseOfFlatPairTooLow)
        }
        _ => quantity,
    };
    Some(PhotonTransferPoint {
        mean_adu: mean(&kept, |c| c.signal),
        variance_adu2: mean(&kept, |c| c.variance),
        gain_e_per_adu: quantity,
        filter: filter.cloned(),
        site: (sites > 1).then_some(site),
    })
}

/// EMVA 1288 takes the spatial variance of a mean of many frames, high-pass filtered, less its temporal part; the
/// covariance of two frames within tiles, a plane taken off, is the same quantity from a pair.
fn prnu(pair: &FlatPair, filter: Option<&String>) -> Option<Prnu> {
    let squares: Vec<f64> = pair.cells.iter().map(|c| c.prnu2).filter(|v| v.is_finite()).collect();
    let kept = stats::clipped(&squares, CELL_CLIP_SIGMAS)?;
    let error = kept.sigma / (kept.n as f64).sqrt();
    let (value, sigma) = root(kept.mean, error);
    Some(Prnu {
        filter: filter.cloned(),
        fraction: Quantity::measured(value, sigma, SensorMethod::CovarianceOfFlatPair, kept.n),
        signal_adu: mean(&pair.cells, |c| c.signal),
    })
}
