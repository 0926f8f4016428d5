//! Photon transfer over all flats at all levels: one curve through the cells of all pairs.
//!
//! EMVA 1288 (R3.1, definitions from memory): `s_y^2 - s_y.dark^2 = K (m_y - m_y.dark)` with the system gain K in DN/e-, the
//! inverse of the gain in e-/ADU used here, fitted up to 70 % of saturation. Departures: tiles instead of whole frames, so
//! that vignetting does no harm and spreads the levels; weights from the variance of a variance; the dark variance of each
//! tile is taken off that tile; where the levels span a factor of three a curvature is fitted too, `s^2 / g (1 + k s)`, since
//! charge that spreads to neighbours as a pixel fills (brighter-fatter effect) lowers the variance by several per cent.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::facts::Quantity;
use crate::facts::sensor::{SensorMethod, SensorMissing, SensorNote};
use crate::stats;

use super::curve::{Curve, Row, Solved};
use super::flat_pair::{CellPoint, FlatPair};
use crate::sensor::plane::tiles::CELL_CLIP_SIGMAS;

/// Share of saturation up to which the standard fits the line.
const FITTED_SHARE: f64 = 0.7;
/// Ratio of the brightest to the dimmest level from which on a curvature is fitted: over less, it and the gain are hardly
/// told apart (over a factor of two the gain's error grows threefold).
const CURVED_SPAN: f64 = 3.0;
/// Fewest cells that give a gain with an error that holds.
pub(crate) const FEWEST_CELLS: usize = 8;
/// The variance that light adds must be this many of its errors: below, a ratio is biased by more than 1 %
/// (Hendrickson et al. 2023, arXiv 2301.08790, on the moments of that ratio).
pub(crate) const LEAST_EXCESS_ERRORS: f64 = 10.0;
/// Levels that differ by less than this share make one bin when the departure is looked for.
const BIN_SHARE: f64 = 0.03;
/// Fewest cells of a bin.
const BIN_CELLS: usize = 4;
/// Shortfall of the variance that is called a departure, and its significance.
const DEPARTURE_SHARE: f64 = 0.05;
const DEPARTURE_ERRORS: f64 = 4.0;

/// The curve and what it says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TransferFit {
    /// Slope of the variance at no signal (EMVA 1288).
    #[schemars(extend("unit" = "ADU/e-"))]
    pub system_gain_adu_per_e: Quantity,
    /// Variance without light that the flats alone extrapolate.
    #[schemars(extend("unit" = "ADU^2"))]
    pub intercept_adu2: Quantity,
    /// Relative change of the variance with signal.
    #[schemars(extend("unit" = "1/ADU"))]
    pub curvature_per_adu: Quantity,
    /// Signal at which the variance falls 5 % short of the curve.
    #[schemars(extend("unit" = "ADU"))]
    pub full_well_adu: Quantity,
    /// The same in electrons.
    #[schemars(extend("unit" = "e-"))]
    pub full_well_e: Quantity,
    /// Least and greatest signal fitted.
    #[schemars(extend("unit" = "ADU"))]
    pub range_adu: [f64; 2],
    /// Squared residuals over their variances per degree of freedom.
    #[schemars(extend("unit" = "1"))]
    pub chi2_per_degree: f64,
    /// Variance without light, from the bias frames.
    #[schemars(extend("unit" = "ADU^2"))]
    pub dark_variance_adu2: f64,
}

/// What goes into the curve.
pub(crate) struct FittedPairs<'a> {
    pub pairs: &'a [&'a FlatPair],
    /// Highest signal above bias that codes can show, ADU.
    pub top_adu: f64,
    /// Error of a dark variance that all cells share, ADU^2.
    pub dark_sigma_adu2: f64,
    /// Sites of the mosaic.
    pub sites: usize,
}

/// Gain in e-/ADU and the curve; the reason where there is none.
pub(crate) fn fit(input: &FittedPairs) -> Result<(Quantity, TransferFit), SensorMissing> {
    let rows = rows(input);
    if rows.len() < FEWEST_CELLS {
        return Err(SensorMissing::TooFewFlatsBelowSaturation);
    }
    let bins = bins(&rows);
    let peak = peak(&bins);
    let limit = FITTED_SHARE * peak.unwrap_or(input.top_adu).min(input.top_adu);
    let mut used: Vec<&Row> = rows.iter().filter(|r| r.signal <= limit).collect();
    if used.len() < FEWEST_CELLS {
        // All flats are brighter than the standard fits; what they say still is the best there is.
        used = rows.iter().collect();
    }
    let levels = level_means(&used);
    let (low, high) = levels.iter().fold((f64::MAX, 0.0f64), |(l, h), m| (l.min(*m), h.max(*m)));
    let curved = high >= CURVED_SPAN * low;
    let solved = Curve { curved, with_intercept: false }
        .solve(&used, input.dark_sigma_adu2)
        .filter(|s| s.kept.len() >= FEWEST_CELLS && s.c[0] > 0.0)
        .ok_or(SensorMissing::FlatVarianceDoesNotGrow)?;
    let offset = if curved { level_offset(&used, &solved) } else { None };
    let (solved, offset_adu) = match offset {
        Some((freed, adu)) => (freed, Some(adu)),
        None => (solved, None),
    };
    let sigma = solved.covariance[0][0].sqrt();
    let relative = sigma / solved.c[0];
    if relative > 1.0 / LEAST_EXCESS_ERRORS {
        return Err(SensorMissing::FlatNoiseTooLow);
    }
    let gain = 1.0 / solved.c[0];
    let n = input.pairs.len();
    let method = || if curved { SensorMethod::PhotonTransferCurve } else { SensorMethod::PhotonTransferLine };
    let mut quantity = Quantity::measured(gain, gain * relative, method(), n);
    if solved.levels_stray {
        quantity = quantity.noted(SensorNote::LevelsStrayFromCurve);
    }
    if let Some(adu) = offset_adu {
        quantity = quantity.noted(SensorNote::FlatsOffBias { adu });
    }
    let one_level = || Quantity::not_measurable(SensorMissing::FlatLevelsSpanTooLittle);
    let dark = stats::mean_and_std(&used.iter().map(|r| r.dark).collect::<Vec<_>>()).map_or(0.0, |m| m.0);
    let (curvature, intercept) = if curved {
        let k = solved.c[1] / solved.c[0];
        let c = &solved.covariance;
        let variance = c[1][1] - 2.0 * k * c[0][1] + k * k * c[0][0];
        let curvature = Quantity::measured(k, variance.max(0.0).sqrt() / solved.c[0], method(), n);
        let free = Curve { curved, with_intercept: true }.solve(&used, 0.0).and_then(|s| s.intercept);
        let intercept =
            free.map_or_else(one_level, |(v, s)| Quantity::measured(v + dark, s, SensorMethod::CurveAtNoSignal, n));
        (curvature, intercept)
    } else {
        (one_level(), one_level())
    };
    let full_well = departure(&bins, &solved, limit);
    let fitted: Vec<f64> = solved.kept.iter().map(|i| used[*i].signal).collect();
    let fit = TransferFit {
        system_gain_adu_per_e: Quantity::measured(solved.c[0], sigma, method(), n),
        intercept_adu2: intercept,
        curvature_per_adu: curvature,
        full_well_e: full_well.times(&quantity, SensorMethod::FullWellTimesGain),
        full_well_adu: full_well,
        range_adu: [fitted.iter().copied().fold(f64::MAX, f64::min), fitted.iter().copied().fold(0.0, f64::max)],
        chi2_per_degree: solved.chi2_per_degree,
        dark_variance_adu2: dark,
    };
    Ok((quantity, fit))
}

/// Errors by which the variance at no signal must lie off that of the biases for their levels to be unlike.
const OFFSET_ERRORS: f64 = 4.0;

/// The curve with a free variance at no signal, where that lies off the biases' clearly: the flats' level without light is another
/// than theirs by `-intercept / slope`, also given, ADU.
fn level_offset(used: &[&Row], tied: &Solved) -> Option<(Solved, f64)> {
    let free = Curve { curved: true, with_intercept: true }.solve(used, 0.0)?;
    let (intercept, error) = free.intercept?;
    let better = free.chi2_per_degree < tied.chi2_per_degree && (tied.levels_stray || !free.levels_stray);
    let adu = -intercept / free.c[0];
    (intercept.abs() > OFFSET_ERRORS * error && better && free.c[0] > 0.0).then_some((free, adu))
}

/// Mean over cells; 0 of none.
pub(super) fn mean(cells: &[CellPoint], f: impl Fn(&CellPoint) -> f64) -> f64 {
    cells.iter().map(f).sum::<f64>() / cells.len().max(1) as f64
}

/// Gain as the ratio of sums over cells of one level, or of several that no curve is wanted for; its error from their scatter.
pub(super) fn ratio_of_sums(cells: &[CellPoint]) -> Quantity {
    let (signal, excess) = (mean(cells, |c| c.signal), mean(cells, |c| c.variance - c.dark));
    let n = cells.len();
    let gain = signal / excess;
    let scatter: f64 = cells.iter().map(|c| (c.signal - gain * (c.variance - c.dark)).powi(2)).sum();
    let error = (scatter / (n as f64 * (n as f64 - 1.0))).sqrt() / excess;
    if n < FEWEST_CELLS {
        Quantity::not_measurable(SensorMissing::TooFewCellsOfFlatPair)
    } else if excess <= 0.0 {
        Quantity::not_measurable(SensorMissing::NoiseOfFlatPairTooLow)
    } else {
        Quantity::measured(gain, error, SensorMethod::OneFlatPair, n)
    }
}

fn rows(input: &FittedPairs) -> Vec<Row> {
    let of_pair = |(k, pair): (usize, &&FlatPair)| {
        let row = |c: &CellPoint| Row {
            cell: c.cell,
            level: k * input.sites + c.cell % input.sites,
            signal: c.signal,
            square: c.square,
            excess: c.variance - c.dark,
            dark: c.dark,
            n: c.n as f64,
        };
        pair.cells.iter().map(row).collect::<Vec<Row>>()
    };
    input.pairs.iter().enumerate().flat_map(of_pair).collect()
}

/// Mean signal of each pair and colour.
fn level_means(rows: &[&Row]) -> Vec<f64> {
    let mut sums = std::collections::BTreeMap::new();
    for r in rows {
        let entry = sums.entry(r.level).or_insert((0.0, 0.0));
        *entry = (entry.0 + r.signal, entry.1 + 1.0);
    }
    sums.into_values().map(|(sum, n)| sum / n).collect()
}

/// Mean signal, mean square, mean excess, its error: cells of about one level.
struct Bin {
    signal: f64,
    square: f64,
    excess: f64,
    error: f64,
}

fn bins(rows: &[Row]) -> Vec<Bin> {
    let mut sorted: Vec<&Row> = rows.iter().collect();
    sorted.sort_by(|a, b| a.signal.total_cmp(&b.signal));
    let mut bins = Vec::new();
    let mut start = 0;
    while start < sorted.len() {
        let end = start + sorted[start..].partition_point(|r| r.signal <= sorted[start].signal * (1.0 + BIN_SHARE));
        let members = &sorted[start..end.max(start + 1)];
        start += members.len();
        if members.len() < BIN_CELLS {
            continue;
        }
        let n = members.len() as f64;
        let mean = |f: fn(&Row) -> f64| members.iter().map(|r| f(r)).sum::<f64>() / n;
        let excess: Vec<f64> = members.iter().map(|r| r.excess).collect();
        let middle = stats::clipped(&excess, CELL_CLIP_SIGMAS);
        let (value, error) = middle.map_or((mean(|r| r.excess), 0.0), |c| (c.mean, c.sigma / (c.n as f64).sqrt()));
        bins.push(Bin { signal: mean(|r| r.signal), square: mean(|r| r.square), excess: value, error });
    }
    bins
}

/// Signal of the greatest variance where it falls beyond: saturation as the standard defines it.
fn peak(bins: &[Bin]) -> Option<f64> {
    let top = bins.iter().enumerate().max_by(|a, b| a.1.excess.total_cmp(&b.1.excess))?.0;
    let falls = bins[top + 1..].iter().any(|b| {
        let shortfall = bins[top].excess - b.excess;
        shortfall > DEPARTURE_SHARE * bins[top].excess && shortfall > DEPARTURE_ERRORS * b.error.hypot(bins[top].error)
    });
    falls.then_some(bins[top].signal)
}

/// Signal at which the variance falls short of the curve for good.
fn departure(bins: &[Bin], solved: &Solved, limit: f64) -> Quantity {
    let short = |b: &&Bin| {
        let model = solved.c[0] * b.signal + solved.c[1] * b.square;
        let [[v00, v01], [_, v11]] = solved.covariance;
        let model_error = (v00 * b.signal.powi(2) + 2.0 * v01 * b.signal * b.square + v11 * b.square.powi(2)).sqrt();
        let shortfall = model - b.excess;
        shortfall > DEPARTURE_SHARE * model && shortfall > DEPARTURE_ERRORS * b.error.hypot(model_error)
    };
    let beyond: Vec<&Bin> = bins.iter().rev().take_while(|b| b.signal > limit && short(b)).collect();
    let brightest = bins.last().map_or(0.0, |b| b.signal);
    let Some(first) = beyond.last() else {
        return Quantity::not_measurable(SensorMissing::NoFlatsAtFullWell { brightest_adu: brightest });
    };
    let good = bins.iter().rev().nth(beyond.len()).map_or(0.0, |b| b.signal);
    let (middle, half) = (0.5 * (good + first.signal), 0.5 * (first.signal - good));
    // Anywhere between the last level on the curve and the first below it: an even law over that gap.
    Quantity::measured(middle, half / 3f64.sqrt(), SensorMethod::BetweenCurveAndFirstBelow, bins.len())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sensor::bias::pairs::{BiasSet, PairVariance};
    use crate::sensor::bias::read_noise;

    /// Relative tolerance: the values are printed with six to seven digits.
    const PRINTED_DIGITS: f64 = 1e-6;

    fn near(got: f64, want: f64) {
        assert!((got / want - 1.0).abs() < PRINTED_DIGITS, "got {got}, want {want}");
    }

    /// A cell of `n` pixels, ADU.
    fn cell(cell: usize, signal: f64, variance: f64, dark: f64, n: usize) -> CellPoint {
        CellPoint { cell, signal, square: signal * signal, variance, dark, n, ratio: 1.0, prnu2: 0.0 }
    }

    fn fitted(pairs: &[FlatPair]) -> (Quantity, TransferFit) {
        let pairs: Vec<&FlatPair> = pairs.iter().collect();
        fit(&FittedPairs { pairs: &pairs, top_adu: 65_000.0, dark_sigma_adu2: 0.0, sites: 1 }).unwrap()
    }

    fn pair(cells: Vec<CellPoint>) -> FlatPair {
        FlatPair { cells, ratio: 1.0, ..FlatPair::default() }
    }

    /// Gain in e-/ADU and read noise in e- from means of two flats and two biases and the deviations of their differences.
    fn two_flats_two_biases(flats: [f64; 2], biases: [f64; 2], sigma_flat: f64, sigma_bias: f64) -> (f64, f64) {
        let signal = 0.5 * (flats[0] + flats[1] - biases[0] - biases[1]);
        let (flat, bias) = (0.5 * sigma_flat * sigma_flat, 0.5 * sigma_bias * sigma_bias);
        let cells = (0..FEWEST_CELLS).map(|i| cell(i, signal, flat, bias, 1024));
        let (gain, _) = fitted(&[pair(cells.collect())]);
        let pairs = vec![PairVariance { variance: bias, sigma: 0.01 * bias, cells: FEWEST_CELLS }];
        let read = read_noise::derive(&[BiasSet { pairs, ..BiasSet::default() }], 0).read_noise_adu;
        let read = read.times(&gain, SensorMethod::ReadNoiseTimesGain);
        (gain.value.unwrap(), read.value.unwrap())
    }

    // C4.1 and C4.2: evaluated outside this project. C4.3: University of Washington course report 2019 prints 0.4478
    // e-/ADU and 16.508 e-. C4.4: a second notebook of the same course, full precision.
    #[test]
    fn c4_1_to_c4_4_two_flats_and_two_biases() {
        for (f, b, sf, sb, gain, read) in [
            ([20530.0, 20410.0], [512.0, 510.0], 220.0, 11.3, 0.826_933_7, 6.607_454),
            ([32750.0, 32690.0], [1024.0, 1024.0], 512.0, 16.970_562_75, 0.242_087_3, 2.905_047),
            ([25295.2335, 25276.5989], [115.3643, 107.0679], 339.3378, 52.1308, 0.447_819, 16.507_52),
            (
                [3973.085, 4111.82],
                [117.3575, 125.485],
                148.829_549_40,
                50.850_479_29,
                0.400_831_972_084,
                14.412_602_478,
            ),
        ] {
            let got = two_flats_two_biases(f, b, sf, sb);
            near(got.0, gain);
            near(got.1, read);
        }
        let published = two_flats_two_biases([25295.2335, 25276.5989], [115.3643, 107.0679], 339.3378, 52.1308);
        assert_eq!(format!("{:.4} {:.3}", published.0, published.1), "0.4478 16.508");
    }

    /// Means and variances of C4.5, made with a gain of 0.78 e-/ADU, a read noise of 2.9 e- and rounding to codes.
    const LADDER: [[f64; 2]; 8] = [
        [500.0, 655.497],
        [1000.0, 1292.146],
        [2000.0, 2583.481],
        [5000.0, 6441.253],
        [1e4, 12763.594],
        [2e4, 25560.442],
        [3e4, 38489.357],
        [4e4, 51250.075],
    ];

    // C4.5: numpy least squares outside this project, weighted by the measured variances. The product weighs by the line's;
    // so weighed, until nothing changes, exact fractions in Python give a slope 1.4 % of its error away.
    #[test]
    fn c4_5_photon_transfer_line() {
        let row = |(i, [signal, variance]): (usize, &[f64; 2])| Row {
            cell: i,
            level: i,
            signal: *signal,
            square: signal * signal,
            excess: *variance,
            dark: 0.0,
            n: 250_001.0,
        };
        let rows: Vec<Row> = LADDER.iter().enumerate().map(row).collect();
        let line = Curve { curved: false, with_intercept: true }.solve(&rows.iter().collect::<Vec<_>>(), 0.0).unwrap();
        let (slope, intercept) = (line.c[0], line.intercept.unwrap().0);
        near(slope, 1.280_355_197_7);
        near(intercept, 15.070_743_791);
        let (slope_sigma, intercept_sigma) = (0.001_604_2, 1.998_56);
        assert!((slope - 1.280_332_6).abs() < 0.015 * slope_sigma);
        assert!((intercept - 15.079_39).abs() < 0.005 * intercept_sigma);
        // The truth lies within two standard errors.
        assert!((1.0 / slope - 0.78).abs() < 2.0 * slope_sigma / slope.powi(2));
    }

    // C4.5 goes on: a ladder over a factor of 80 is given a curvature, and starts at the variance of its biases. Values of
    // exact fractions in Python.
    #[test]
    fn c4_5_photon_transfer_curve() {
        let dark = (2.9f64 / 0.78).powi(2) + 1.0 / 12.0;
        let pairs = LADDER.iter().enumerate().map(|(i, [s, v])| pair(vec![cell(i, *s, *v, dark, 250_001)]));
        let (gain, fit) = fitted(&pairs.collect::<Vec<_>>());
        let (value, sigma) = gain.pair().unwrap();
        near(value, 0.780_399_271_7);
        near(fit.curvature_per_adu.value.unwrap(), -2.748_303_61e-8);
        let (intercept, intercept_sigma) = fit.intercept_adu2.pair().unwrap();
        near(intercept, 15.025_193_777);
        // The truth lies within two standard errors, and the light made no curvature.
        assert!((value - 0.78).abs() < 2.0 * sigma && (intercept - dark).abs() < 2.0 * intercept_sigma);
        let (bend, bend_sigma) = fit.curvature_per_adu.pair().unwrap();
        assert!(bend.abs() < 2.0 * bend_sigma);
    }

    // C4.6: closed form and 400 Monte Carlo trials (0.01415) outside this project.
    #[test]
    fn c4_6_relative_error_of_a_gain() {
        let (flat, bias, pixels) = (15_025.0, 25.0, 10_000);
        let one = (2.0 / (pixels as f64 - 1.0)).sqrt();
        // Variances one standard deviation up and down scatter as those of as many pixels do.
        let sides = [[1.0, 1.0], [1.0, -1.0], [-1.0, 1.0], [-1.0, -1.0]];
        let cells: Vec<CellPoint> = (0..4000)
            .map(|i| {
                let [up, dark_up] = sides[i % 4].map(|side| 1.0 + side * one);
                cell(i, 15_000.0, flat * up, bias * dark_up, pixels)
            })
            .collect();
        let n = cells.len() as f64;
        let (value, sigma) = fitted(&[pair(cells)]).0.pair().unwrap();
        assert!((sigma / value * (n - 1.0).sqrt() - 0.014_166_4).abs() < 1e-6, "{value} +- {sigma}");
    }
}
