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
                gain_e_per_adu: gain(pairs, grid, top_adu, set, within),
                read_noise_adu: read_noise(set, grid, step, within),
                bias_level_adu: {
                    let levels = grid.cells.iter().zip(&set.cell_mean).filter(|(c, _)| within(c)).map(|(_, m)| *m);
                    stats::median(&levels.collect::<Vec<_>>()).unwrap_or(0.0)
                },
            }
        })
        .collect();
    let differ = apart(&found, APART_GAIN, |a| &a.gain_e_per_adu) || apart(&found, APART_NOISE, |a| &a.read_noise_adu);
    if differ { found } else { Vec::new() }
}

fn apart(found: &[Amplifier], share: f64, of: fn(&Amplifier) -> &Quantity) -> bool {
    let known: Vec<(f64, f64)> = found.iter().filter_map(|a| of(a).pair()).collect();
    known.iter().enumerate().any(|(i, a)| {
        known[i + 1..].iter().any(|b| {
            let away = (a.0 - b.0).abs();
            away > APART_SIGMAS * a.1.hypot(b.1) && away > share * 0.5 * (a.0 + b.0)
        })
    })
}

fn gain(pairs: &[&FlatPair], grid: &TileGrid, top_adu: f64, set: &BiasSet, within: impl Fn(&Cell) -> bool) -> Quantity {
    let parts: Vec<FlatPair> = pairs
        .iter()
        .map(|p| FlatPair {
            cells: p.cells.iter().filter(|c| within(&grid.cells[c.cell])).copied().collect(),
            ratio: p.ratio,
            banding: p.banding,
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

fn read_noise(set: &BiasSet, grid: &TileGrid, step: f64, within: impl Fn(&Cell) -> bool) -> Quantity {
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
        let grid = TileGrid::new(512, 512, false);
        let half = 256.0;
        let variance = grid.cells.iter().enumerate().map(|(i, cell)| {
            let (x, y) = cell.centre();
            let n = noise[usize::from(x > half) + 2 * usize::from(y > half)];
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
        assert_eq!((four[1].columns, four[1].rows), ([256, 512], [0, 256]));
        assert!(caution(&four).is_some_and(|c| c.code() == "several-amplifiers") && caution(&[]).is_none());
    }
}
