//! Conversion gain from pairs of equal flats: photon transfer.
//!
//! Sources: Janesick 2001, *Scientific Charge-Coupled Devices* (from memory); EMVA 1288 R3.1 section 6 (definitions).

use std::path::{Path, PathBuf};

use crate::fits::Pixels;
use crate::quantity::Quantity;
use crate::stats;

use super::PhotonTransferPoint;
use super::bias::{BiasSet, CELL_CLIP_SIGMAS, shared_frame_factor};
use super::codes::Histogram;
use super::load::{LoadError, walk};
use super::spread::spread;
use super::tiles::Grid;
use super::vignetting::{FlatCells, Vignetting};

/// The flats' variance must exceed the biases' by this factor: nearer to it, the ratio has no finite moments
/// (Hendrickson et al. 2023, arXiv 2301.08790).
pub(super) const LEAST_VARIANCE_RATIO: f64 = 3.0;
/// Level ratio of a pair outside which the user is warned: a lamp that drifts so far may have changed its colour too.
pub(super) const LEVEL_RATIO: std::ops::RangeInclusive<f64> = 0.9..=1.1;
/// Level ratio beyond which a pair is no pair: linearity then enters.
const USABLE_LEVEL_RATIO: std::ops::RangeInclusive<f64> = 0.5..=2.0;
/// A cell must stay this many of its standard deviations below saturation.
const CLEAR_OF_CLIPPING_SIGMAS: f64 = 5.0;
/// Share of a flat's pixels at saturation that makes it unusable: more than hot pixels make up.
const CLIPPED_FRACTION: f64 = 1e-3;
/// Fewest cells that give a gain with an error that holds.
const FEWEST_CELLS: usize = 8;

/// Gain and read noise from the classic sums over one region of two flats and two biases.
///
/// `gain = (F1 + F2 - B1 - B2) / (sF^2 - sB^2)`, `read = gain sB / sqrt 2`, with the standard deviations of the two
/// differences. Returns (e-/ADU, e-). Source: Howell, *Handbook of CCD Astronomy*, section 4.3.
pub fn two_flats_two_biases(flats: [f64; 2], biases: [f64; 2], sigma_flat: f64, sigma_bias: f64) -> (f64, f64) {
    let signal = flats[0] + flats[1] - biases[0] - biases[1];
    let gain = signal / (sigma_flat * sigma_flat - sigma_bias * sigma_bias);
    (gain, gain * sigma_bias / std::f64::consts::SQRT_2)
}

/// Relative error of a gain from one region: `sqrt(2/(n-1)) sqrt(VF^2 + VB^2) / (VF - VB)`.
///
/// `flat` and `bias` are half the variances of the differences, `n` the number of pixels. Derived; Monte Carlo agrees.
pub fn relative_gain_error(flat: f64, bias: f64, n: usize) -> f64 {
    (2.0 / (n as f64 - 1.0)).sqrt() * flat.hypot(bias) / (flat - bias)
}

/// All flats of one filter, in the order in which they are to be paired.
pub(super) struct FlatGroup {
    pub filter: Option<String>,
    pub paths: Vec<PathBuf>,
}

/// What the flats of one filter say.
#[derive(Debug, Default)]
pub(super) struct FlatOutcome {
    pub points: Vec<PhotonTransferPoint>,
    pub used: usize,
    /// Lowest code at which a flat's pixels piled up, ADU.
    pub pile_up: Option<u32>,
    pub clipped: Vec<PathBuf>,
    /// Pairs whose level ratio is worth a warning: the two frames and the ratio.
    pub mismatched: Vec<([PathBuf; 2], f64)>,
    pub refused: Vec<(PathBuf, LoadError)>,
    /// Fall-off of the light; `None` without a usable flat.
    pub vignetting: Option<Vignetting>,
}

/// Measures the pairs of successive flats of a group. `biases` supplies level and variance of each cell.
pub(super) fn measure(
    group: &FlatGroup,
    biases: Option<&BiasSet>,
    grid: &Grid,
    step: u32,
    saturation_adu: f64,
    progress: &(dyn Fn(&Path) + Sync),
) -> FlatOutcome {
    let mut out = FlatOutcome::default();
    let mut before: Option<(usize, Pixels)> = None;
    let mut cells = FlatCells::default();
    walk(&group.paths, (grid.width, grid.height), progress, |i, frame| {
        let frame = match frame {
            Ok(frame) => frame,
            Err(e) => return out.refused.push((group.paths[i].clone(), e)),
        };
        if let Some(histogram) = Histogram::new(&frame) {
            let pile_up = histogram.pile_up(step);
            out.pile_up = [out.pile_up, pile_up].into_iter().flatten().min();
            let limit = pile_up.map_or(saturation_adu, |p| saturation_adu.min(f64::from(p)));
            if histogram.fraction_from(limit) > CLIPPED_FRACTION {
                return out.clipped.push(group.paths[i].clone());
            }
        }
        out.used += 1;
        cells.add(&frame, grid);
        if let (Some((earlier_index, earlier)), Some(biases)) = (&before, biases) {
            let (mut point, ratio) = pair(earlier, &frame, biases, grid, saturation_adu);
            if !LEVEL_RATIO.contains(&ratio) {
                out.mismatched.push(([group.paths[*earlier_index].clone(), group.paths[i].clone()], ratio));
            }
            point.filter.clone_from(&group.filter);
            out.points.push(point);
        }
        before = Some((i, frame));
    });
    out.vignetting = cells.derive(group.filter.as_ref(), biases.map(|b| b.cell_mean.as_slice()), grid);
    out
}

struct CellSums {
    signal: f64,
    excess: f64,
    mean: f64,
    variance: f64,
    ratio: f64,
}

/// One pair, and the ratio of its levels (first over second).
///
/// In each cell the second flat is brought to the level of the first by `r`; then `var(F1 - r F2) = (S1 + r^2 S2)/g +
/// (1 + r^2) VB`. The gain is the ratio of the sums of both sides over the cells, its error from the cells' scatter.
fn pair(a: &Pixels, b: &Pixels, biases: &BiasSet, grid: &Grid, saturation_adu: f64) -> (PhotonTransferPoint, f64) {
    let rows = biases.mean_row_variance();
    let cells = grid.map_indexed(|i, cell| {
        let bias = biases.cell_mean[i];
        let values = |p: &Pixels| cell.pixels().map(|(x, y)| p.at(x, y) - bias).collect::<Vec<f64>>();
        let (first, second) = (values(a), values(b));
        let (s1, s2) = (spread(&mut first.clone(), 0.0)?, spread(&mut second.clone(), 0.0)?);
        let clear =
            |s: &super::spread::Spread| s.mean + bias + CLEAR_OF_CLIPPING_SIGMAS * s.variance.sqrt() < saturation_adu;
        if s2.mean <= 0.0 || !clear(&s1) || !clear(&s2) {
            return None;
        }
        let ratio = s1.mean / s2.mean;
        let mut difference: Vec<f64> = first.iter().zip(&second).map(|(f, s)| f - ratio * s).collect();
        let v = spread(&mut difference, 0.0)?.variance;
        let weight = 1.0 + ratio * ratio;
        let dark = biases.cell_variance.get(i).copied().filter(|v| v.is_finite())? + rows;
        Some(CellSums {
            signal: s1.mean + ratio * ratio * s2.mean,
            excess: v - weight * dark,
            mean: s1.mean,
            variance: v / weight,
            ratio,
        })
        .filter(|_| v > weight * LEAST_VARIANCE_RATIO * dark)
    });
    let usable: Vec<CellSums> = cells.into_iter().flatten().filter(|c| c.excess > 0.0).collect();
    let ratio = stats::median(&usable.iter().map(|c| c.ratio).collect::<Vec<_>>()).unwrap_or(1.0);
    let single: Vec<f64> = usable.iter().map(|c| c.signal / c.excess).collect();
    let (centre, sigma) = stats::median_and_mad_sigma(&single).unwrap_or((f64::NAN, 0.0));
    let kept: Vec<&CellSums> = usable
        .iter()
        .zip(&single)
        .filter(|(_, g)| (**g - centre).abs() <= CELL_CLIP_SIGMAS * sigma)
        .map(|(c, _)| c)
        .collect();
    let n = kept.len();
    let mean_of = |f: fn(&CellSums) -> f64| kept.iter().map(|c| f(c)).sum::<f64>() / n.max(1) as f64;
    let gain = if n < FEWEST_CELLS {
        Quantity::not_measurable(
            "too few parts of the flats lie well above the read noise and well below saturation; flats at about half of \
             saturation would do",
        )
    } else if !USABLE_LEVEL_RATIO.contains(&ratio) {
        Quantity::not_measurable(format!("the two flats differ in level by a factor of {ratio:.2}"))
    } else {
        let (signal, excess) = (mean_of(|c| c.signal), mean_of(|c| c.excess));
        let gain = signal / excess;
        let scatter: f64 = kept.iter().map(|c| (c.signal - gain * c.excess).powi(2)).sum();
        let error = (scatter / (n as f64 * (n as f64 - 1.0))).sqrt() / excess;
        Quantity::measured(gain, error, "one pair of flats against bias pairs, cell by cell; n counts cells", n)
    };
    let (mean_adu, variance_adu2) = (mean_of(|c| c.mean), mean_of(|c| c.variance));
    (PhotonTransferPoint { mean_adu, variance_adu2, gain_e_per_adu: gain, filter: None }, ratio)
}

/// Weighted mean over the pairs; the error grows where the pairs disagree by more than they state.
pub(super) fn combine(points: &[PhotonTransferPoint]) -> Option<Quantity> {
    let known: Vec<(f64, f64)> =
        points.iter().filter_map(|p| Some((p.gain_e_per_adu.value?, p.gain_e_per_adu.sigma?))).collect();
    let (mean, error) = weighted_mean(&known)?;
    let n = known.len();
    Some(Quantity::measured(
        mean,
        error * shared_frame_factor(n),
        "photon transfer: pairs of flats brought to equal level, bias pairs taken off; n counts pairs",
        n,
    ))
}

/// Weighted mean and its error, grown by `sqrt(chi2/dof)` where that is above 1. `None` when empty.
pub(super) fn weighted_mean(values: &[(f64, f64)]) -> Option<(f64, f64)> {
    let weights: f64 = values.iter().map(|v| v.1.powi(-2)).sum();
    if values.is_empty() || !weights.is_finite() {
        return None;
    }
    let mean = values.iter().map(|v| v.0 * v.1.powi(-2)).sum::<f64>() / weights;
    let chi2: f64 = values.iter().map(|v| ((v.0 - mean) / v.1).powi(2)).sum();
    let grown = if values.len() > 1 { (chi2 / (values.len() - 1) as f64).max(1.0).sqrt() } else { 1.0 };
    Some((mean, grown / weights.sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative tolerance: the values are printed with six to seven digits.
    const PRINTED_DIGITS: f64 = 1e-6;

    fn near(got: f64, want: f64) {
        assert!((got / want - 1.0).abs() < PRINTED_DIGITS, "got {got}, want {want}");
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

    // C4.5: numpy least squares outside this project; true gain 0.78 e-/ADU and read noise 2.9 e-.
    #[test]
    fn c4_5_photon_transfer_line() {
        let x = [500.0, 1000.0, 2000.0, 5000.0, 1e4, 2e4, 3e4, 4e4];
        let y = [655.497, 1292.146, 2583.481, 6441.253, 12763.594, 25560.442, 38489.357, 51250.075];
        let sigma: Vec<f64> = y.iter().map(|v| v * (2.0_f64 / 250_000.0).sqrt()).collect();
        let line = stats::weighted_line(&x, &y, &sigma).unwrap();
        near(line.slope, 1.280_332_6);
        near(1.0 / line.slope, 0.781_047_0);
        assert!((line.slope_sigma - 0.001_604_2).abs() < 1e-7 && (line.intercept - 15.079_39).abs() < 1e-4);
        assert!(
            ((line.intercept - 1.0 / 12.0).sqrt() / line.slope - 3.024_585).abs() < 1e-5
                && (line.chi2 - 7.143_0).abs() < 1e-3
        );
        // The truth lies within two standard errors.
        assert!((1.0 / line.slope - 0.78).abs() < 2.0 * line.slope_sigma / line.slope.powi(2));
    }

    // C4.6: closed form and 400 Monte Carlo trials (0.01415) outside this project.
    #[test]
    fn c4_6_relative_error_of_a_gain() {
        assert!((relative_gain_error(15_025.0, 25.0, 10_000) - 0.014_166_4).abs() < 1e-6);
    }

    #[test]
    fn pairs_that_disagree_widen_the_error() {
        let (mean, error) = weighted_mean(&[(1.0, 0.1), (2.0, 0.1)]).unwrap();
        assert!((mean - 1.5).abs() < 1e-12 && (error - 0.5).abs() < 1e-12);
    }
}
