//! Photon transfer over all flats at all levels: one curve through the cells of all pairs.
//!
//! EMVA 1288 (R3.1, definitions from memory): `s_y^2 - s_y.dark^2 = K (m_y - m_y.dark)` with the system gain K in DN/e-, the
//! inverse of the gain in e-/ADU used here, fitted up to 70 % of saturation. Departures: tiles instead of whole frames, so
//! that vignetting does no harm and spreads the levels; weights from the variance of a variance; the dark variance of each
//! tile is taken off that tile; where the levels span a factor of three a curvature is fitted too, `s^2 / g (1 + k s)`, since
//! charge that spreads to neighbours as a pixel fills (brighter-fatter effect) lowers the variance by several per cent.
//! Errors come from the scatter of whole tiles over all pairs (sandwich with clusters: Liang & Zeger 1986, from memory), so
//! that what pairs share, a frame or a tile's dark variance, is contained.

use nalgebra::{DMatrix, DVector};
use serde::{Deserialize, Serialize};

use crate::facts::Quantity;
use crate::stats;

use super::flat_pair::{CellPoint, FlatPair};
use crate::sensor::bias::pairs::CELL_CLIP_SIGMAS;

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
/// Rounds of weighing and clipping; they settle in three.
const ROUNDS: usize = 6;
/// Levels that differ by less than this share make one bin when the departure is looked for.
const BIN_SHARE: f64 = 0.03;
/// Fewest cells of a bin.
const BIN_CELLS: usize = 4;
/// Shortfall of the variance that is called a departure, and its significance.
const DEPARTURE_SHARE: f64 = 0.05;
const DEPARTURE_ERRORS: f64 = 4.0;
/// Scatter of the pairs about the curve in its own standard errors that widens the errors: chance exceeds it in 1 of 700.
const MISFIT_ERRORS: f64 = 3.0;

/// The curve and what it says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TransferFit {
    /// System gain K of EMVA 1288: slope of the variance against the signal at no signal, ADU/e-.
    pub system_gain_adu_per_e: Quantity,
    /// Variance without light as the flats alone extrapolate it, ADU^2: to be compared with that of the bias frames.
    pub intercept_adu2: Quantity,
    /// Relative change of the variance per ADU of signal: `variance = dark + signal / gain (1 + curvature signal)`.
    pub curvature_per_adu: Quantity,
    /// Signal at which the variance falls 5 % short of the curve: pixels are full or clipped, ADU above bias.
    pub full_well_adu: Quantity,
    /// The same, e-.
    pub full_well_e: Quantity,
    /// Least and greatest signal of the cells that were fitted, ADU above bias.
    pub range_adu: [f64; 2],
    /// Sum of squared residuals over their variances per degree of freedom: 1 where noise alone scatters the cells.
    pub chi2_per_degree: f64,
    /// Variance without light, from the bias frames, ADU^2: where the curve starts.
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

struct Row {
    cell: usize,
    /// Pair and colour.
    level: usize,
    signal: f64,
    square: f64,
    /// Variance above the dark one.
    excess: f64,
    dark: f64,
    n: f64,
}

/// Coefficients of `excess = c0 signal + c1 signal^2` (or of the first alone) with their covariance.
struct Solved {
    c: [f64; 2],
    covariance: [[f64; 2]; 2],
    chi2_per_degree: f64,
    /// Whether whole levels lie off the curve by more than chance.
    levels_stray: bool,
    /// Intercept and its error where it is free.
    intercept: Option<(f64, f64)>,
    kept: Vec<usize>,
}

/// Gain in e-/ADU and the curve; the reason where there is none.
pub(crate) fn fit(input: &FittedPairs) -> Result<(Quantity, TransferFit), String> {
    let rows = rows(input);
    if rows.len() < FEWEST_CELLS {
        return Err(
            "too few parts of the flats lie well below saturation; flats at about half of saturation would do".into()
        );
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
    let solved = solve(&used, curved, false, input.dark_sigma_adu2)
        .filter(|s| s.kept.len() >= FEWEST_CELLS && s.c[0] > 0.0)
        .ok_or("the flats' variance does not grow with their signal")?;
    let sigma = solved.covariance[0][0].sqrt();
    let relative = sigma / solved.c[0];
    if relative > 1.0 / LEAST_EXCESS_ERRORS {
        return Err("the flats' noise hardly exceeds that of the bias frames; brighter flats, at about half of \
                    saturation, would do"
            .into());
    }
    let gain = 1.0 / solved.c[0];
    let n = input.pairs.len();
    let method = if curved {
        "photon transfer: variance against signal of level-matched pairs of flats, tile by tile, with a curvature; n counts pairs"
    } else {
        "photon transfer: pairs of flats brought to equal level, tile by tile, bias pairs taken off; n counts pairs"
    };
    let mut quantity = Quantity::measured(gain, gain * relative, method, n);
    if solved.levels_stray {
        quantity = quantity.noted("the levels stray from one curve by more than their errors, which were widened");
    }
    let one_level =
        "the flats' levels span less than a factor of three; flats at a tenth of saturation would supply it";
    let dark = stats::mean_and_std(&used.iter().map(|r| r.dark).collect::<Vec<_>>()).map_or(0.0, |m| m.0);
    let (curvature, intercept) = if curved {
        let k = solved.c[1] / solved.c[0];
        let c = &solved.covariance;
        let variance = c[1][1] - 2.0 * k * c[0][1] + k * k * c[0][0];
        let curvature = Quantity::measured(k, variance.max(0.0).sqrt() / solved.c[0], method, n);
        let free = solve(&used, true, true, 0.0).and_then(|s| s.intercept);
        let intercept = free.map_or_else(
            || Quantity::not_measurable(one_level),
            |(v, s)| Quantity::measured(v + dark, s, "curve through the flats alone, at no signal; n counts pairs", n),
        );
        (curvature, intercept)
    } else {
        (Quantity::not_measurable(one_level), Quantity::not_measurable(one_level))
    };
    let full_well = departure(&bins, &solved, limit);
    let fitted: Vec<f64> = solved.kept.iter().map(|i| used[*i].signal).collect();
    let fit = TransferFit {
        system_gain_adu_per_e: Quantity::measured(solved.c[0], sigma, method, n),
        intercept_adu2: intercept,
        curvature_per_adu: curvature,
        full_well_e: full_well.times(&quantity, "signal at which the variance falls short, times gain"),
        full_well_adu: full_well,
        range_adu: [fitted.iter().copied().fold(f64::MAX, f64::min), fitted.iter().copied().fold(0.0, f64::max)],
        chi2_per_degree: solved.chi2_per_degree,
        dark_variance_adu2: dark,
    };
    Ok((quantity, fit))
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
        return Quantity::not_measurable(format!(
            "up to {brightest:.0} ADU above bias the variance follows the light; brighter flats would show where it stops"
        ));
    };
    let good = bins.iter().rev().nth(beyond.len()).map_or(0.0, |b| b.signal);
    let (middle, half) = (0.5 * (good + first.signal), 0.5 * (first.signal - good));
    // Anywhere between the last level on the curve and the first below it: an even law over that gap.
    Quantity::measured(
        middle,
        half / 3f64.sqrt(),
        "between the last level on the photon transfer curve and the first below it; n counts levels",
        bins.len(),
    )
}

/// Weighted least squares with clipping; the errors are those of whole cells.
fn solve(rows: &[&Row], curved: bool, with_intercept: bool, dark_sigma: f64) -> Option<Solved> {
    let terms = 1 + usize::from(curved) + usize::from(with_intercept);
    let basis = |r: &Row| {
        let mut x = vec![r.signal];
        x.extend(curved.then_some(r.square));
        x.extend(with_intercept.then_some(1.0));
        DVector::from_vec(x)
    };
    // The brighter half says enough for a start; a median, since dust that moved may spoil any cell but not most.
    let bright = stats::median(&rows.iter().map(|r| r.signal).collect::<Vec<_>>())?;
    let slopes = rows.iter().filter(|r| r.signal >= bright).map(|r| r.excess / r.signal);
    let mut c = DVector::zeros(terms);
    c[0] = stats::median(&slopes.collect::<Vec<_>>())?.max(1e-9);
    let mut kept: Vec<usize> = Vec::new();
    let mut normal = DMatrix::zeros(terms, terms);
    // Variance of a variance from n values of which a window of 3 sigma was used, with the curve's variance for the true one.
    let sigma = |r: &Row, c: &DVector<f64>| {
        let shot = (basis(r).dot(c)).max(0.01 * c[0] * r.signal);
        (2.0 / (r.n - 1.0)).sqrt() * (shot + r.dark)
    };
    let mut previous = c.clone();
    for _ in 0..ROUNDS {
        let z: Vec<f64> = rows.iter().map(|r| (r.excess - basis(r).dot(&c)) / sigma(r, &c)).collect();
        let (middle, spread) = stats::median_and_mad_sigma(&z)?;
        kept = (0..rows.len()).filter(|i| (z[*i] - middle).abs() <= CELL_CLIP_SIGMAS * spread.max(1.0)).collect();
        let weights = c.clone();
        normal = DMatrix::zeros(terms, terms);
        let mut right = DVector::zeros(terms);
        for r in kept.iter().map(|i| rows[*i]) {
            let (x, w) = (basis(r), sigma(r, &weights).powi(-2));
            normal += w * &x * x.transpose();
            right += w * r.excess * x;
        }
        c = normal.clone().cholesky()?.solve(&right);
        previous = weights;
    }
    let inverse = normal.try_inverse()?;
    let mut clusters = std::collections::BTreeMap::new();
    let mut by_level = std::collections::BTreeMap::new();
    let mut common = DVector::zeros(terms);
    let mut chi2 = 0.0;
    for r in kept.iter().map(|i| rows[*i]) {
        let (x, s) = (basis(r), sigma(r, &previous));
        let residual = r.excess - x.dot(&c);
        chi2 += (residual / s).powi(2);
        *clusters.entry(r.cell).or_insert_with(|| DVector::zeros(terms)) += residual / (s * s) * &x;
        common += &x / (s * s);
        let level = by_level.entry(r.level).or_insert((0.0, 0.0));
        *level = (level.0 + residual / (s * s), level.1 + 1.0 / (s * s));
    }
    let groups = clusters.len() as f64;
    let mut meat = DMatrix::zeros(terms, terms);
    clusters.values().for_each(|u: &DVector<f64>| meat += u * u.transpose());
    let scale = groups / (groups - terms as f64).max(1.0);
    let shared = &inverse * common;
    let mut covariance = scale * &inverse * meat * &inverse + dark_sigma * dark_sigma * &shared * shared.transpose();
    let degrees = (kept.len() as f64 - terms as f64).max(1.0);
    let chi2_per_degree = chi2 / degrees;
    // Levels that stray from the curve as a whole: a lamp, a shutter or another curvature. Their errors follow from the cells'.
    let free = by_level.len() as f64 - terms as f64;
    let strays: f64 = by_level.values().map(|(sum, weight): &(f64, f64)| sum * sum / weight).sum::<f64>()
        / chi2_per_degree.max(f64::MIN_POSITIVE);
    let levels_stray = free >= 1.0 && strays / free > 1.0 + MISFIT_ERRORS * (2.0 / free).sqrt();
    if levels_stray {
        covariance *= strays / free;
    }
    let last = terms - 1;
    Some(Solved {
        c: [c[0], if curved { c[1] } else { 0.0 }],
        covariance: if curved {
            [[covariance[(0, 0)], covariance[(0, 1)]], [covariance[(0, 1)], covariance[(1, 1)]]]
        } else {
            [[covariance[(0, 0)], 0.0], [0.0, 0.0]]
        },
        chi2_per_degree,
        levels_stray,
        intercept: with_intercept.then(|| (c[last], covariance[(last, last)].sqrt())),
        kept,
    })
}
