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

use super::flat_pair::{self, CellPoint, FlatPair, RowLevels};
use super::transfer::{self, FittedPairs};
use crate::sensor::bias::pairs::BiasSet;
use crate::sensor::input::CalibrationFrame;
use crate::sensor::plane::copies::Copies;
use crate::sensor::plane::load::{LoadError, walk};
use crate::sensor::plane::spread::{WINDOW_SIGMAS, spread};
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
        let mut before: Option<Arc<Pixels>> = None;
        let mut copies = Copies::default();
        walk(paths, (grid.width, grid.height), progress, |i, frame| {
            let frame = match frame {
                Ok(frame) => frame,
                Err(e) => return refuse.push((paths[i].clone(), e)),
            };
            if copies.repeats(i, &frame).is_some() {
                return;
            }
            if let Some(earlier) = &before {
                let mut pair = flat_pair::measure(earlier, &frame, biases, grid, saturation_adu, RowLevels::AsTheyAre);
                if LEVEL_RATIO.contains(&pair.ratio) {
                    pair.cells = quiet(earlier, &frame, &pair, grid);
                    correlation.add(earlier, &frame, &pair.cells, biases, grid);
                    pairs.push(pair);
                }
            }
            before = Some(frame);
        });
    }
    if pairs.is_empty() {
        return Err(SensorMissing::NoLightPairUnderEvenSky);
    }
    let (value, error) = correlation.value();
    if value.abs() > CORRELATION_ERRORS * error || value.abs() > MOST_CORRELATION {
        return Err(SensorMissing::FaintStarsInLights { correlation: value });
    }
    let pairs: Vec<&FlatPair> = pairs.iter().collect();
    let top_adu = saturation_adu - biases.level().unwrap_or(0.0);
    let input =
        FittedPairs { pairs: &pairs, top_adu, dark_sigma_adu2: biases.common_variance_sigma(), sites: grid.sites() };
    let (gain, _) = transfer::fit(&input).map_err(|_| SensorMissing::SkyNoiseTooLow)?;
    let (value, sigma) = gain.pair().unwrap_or((f64::NAN, 0.0));
    // What the correlation could hide of starlight, in the variance and so in the gain.
    let share = if grid.sites() > 1 { STAR_CORRELATION_IN_MOSAIC } else { STAR_CORRELATION };
    let hidden = error / share * value;
    let gain = Quantity::measured(value, sigma.hypot(hidden), SensorMethod::PhotonTransferOnSky, pairs.len());
    Ok(gain.noted(SensorNote::FromLightsNotFlats))
}

/// The cells whose sum of both frames varies least.
fn quiet(a: &Pixels, b: &Pixels, pair: &FlatPair, grid: &TileGrid) -> Vec<CellPoint> {
    let own: Vec<usize> = pair.cells.iter().map(|c| c.cell).collect();
    let variances = grid.map_indexed(|i, cell| {
        own.binary_search(&i).ok()?;
        let mut sums: Vec<f64> = cell.pixels().map(|(x, y)| a.at(x, y) + b.at(x, y)).collect();
        // All of it: a star is an outlier here.
        sums.retain(|v| v.is_finite());
        stats::mean_and_std(&sums).map(|m| m.1)
    });
    // Colours have levels of their own.
    let mut kept = Vec::new();
    for site in 0..grid.sites() {
        let members = || pair.cells.iter().filter(|c| c.cell % grid.sites() == site);
        let known: Vec<f64> = members().filter_map(|c| variances[c.cell]).collect();
        let limit = stats::quantile(&known, QUIET_SHARE).unwrap_or(0.0);
        kept.extend(members().filter(|c| variances[c.cell].is_some_and(|v| v <= limit)).copied());
    }
    kept
}

/// Correlation of neighbours along the rows of the differences.
#[derive(Debug, Default)]
struct Correlation {
    product: f64,
    square: f64,
    n: f64,
}

impl Correlation {
    fn add(&mut self, a: &Pixels, b: &Pixels, cells: &[CellPoint], biases: &BiasSet, grid: &TileGrid) {
        for point in cells {
            let cell = &grid.cells[point.cell];
            self.add_cell(a, b, cell, point.ratio, biases.cell_mean[point.cell]);
        }
    }

    fn add_cell(&mut self, a: &Pixels, b: &Pixels, cell: &Cell, ratio: f64, bias: f64) {
        let difference = |x: usize, y: usize| a.at(x, y) - bias - ratio * (b.at(x, y) - bias);
        let mut values: Vec<f64> = cell.pixels().map(|(x, y)| difference(x, y)).collect();
        let Some(spread) = spread(&mut values, 0.0) else { return };
        let half = WINDOW_SIGMAS * spread.variance.sqrt();
        let mut before: Option<(usize, f64)> = None;
        for (x, y) in cell.pixels() {
            let d = difference(x, y) - spread.mean;
            // A defect is not noise, and is no neighbour either.
            let here = (d.abs() <= half).then_some((y, d));
            if let (Some((row, earlier)), Some((_, d))) = (before, here)
                && row == y
            {
                self.product += earlier * d / spread.variance;
                self.square += d * d / spread.variance;
                self.n += 1.0;
            }
            before = here;
        }
    }

    /// Value and standard error; the latter is that of independent noise, `1 / sqrt n`.
    fn value(&self) -> (f64, f64) {
        (self.product / self.square, 1.0 / self.n.sqrt())
    }
}
