//! Whether the noise of neighbouring pixels is correlated, and whether the camera's read-out or a processing made it so.

use serde::{Deserialize, Serialize};

use crate::facts::night::NoiseOrigin;
use crate::fits::Pixels;
use crate::stats::{mean_and_std, median_with_error};

use super::Lattice;

/// Side of a block in which the background counts as even, sites.
const BLOCK: usize = 16;
/// Blocks along a side of a tile; the darkest quarter of a tile's blocks stands for its sky.
const BLOCKS: usize = 4;
/// Tiles looked at: r is then known to half a per cent, at a few milliseconds.
const MOST_TILES: usize = 100;
/// Tiles below which nothing is said: a median of fewer is no safe one.
const LEAST_TILES: usize = 8;
/// Distance at which noise counts as independent, sites: beyond any common interpolation kernel's core.
const FAR: usize = 4;
/// Deviations beyond which a pixel is no sky, and rounds of leaving such out.
const OUTLIER_SIGMA: f64 = 4.0;
const ROUNDS: usize = 3;
/// Correlation along both axes that raw frames stay below, beyond their read-out's: the faint stars of a real globular
/// cluster leave up to 0.07 (measured), charge that spreads to neighbours a few hundredths. Errors are then 14 % too small.
const LEAST_ON_BOTH: f64 = 0.08;
/// Correlation along one axis alone that light stays below, beyond the read-out's own: real bias frames reach 0.16 along
/// columns and vary by 0.1 from one to the next (measured).
const LEAST_ON_ONE: f64 = 0.2;
/// Standard errors that it must lie above zero.
const LEAST_SIGMAS: f64 = 5.0;

/// Correlation of the noise of sites next to each other in one colour, each with its error.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NoiseCorrelation {
    /// Along rows: value and one-sigma error.
    pub x: (f64, f64),
    /// Along columns.
    pub y: (f64, f64),
    /// Tiles that it was measured in.
    pub tiles: usize,
}

impl NoiseCorrelation {
    /// Whether it lies above its errors and is larger than that of light on a camera without correlated read-out.
    pub fn is_real(&self) -> bool {
        self.exceeds([(0.0, 0.0); 2])
    }

    /// Where it comes from, by what the same camera shows without light; `None` where there is none to explain.
    ///
    /// A read-out can do it in two ways. Its own noise, added, brings the bias's covariance (ADU^2), hence the bias's
    /// correlation times its share of the variance. A signal path that smears a pixel into the next one correlates the noise
    /// of light as well, by about the bias's correlation. Beyond the second no read-out is known to go.
    pub fn origin(&self, read_out: Option<&ReadOutCorrelation>) -> Option<NoiseOrigin> {
        if !self.is_real() {
            return None;
        }
        let Some(own) = read_out else { return Some(NoiseOrigin::Untold { bias: None }) };
        // Interference a few rows long makes neighbours alike or unlike as its phase drifts: -0.30 in two dark frames of a
        // real camera, +0.22 in two lit ones (measured). Its size is what counts.
        let excused = |share: f64| [own.x, own.y].map(|(r, sigma)| (share * r.abs(), share * sigma));
        let bias = if own.x.0.abs() > own.y.0.abs() { own.x.0 } else { own.y.0 };
        Some(if self.exceeds(excused(1.0)) {
            NoiseOrigin::Processed { bias }
        } else if self.exceeds(excused(own.share_of_variance.clamp(0.0, 1.0))) {
            NoiseOrigin::Untold { bias: Some(bias) }
        } else {
            NoiseOrigin::ReadOut { bias }
        })
    }

    /// Whether it is larger than what is expected along x and y by more than errors and light explain.
    fn exceeds(&self, expected: [(f64, f64); 2]) -> bool {
        let above = |least: f64| [is_above(self.x, expected[0], least), is_above(self.y, expected[1], least)];
        above(LEAST_ON_BOTH) == [true; 2] || above(LEAST_ON_ONE).contains(&true)
    }

    /// Whether it is larger along both axes than the read-out's own, as in the frames without light given, and than charge that
    /// spreads makes it. Banded rows of a flickering lamp raise it along one axis alone.
    pub(crate) fn is_of_smoothing(&self, without_light: &[Self]) -> bool {
        let largest = |axis: fn(&Self) -> (f64, f64)| {
            let sizes = without_light.iter().map(axis).map(|(r, sigma)| (r.abs(), sigma));
            sizes.fold((0.0, 0.0), |largest, own| if own.0 > largest.0 { own } else { largest })
        };
        is_above(self.x, largest(|c| c.x), LEAST_ON_BOTH) && is_above(self.y, largest(|c| c.y), LEAST_ON_BOTH)
    }

    /// The larger of both.
    pub fn strongest(&self) -> f64 {
        self.x.0.max(self.y.0)
    }

    /// How many times too small errors are that take the pixels for independent, for images wide against the kernel.
    ///
    /// The variance of a sum over many pixels is that of independent ones times the sum of the correlations over all
    /// distances: `(1 + 2 rx)(1 + 2 ry)` where only neighbours are correlated, which is exact for bilinear interpolation.
    pub fn error_factor(&self) -> f64 {
        [self.x.0, self.y.0].iter().map(|r| 1.0 + 2.0 * r.max(0.0)).product::<f64>().sqrt()
    }
}

/// Whether a correlation lies above what is expected by so much and by more than errors explain, each with its error.
fn is_above((r, sigma): (f64, f64), (own, own_sigma): (f64, f64), least: f64) -> bool {
    r - own > least && r - own > LEAST_SIGMAS * sigma.hypot(own_sigma)
}

/// What a camera's bias frames show of the correlation of neighbours, each with its error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReadOutCorrelation {
    pub x: (f64, f64),
    pub y: (f64, f64),
    /// Variance of the read noise over that of the light's sky.
    pub share_of_variance: f64,
}

/// Correlation over the star-free sky of a plane; `None` where it is too small or has no noise.
///
/// From the mean square difference V of sites some distance apart: `r = 1 - V(1) / V(4)`, so that slopes hardly matter.
/// Median over tiles.
pub fn noise_correlation(plane: &Pixels, lattice: Lattice) -> Option<NoiseCorrelation> {
    let at = |x: usize, y: usize| plane.at(x, y);
    correlation_of(&Sites::of(&at, plane.dim(), lattice))
}

/// Correlation of the noise in the difference of two frames, in which what both share cancels; of every second site along
/// both axes where the pixels lie under a colour mosaic.
pub(crate) fn correlation_of_difference(a: &Pixels, b: &Pixels, mosaic: bool) -> Option<NoiseCorrelation> {
    let at = |x: usize, y: usize| b.at(x, y) - a.at(x, y);
    correlation_of(&Sites::every(&at, b.dim(), if mosaic { 2 } else { 1 }))
}

/// The same of one frame without light: what does not change from frame to frame is in it.
pub(crate) fn correlation_of_frame(frame: &Pixels, mosaic: bool) -> Option<NoiseCorrelation> {
    let at = |x: usize, y: usize| frame.at(x, y);
    correlation_of(&Sites::every(&at, frame.dim(), if mosaic { 2 } else { 1 }))
}

fn correlation_of(sites: &Sites) -> Option<NoiseCorrelation> {
    let side = BLOCK * BLOCKS;
    let (across, down) = (sites.columns / side, sites.rows / side);
    let every = (across * down).div_ceil(MOST_TILES).max(1);
    let (mut along_x, mut along_y) = (Vec::new(), Vec::new());
    for k in (0..across * down).step_by(every) {
        let [x, y] = sites.tile(k % across * side, k / across * side);
        along_x.extend(x);
        along_y.extend(y);
    }
    let middle = |values: &[f64]| median_with_error(values).filter(|_| values.len() >= LEAST_TILES);
    Some(NoiseCorrelation { x: middle(&along_x)?, y: middle(&along_y)?, tiles: along_x.len() })
}

/// Sites of a lattice as rows and columns without gaps: all pixels, or the greens of the even or odd rows.
struct Sites<'a> {
    /// Value at a column and a row.
    at: &'a dyn Fn(usize, usize) -> f64,
    step: usize,
    first: usize,
    columns: usize,
    rows: usize,
}

/// The sites of a block, row by row.
type Block = [f64; BLOCK * BLOCK];

/// Sums of squared differences and their number at distances of 1 and [`FAR`] sites along x and along y.
#[derive(Default, Clone, Copy)]
struct Differences([[(f64, f64); 2]; 2]);

impl<'a> Sites<'a> {
    fn of(at: &'a dyn Fn(usize, usize) -> f64, (rows, columns): (usize, usize), lattice: Lattice) -> Self {
        let (step, first) = (lattice.pitch(), usize::from(!lattice.holds(0, 0)));
        Self { at, step, first, columns: columns.saturating_sub(first).div_ceil(step), rows: rows.div_ceil(step) }
    }

    fn every(at: &'a dyn Fn(usize, usize) -> f64, (rows, columns): (usize, usize), step: usize) -> Self {
        Self { at, step, first: 0, columns: columns.div_ceil(step), rows: rows.div_ceil(step) }
    }

    /// Correlations along x and y in one tile, from its darkest blocks; `None` where it has no noise there.
    fn tile(&self, left: usize, top: usize) -> [Option<f64>; 2] {
        let mut blocks: Vec<(f64, Block)> = (0..BLOCKS * BLOCKS)
            .filter_map(|k| self.block(left + k % BLOCKS * BLOCK, top + k / BLOCKS * BLOCK))
            .collect();
        // The mean of normal noise tells nothing about its variance: choosing by it favours no value.
        blocks.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut sum = Differences::default();
        for (_, sky) in blocks.iter().take(BLOCKS) {
            for (to, from) in sum.0.iter_mut().flatten().zip(differences(sky).0.iter().flatten()) {
                *to = (to.0 + from.0, to.1 + from.1);
            }
        }
        sum.0.map(|[near, far]| {
            let (near, far) = (near.0 / near.1, far.0 / far.1);
            (far > 0.0 && near.is_finite()).then(|| 1.0 - near / far)
        })
    }

    /// Mean of a block's sky and its values, NaN for what is no sky; `None` where half of it is none.
    fn block(&self, left: usize, top: usize) -> Option<(f64, Block)> {
        let at = |i: usize| (self.at)(self.first + (left + i % BLOCK) * self.step, (top + i / BLOCK) * self.step);
        let mut values: Block = std::array::from_fn(at);
        let mut sky = Vec::with_capacity(values.len());
        for round in 0..=ROUNDS {
            sky.clear();
            sky.extend(values.iter().copied().filter(|v| v.is_finite()));
            let (mean, std) = mean_and_std(&sky)?;
            if round == ROUNDS {
                return (2 * sky.len() > values.len()).then_some((mean, values));
            }
            values.iter_mut().filter(|v| (**v - mean).abs() > OUTLIER_SIGMA * std).for_each(|v| *v = f64::NAN);
        }
        None
    }
}

/// Squared differences of a block along x and y. Noise that whole columns or whole rows share is no correlation of pixels:
/// their means are taken off.
fn differences(values: &Block) -> Differences {
    let (columns, rows) = (without_line_means(values, |i| i % BLOCK), without_line_means(values, |i| i / BLOCK));
    Differences([squares(&columns, 1, |i| i % BLOCK), squares(&rows, BLOCK, |i| i / BLOCK)])
}

/// A block's values less the mean of their line.
fn without_line_means(values: &[f64], line: impl Fn(usize) -> usize) -> Vec<f64> {
    let mut sums = [(0.0, 0.0); BLOCK];
    for (i, v) in values.iter().enumerate().filter(|(_, v)| v.is_finite()) {
        let sum = &mut sums[line(i)];
        *sum = (sum.0 + v, sum.1 + 1.0);
    }
    values.iter().enumerate().map(|(i, v)| v - sums[line(i)].0 / sums[line(i)].1).collect()
}

/// Squared differences at distances of 1 and [`FAR`] sites and their number; `stride` leads to the next site, whose place
/// along the axis `at` tells.
fn squares(values: &[f64], stride: usize, at: impl Fn(usize) -> usize) -> [(f64, f64); 2] {
    [1, FAR].map(|distance| {
        let differences = (0..values.len())
            .filter(|i| at(*i) + distance < BLOCK)
            .map(|i| values[i] - values[i + distance * stride])
            .filter(|d| d.is_finite());
        differences.fold((0.0, 0.0), |(sum, n), d| (sum + d * d, n + 1.0))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;
    use rand::{RngExt, SeedableRng};
    use rand_distr::StandardNormal;
    use rand_xoshiro::Xoshiro256PlusPlus;

    fn noise(sigma: f64, seed: u64) -> Array2<f32> {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
        Array2::from_shape_fn((512, 512), |(y, _)| {
            // A slope, and codes of whole numbers.
            (900.0 + 0.3 * y as f64 + sigma * rng.sample::<f64, _>(StandardNormal)).round() as f32
        })
    }

    #[test]
    fn independent_noise_has_no_correlation_and_its_error_holds() {
        let mut pulls = Vec::new();
        for seed in 0..20 {
            let got = noise_correlation(&Pixels::F32(noise(1.5 + seed as f64, seed)), Lattice::All).unwrap();
            assert!(!got.is_real(), "{got:?}");
            pulls.extend([got.x, got.y].map(|(r, sigma)| r / sigma));
        }
        // 40 pulls: their root mean square is known to 11 %; the error of a MAD of 64 tiles adds 15 %.
        let rms = (pulls.iter().map(|p| p * p).sum::<f64>() / pulls.len() as f64).sqrt();
        assert!((0.6..1.5).contains(&rms), "{rms}");
    }

    #[test]
    fn noise_of_whole_rows_is_no_correlation_of_pixels() {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(7);
        let mut image = noise(5.0, 7);
        for mut row in image.rows_mut() {
            let shift: f64 = rng.sample(StandardNormal);
            row.mapv_inplace(|v| v + shift.round() as f32);
        }
        assert!(!noise_correlation(&Pixels::F32(image), Lattice::All).unwrap().is_real());
    }

    /// A correlation of a light, alike along both axes, known to a hundredth.
    fn of_light(r: f64) -> NoiseCorrelation {
        NoiseCorrelation { x: (r, 0.01), y: (r, 0.01), tiles: 64 }
    }

    fn own(x: f64, y: f64, share_of_variance: f64) -> ReadOutCorrelation {
        ReadOutCorrelation { x: (x, 0.005), y: (y, 0.005), share_of_variance }
    }

    // Bias frames of a real camera have 0.08 to 0.14, its lights 0.14 to 0.19 (measured).
    #[test]
    fn a_light_is_called_processed_only_beyond_what_the_bias_frames_show() {
        assert_eq!(of_light(0.03).origin(None), None);
        assert_eq!(of_light(0.17).origin(None), Some(NoiseOrigin::Untold { bias: None }));
        // Nearly all of the noise is the read-out's: its covariance explains that of the light.
        let bias = 0.14;
        let by_read_out = of_light(0.17).origin(Some(&own(bias, 0.12, 0.8)));
        assert_eq!(by_read_out, Some(NoiseOrigin::ReadOut { bias }));
        // A tenth of it: 0.014 are explained, the rest only if the signal path smears light too.
        let untold = of_light(0.17).origin(Some(&own(bias, 0.12, 0.1)));
        assert_eq!(untold, Some(NoiseOrigin::Untold { bias: Some(bias) }));
        let processed = of_light(0.3).origin(Some(&own(bias, 0.12, 0.1)));
        assert_eq!(processed, Some(NoiseOrigin::Processed { bias }));
        assert_eq!(of_light(0.17).origin(Some(&own(0.0, 0.01, 0.1))), Some(NoiseOrigin::Processed { bias: 0.01 }));
        // Neighbours that are unlike in the bias are an excuse by as much, and no accusation.
        let unlike = own(0.01, -0.3, 1.0);
        assert_eq!(of_light(0.03).origin(Some(&unlike)), None);
        let along_columns = |r| NoiseCorrelation { x: (-0.1, 0.01), y: (r, 0.01), tiles: 64 };
        assert_eq!(along_columns(0.22).origin(Some(&unlike)), Some(NoiseOrigin::ReadOut { bias: -0.3 }));
        assert_eq!(along_columns(0.55).origin(Some(&unlike)), Some(NoiseOrigin::Processed { bias: -0.3 }));
    }

    #[test]
    fn a_pattern_that_two_frames_share_is_no_correlation_of_their_difference() {
        let pattern = |x: usize, y: usize| if (x / 3 + y / 3).is_multiple_of(2) { 12.0 } else { 0.0 };
        let frame = |seed| {
            let mut image = noise(5.0, seed);
            image.indexed_iter_mut().for_each(|((y, x), v)| *v += pattern(x, y));
            Pixels::F32(image)
        };
        let (a, b) = (frame(31), frame(32));
        assert!(correlation_of_frame(&a, false).unwrap().is_real());
        let got = correlation_of_difference(&a, &b, false).unwrap();
        assert!(!got.is_real() && got.strongest() < 0.02, "{got:?}");
        // 256 sites along a side of a mosaic's colour hold four tiles by four.
        assert_eq!(correlation_of_difference(&a, &b, true).unwrap().tiles, 16);
    }

    #[test]
    fn nothing_is_said_of_small_or_noiseless_frames() {
        assert_eq!(noise_correlation(&Pixels::F32(Array2::from_elem((512, 512), 7.0)), Lattice::All), None);
        assert_eq!(noise_correlation(&Pixels::F32(Array2::zeros((20, 20))), Lattice::All), None);
    }
}
