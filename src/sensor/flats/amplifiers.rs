//! Sensors read through several amplifiers: gain and read noise by quadrant.
//!
//! Four or two amplifiers meet in the middle of the frame on most sensors that have them (common practice, no source).
//! Each quadrant is measured by itself; where they agree, nothing is said.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::facts::Quantity;
use crate::facts::sensor::{SensorMethod, SensorMissing};
use crate::facts::sensor_caution::SensorCaution;
use crate::stats;

use super::flat_pair::FlatPair;
use super::transfer::{self, FittedPairs};
use crate::sensor::bias::pairs::BiasSet;
use crate::sensor::plane::tiles::{CELL_CLIP_SIGMAS, Cell, TileGrid};

/// Quadrants differ where two of them lie apart by this many of their errors ...
const APART_SIGMAS: f64 = 5.0;
/// ... and by this share of the gain, or of the read noise: heat that gathers while a frame is read makes 1 % in the noise
/// of an ordinary sensor, from the first row to the last.
const APART_GAIN: f64 = 0.01;
const APART_NOISE: f64 = 0.03;
/// Smallest relative error that is one: where rounding hides the noise, all cells have one and the same.
const LEAST_RELATIVE_ERROR: f64 = 1e-5;
/// Width of the strips on both sides of the middle that are held against each other, share of the frame.
const STRIP_SHARE: f64 = 0.25;
/// Share of the quadrants' difference that the strips must show, and in their errors: of one that grows evenly over the frame they
/// show a half, of one between two amplifiers all of it.
const STEP_SHARE: f64 = 0.75;
const STEP_SIGMAS: f64 = 3.0;

/// One quadrant of a sensor whose quadrants differ.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Amplifier {
    /// From the first to before the second.
    #[schemars(extend("unit" = "px"))]
    pub columns: [usize; 2],
    /// From the first to before the second.
    #[schemars(extend("unit" = "px"))]
    pub rows: [usize; 2],
    /// Gain of the quadrant.
    #[schemars(extend("unit" = "e-/ADU"))]
    pub gain_e_per_adu: Quantity,
    /// Read noise of the quadrant.
    #[schemars(extend("unit" = "ADU"))]
    pub read_noise_adu: Quantity,
    /// Level of its bias.
    #[schemars(extend("unit" = "ADU"))]
    pub bias_level_adu: f64,
}

/// The quadrants where they differ in gain or read noise; empty where they do not.
pub(crate) fn measure(
    biases: &[BiasSet],
    pairs: &[&FlatPair],
    grid: &TileGrid,
    step: f64,
    saturation_adu: f64,
) -> Vec<Amplifier> {
    let Some(set) = biases.iter().filter(|b| !b.cell_variance.is_empty()).max_by_key(|b| b.levels.len()) else {
        return Vec::new();
    };
    let top_adu = saturation_adu - set.level().unwrap_or(0.0);
    let half = (grid.width as f64 / 2.0, grid.height as f64 / 2.0);
    let found: Vec<Amplifier> = [(0, 0), (1, 0), (0, 1), (1, 1)]
        .into_iter()
        .map(|(right, top)| {
            let edges = |side: usize, length: usize| [side * length / 2, length / 2 + side * (length - length / 2)];
            let within = |cell: &Cell| cell.lies(right == 1, half.0, top == 1, half.1);
            Amplifier {
                columns: edges(right, grid.width),
                rows: edges(top, grid.height),
                gain_e_per_adu: gain(pairs, grid, top_adu, set, &within),
                read_noise_adu: read_noise(set, grid, step, &within),
                bias_level_adu: {
                    let levels = grid.cells.iter().zip(&set.cell_mean).filter(|(c, _)| within(c)).map(|(_, m)| *m);
                    stats::median(&levels.collect::<Vec<_>>()).unwrap_or(0.0)
                },
            }
        })
        .collect();
    let by_gain = |within: &dyn Fn(&Cell) -> bool| plain_gain(pairs, grid, within);
    let by_noise = |within: &dyn Fn(&Cell) -> bool| read_noise(set, grid, step, within);
    let differ = step_between(grid, APART_GAIN, &by_gain) || step_between(grid, APART_NOISE, &by_noise);
    if differ { found } else { Vec::new() }
}

/// Neighbouring quadrants, by their places among the four: the edge between two columns of them, then between two rows.
const NEIGHBOURS: [(usize, usize, bool); 4] = [(0, 1, true), (2, 3, true), (0, 2, false), (1, 3, false)];

/// Tells the value of the cells that are picked.
type Measured<'a> = dyn Fn(&dyn Fn(&Cell) -> bool) -> Quantity + 'a;

/// Whether two neighbouring quadrants differ, and do so at the edge between them; `measured` tells the value of some cells.
fn step_between(grid: &TileGrid, share: f64, measured: &Measured) -> bool {
    let half = (0.5 * grid.width as f64, 0.5 * grid.height as f64);
    let quadrants = [(false, false), (true, false), (false, true), (true, true)]
        .map(|(right, above)| measured(&|cell: &Cell| cell.lies(right, half.0, above, half.1)));
    NEIGHBOURS.into_iter().any(|(a, b, beside)| {
        let Some(away) = apart(&quadrants[a], &quadrants[b], APART_SIGMAS, share) else { return false };
        let (length, across) = if beside { (grid.width, grid.height) } else { (grid.height, grid.width) };
        // Both quadrants lie in the same half of the other axis.
        let other_half = if beside { a >= 2 } else { a == 1 };
        let strip = |far: bool| {
            measured(&|cell: &Cell| {
                let (x, y) = cell.centre();
                let (along, side) = if beside { (x, y) } else { (y, x) };
                let from_edge = along - 0.5 * length as f64;
                (from_edge > 0.0) == far
                    && from_edge.abs() < STRIP_SHARE * length as f64
                    && (side > 0.5 * across as f64) == other_half
            })
        };
        let (low, high) = (strip(false), strip(true));
        let error = low.sigma.unwrap_or(0.0).hypot(high.sigma.unwrap_or(0.0));
        // Of a step that is one the strips show all, but for their error.
        apart(&low, &high, STEP_SIGMAS, 0.0)
            .is_some_and(|step| step.signum() == away.signum() && step.abs() + error > STEP_SHARE * away.abs())
    })
}

/// Gain of few cells: both strips have the same levels, so that no curve is wanted.
fn plain_gain(pairs: &[&FlatPair], grid: &TileGrid, within: &dyn Fn(&Cell) -> bool) -> Quantity {
    let cells = pairs.iter().flat_map(|p| &p.cells).filter(|c| within(&grid.cells[c.cell]));
    transfer::ratio_of_sums(&cells.copied().collect::<Vec<_>>())
}

/// The second less the first where they differ by so many errors and this share of their mean.
fn apart(a: &Quantity, b: &Quantity, sigmas: f64, share: f64) -> Option<f64> {
    let ((a, a_sigma), (b, b_sigma)) = (a.pair()?, b.pair()?);
    let middle = 0.5 * (a + b);
    let error = a_sigma.hypot(b_sigma).max(LEAST_RELATIVE_ERROR * middle);
    ((b - a).abs() > (sigmas * error).max(share * middle)).then_some(b - a)
}

fn gain(pairs: &[&FlatPair], grid: &TileGrid, top_adu: f64, set: &BiasSet, within: &dyn Fn(&Cell) -> bool) -> Quantity {
    let parts: Vec<FlatPair> = pairs
        .iter()
        .map(|p| FlatPair {
            cells: p.cells.iter().filter(|c| within(&grid.cells[c.cell])).copied().collect(),
            ratio: p.ratio,
            banding: p.banding,
            starlight: p.starlight,
        })
        .collect();
    if parts.is_empty() {
        return Quantity::not_measurable(SensorMissing::NoFlatPairAtOneLevel);
    }
    let parts: Vec<&FlatPair> = parts.iter().collect();
    let dark_sigma_adu2 = set.common_variance_sigma();
    let input = FittedPairs { pairs: &parts, top_adu, dark_sigma_adu2, sites: grid.sites() };
    transfer::fit(&input).map_or_else(Quantity::not_measurable, |(gain, _)| gain)
}

fn read_noise(set: &BiasSet, grid: &TileGrid, step: f64, within: &dyn Fn(&Cell) -> bool) -> Quantity {
    let own = grid.cells.iter().zip(&set.cell_variance).filter(|(c, v)| within(c) && v.is_finite()).map(|(_, v)| *v);
    let Some(kept) = stats::clipped(&own.collect::<Vec<f64>>(), CELL_CLIP_SIGMAS) else {
        return Quantity::not_measurable(SensorMissing::TooFewPixelsInQuadrant);
    };
    let value = (kept.mean - step * step / 12.0).max(0.0).sqrt();
    let sigma = 0.5 * kept.sigma / (kept.n as f64).sqrt() / value;
    Quantity::measured(value, sigma, SensorMethod::BiasPairsOfQuadrant, kept.n)
}

/// What is to be known of the quadrants, if they differ.
pub(crate) fn caution(amplifiers: &[Amplifier]) -> Option<SensorCaution> {
    let each = |of: fn(&Amplifier) -> &Quantity| amplifiers.iter().map(|a| of(a).clone()).collect();
    let gains_known = amplifiers.first()?.gain_e_per_adu.is_known();
    Some(SensorCaution::SeveralAmplifiers {
        gains_e_per_adu: gains_known.then(|| each(|a| &a.gain_e_per_adu)),
        read_noises_adu: each(|a| &a.read_noise_adu),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn quadrants(noise: [f64; 4]) -> Vec<Amplifier> {
        by_place(|x, y| noise[usize::from(x > 256.0) + 2 * usize::from(y > 256.0)])
    }

    fn by_place(noise: impl Fn(f64, f64) -> f64) -> Vec<Amplifier> {
        let grid = TileGrid::new(512, 512, false);
        let variance = grid.cells.iter().enumerate().map(|(i, cell)| {
            let (x, y) = cell.centre();
            let n = noise(x, y);
            // Cells scatter by 4 %, evenly spaced.
            (n * n + 1.0 / 12.0) * (1.0 + 0.04 * ((i * 7 % 17) as f64 / 8.0 - 1.0))
        });
        let set = BiasSet {
            cell_variance: variance.collect(),
            cell_mean: vec![500.0; grid.cells.len()],
            levels: vec![(500.0, 0.1); 2],
            ..BiasSet::default()
        };
        measure(&[set], &[], &grid, 1.0, 60_000.0)
    }

    #[test]
    fn quadrants_are_told_apart_only_where_they_differ() {
        assert!(quadrants([4.0; 4]).is_empty() && quadrants([4.0, 4.0, 4.06, 4.06]).is_empty());
        let four = quadrants([4.0, 3.9, 4.2, 4.3]);
        for (a, want) in four.iter().zip([4.0, 3.9, 4.2, 4.3]) {
            assert!((a.read_noise_adu.value.unwrap() - want).abs() < 0.02, "{a:?}");
        }
        // What grows over the frame is no second amplifier, nor is a spot in a corner.
        assert!(by_place(|x, y| 4.0 + (x + 0.5 * y) / 512.0).is_empty());
        assert!(by_place(|x, y| 4.0 + 3.0 * (-(x.hypot(y) / 120.0).powi(2)).exp()).is_empty());
        // Two amplifiers, one on top of the other.
        assert_eq!(quadrants([4.0, 4.0, 4.4, 4.4]).len(), 4);
        assert_eq!((four[1].columns, four[1].rows), ([256, 512], [0, 256]));
        assert!(caution(&four).is_some_and(|c| c.code() == "several-amplifiers") && caution(&[]).is_none());
    }
}
