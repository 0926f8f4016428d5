//! Dark frames of one temperature: mean level of the pixels that are not hot, pair variances, glow, and the charge of
//! every pixel. Three frames and four planes are in memory at most, however many frames there are.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::fits::Pixels;
use crate::stats;

use super::charge::Charge;
use super::criteria::EXPOSURE_LEVER;
use super::dark_mask::{HOT_NOISE_SIGMAS, HOT_TIMES_TYPICAL, Mask};
use super::dark_pass::Pass;
use super::glow::{Glow, GlowLevel, glow};
use super::pixel_map::{MapInput, PixelMap};
use crate::sensor::bias::mean_bias::Pattern;
use crate::sensor::bias::pairs::combine_cells;
use crate::sensor::plane::load::{LoadError, walk};
use crate::sensor::plane::spread::{Spread, spread};
use crate::sensor::plane::tiles::TileGrid;
use crate::sensor::plane::windowed::{Moments, Window};

/// Strides of the first look at a frame: primes, so that no column is favoured.
const STRIDES: [usize; 6] = [37, 101, 211, 401, 809, 1601];
/// Pixels that a first look takes at most: they give the level to 1/250 of the noise.
const LOOKED_AT: usize = 65_536;

/// A dark frame to measure.
#[derive(Debug, Clone)]
pub(crate) struct Dark {
    pub path: PathBuf,
    pub exposure_s: f64,
    pub celsius: Option<f64>,
}

/// Mean level of one dark over the pixels that are neither hot nor in the glow, bias taken off, ADU.
#[derive(Debug, Clone, Copy, Default, PartialEq, JsonSchema)]
pub(crate) struct Level {
    pub exposure_s: f64,
    pub adu: f64,
    /// Error of the level as that of these very pixels: what differs from pixel to pixel is no part of it.
    pub sigma: f64,
    /// Pixels in the mean.
    pub pixels: f64,
    /// Temperature of this very frame, C.
    pub celsius: Option<f64>,
}

/// Variance of one frame from a pair of equal exposure, ADU^2.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct PairNoise {
    pub exposure_s: f64,
    pub variance: f64,
    pub sigma: f64,
    /// Mean temperature of the two, C.
    pub celsius: Option<f64>,
}

/// What the darks of one temperature say.
#[derive(Debug, Clone, Default)]
pub(crate) struct DarkSet {
    /// Mean temperature weighted by exposure, since the long exposures make the slope, C.
    pub celsius: Option<f64>,
    /// Standard error of that mean, C.
    pub celsius_sigma: f64,
    pub levels: Vec<Level>,
    pub variances: Vec<PairNoise>,
    /// Number of hot pixels and of pixels looked at.
    pub hot: (usize, usize),
    /// Level above the typical one at which a pixel of the longest dark is called hot, ADU.
    pub hot_excess_adu: f64,
    /// Exposure of the longest dark, s.
    pub longest_s: f64,
    pub glow: Option<Glow>,
    /// Error of the rate that glow beyond the cells left out makes, ADU/s.
    pub glow_sigma_adu_per_s: f64,
    /// Whether the mean bias of this temperature was taken off pixel by pixel.
    pub has_bias: bool,
    /// The pixels one by one.
    pub pixels: Option<PixelMap>,
}

/// What all sets of a sensor share.
pub(crate) struct DarkInput<'a> {
    pub grid: &'a TileGrid,
    /// Step between codes, 0 for continuous values.
    pub step: u32,
    /// Level at which a pixel is full, ADU.
    pub saturation_adu: f64,
    pub progress: &'a (dyn Fn(&Path) + Sync),
}

/// Measures the darks of one temperature, longest first; `follow` names pixels whose rates are wanted.
pub(crate) fn measure(
    darks: &[Dark],
    pattern: Option<&Pattern>,
    follow: &[u32],
    input: &DarkInput,
    refuse: &mut Vec<(PathBuf, LoadError)>,
) -> DarkSet {
    let mut darks = darks.to_vec();
    darks.sort_by(|a, b| b.exposure_s.total_cmp(&a.exposure_s).then_with(|| a.path.cmp(&b.path)));
    let (celsius, celsius_sigma) = mean_temperature(&darks);
    let has_bias = pattern.is_some_and(|p| p.own);
    let mut set = DarkSet { celsius, celsius_sigma, has_bias, ..DarkSet::default() };
    let paths: Vec<PathBuf> = darks.iter().map(|d| d.path.clone()).collect();
    let size = (input.grid.width, input.grid.height);
    let mut work = Work::new(pattern, input);
    walk(&paths, size, input.progress, |i, frame| match frame {
        Ok(frame) => work.add(&mut set, &darks[i], frame),
        Err(e) => refuse.push((paths[i].clone(), e)),
    });
    work.finish(&mut set, follow);
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

/// What is in memory while the darks of one temperature go by.
struct Work<'a> {
    input: &'a DarkInput<'a>,
    pattern: Option<&'a Pattern>,
    mask: Option<Mask>,
    before: Option<(Dark, Arc<Pixels>)>,
    long: Charge,
    short: Charge,
    glow: Vec<GlowLevel>,
    /// Excess of the cells that glow in the first frame, which is one of the longest, ADU.
    longest_excess: Option<f64>,
}

impl<'a> Work<'a> {
    fn new(pattern: Option<&'a Pattern>, input: &'a DarkInput<'a>) -> Self {
        let (long, short) = (Charge::default(), Charge::default());
        Self { input, pattern, mask: None, before: None, long, short, glow: Vec::new(), longest_excess: None }
    }

    fn add(&mut self, set: &mut DarkSet, dark: &Dark, frame: Arc<Pixels>) {
        let (grid, step) = (self.input.grid, f64::from(self.input.step));
        // The mean of n biases divides the step between codes by n.
        let fine_step = step / self.pattern.map_or(1.0, |p| p.frames as f64);
        let pattern = self.pattern;
        let mask = self.mask.get_or_insert_with(|| Mask::new(&frame, pattern, grid, fine_step, dark.exposure_s));
        let mean = pattern.map(|p| p.mean.as_slice());
        let Some(look) = first_look(&mask.good, |i| {
            frame.at(i % grid.width, i / grid.width) - mean.map_or(0.0, |m| f64::from(m[i]))
        }) else {
            return;
        };
        // A limit that no pixel of the mask's frame would pass leaves cosmic rays out.
        let warm = (HOT_TIMES_TYPICAL - 1.0) * mask.typical_adu * dark.exposure_s / mask.longest_s;
        let noise = mask.noise_adu.max(look.variance.sqrt());
        // Without a bias the fixed pattern and its gradients are still there: the limit is twice as wide.
        let limit_adu = warm + HOT_NOISE_SIGMAS * noise * if pattern.is_some() { 1.0 } else { 2.0 };
        let before = self.before.as_ref().filter(|(b, _)| b.exposure_s == dark.exposure_s);
        let pair = before.and_then(|(_, earlier)| {
            let difference = |i: usize| {
                let (x, y) = (i % grid.width, i / grid.width);
                frame.at(x, y) - earlier.at(x, y)
            };
            let look = first_look(&mask.good, difference)?;
            // A whole number of codes, so that differences stay whole.
            let centre = if step > 0.0 { (look.mean / step).round() * step } else { look.mean };
            Some((&**earlier, centre, Window::about(&Spread { mean: look.mean - centre, ..look }, step, 0.0)))
        });
        let is_long = dark.exposure_s * EXPOSURE_LEVER > mask.longest_s;
        let charge = if is_long { &mut self.long } else { &mut self.short };
        let add = charge.begin(grid.width * grid.height, dark.exposure_s, look.variance.sqrt());
        let window = pair.as_ref().map(|p| p.2);
        let pass = Pass {
            frame: &frame,
            pattern: mean,
            good: &mask.good,
            level_adu: look.mean,
            limit_adu,
            glows: &mask.glows,
            before: pair,
            add: Some(add),
        };
        let passed = pass.run(grid, &mut charge.sum);
        let mut all = Moments::default();
        passed.level.iter().zip(&mask.glows).filter(|(_, g)| !**g).for_each(|(m, _)| all.add(*m));
        if let (Some(above), Some(variance)) = (all.mean(), all.variance()) {
            // Of another temperature's bias the shape is taken off, not the level.
            let raised = pattern.filter(|p| !p.own).map_or(0.0, |p| p.level_adu);
            let glow = GlowLevel::of(&passed.level, mask, above, dark.exposure_s);
            let excess = glow.map_or(0.0, |g| g.excess_adu);
            let longest = *self.longest_excess.get_or_insert(excess);
            let share = if longest > 0.0 { excess / longest } else { 0.0 };
            let faint_glow = mask.beyond.map_or(0.0, |b| share * b.adu);
            if let Some(beyond) = mask.beyond.filter(|_| dark.exposure_s == mask.longest_s) {
                set.glow_sigma_adu_per_s = beyond.sigma / dark.exposure_s;
            }
            let adu = look.mean + above + raised - faint_glow;
            let sigma = (variance / all.n).sqrt();
            let (exposure_s, pixels, celsius) = (dark.exposure_s, all.n, dark.celsius);
            set.levels.push(Level { exposure_s, adu, sigma, pixels, celsius });
            self.glow.extend(glow);
        }
        if let Some(window) = window {
            let undone = passed.difference.iter().zip(&mask.glows).filter(|(_, g)| !**g);
            let cells: Vec<f64> = undone.filter_map(|(m, _)| Some(0.5 * window.undo(m)?.variance)).collect();
            if let Some(v) = combine_cells(&cells) {
                let earlier = before.and_then(|(b, _)| b.celsius);
                let celsius = earlier.zip(dark.celsius).map(|(a, b)| 0.5 * (a + b));
                let (exposure_s, variance, sigma) = (dark.exposure_s, v.variance, v.sigma);
                set.variances.push(PairNoise { exposure_s, variance, sigma, celsius });
            }
        }
        self.before = Some((dark.clone(), frame));
    }

    fn finish(self, set: &mut DarkSet, follow: &[u32]) {
        let Some(mask) = self.mask else { return };
        drop(self.before);
        // The scatter over the pixels holds their own differences, which are there in every frame; pairs tell the noise.
        for level in &mut set.levels {
            let same = set.variances.iter().filter(|p| p.exposure_s == level.exposure_s).map(|p| p.variance);
            if let Some((variance, _)) = stats::mean_and_std(&same.collect::<Vec<_>>()) {
                level.sigma = (variance / level.pixels).sqrt();
            }
        }
        (set.hot, set.hot_excess_adu, set.longest_s) = (mask.hot, mask.excess_adu, mask.longest_s);
        set.glow = glow(&mask, self.input.grid, &self.glow);
        let long_pairs: Vec<&PairNoise> =
            set.variances.iter().filter(|p| p.exposure_s * EXPOSURE_LEVER > mask.longest_s).collect();
        let n = long_pairs.len() as f64;
        let variance = match long_pairs.len() {
            0 => (mask.noise_adu.powi(2), None),
            _ => {
                let mean = long_pairs.iter().map(|p| p.variance).sum::<f64>() / n;
                (mean, Some(long_pairs.iter().map(|p| p.sigma.powi(2)).sum::<f64>().sqrt() / n / mean))
            }
        };
        let bias_variance = self.pattern.and_then(|p| Some(p.variance_adu2? / p.frames as f64)).unwrap_or(0.0);
        let level = self.pattern.map_or(0.0, |p| p.level_adu);
        let typical = set.levels.iter().filter(|l| l.exposure_s == mask.longest_s).map(|l| l.adu).next().unwrap_or(0.0);
        let typical = if self.pattern.is_some_and(|p| p.own) { level + typical } else { typical };
        set.pixels = MapInput {
            grid: self.input.grid,
            mask: &mask,
            long: &self.long,
            short: &self.short,
            has_pattern: self.pattern.is_some(),
            variance,
            bias_variance,
            full_adu: self.input.saturation_adu - typical,
            follow,
        }
        .reduce();
    }
}

/// Mean and spread of a sample of the good pixels.
fn first_look(good: &[u8], value: impl Fn(usize) -> f64) -> Option<Spread> {
    let stride = STRIDES.into_iter().find(|s| good.len() / s <= LOOKED_AT).unwrap_or(STRIDES[5]);
    let mut sample: Vec<f64> = (0..good.len()).step_by(stride).filter(|i| good[*i] != 0).map(value).collect();
    spread(&mut sample, 0.0)
}
use schemars::JsonSchema;
