//! A first look at a frame from a sample of its rows: level, range, and whether its header's kind can be true.

use serde::{Deserialize, Serialize};

use crate::fits::{FitsError, ImageFile};
use crate::folder::FrameKind;
use crate::stats::{mean_and_std, median_mut};

/// Rows looked at: enough for a level good to 1 % of the noise, few enough to cost a small part of a full read.
const ROWS: usize = 48;
/// Half width of the running window that takes out shading along a row, px.
const WINDOW_HALF_PX: usize = 15;
/// Deviations from the window's mean, in sigma, that count as bright outliers (stars, hot pixels).
const OUTLIER_SIGMA: f64 = 6.0;
/// Level, ADU, that only a lit frame reaches, whatever its bias: a tenth of the 16-bit range.
const LIT_ADU: f64 = 6_500.0;
/// Height over the row's level that tells a star from dust, scratches and uneven pixels of a flat: those are a few per
/// cent of the light, spots on real flats up to 14 %.
const OUTLIER_SHARE: f64 = 0.25;
/// Share of an outlier's height that a neighbour lit by the same star has: half a pixel beyond a peak's edge stars of 1.5 px have it.
const LIT_NEIGHBOUR: f64 = 0.3;
/// Pixels in a row that a star lights at most so far above its surroundings: all but the brightest few light fewer.
const MOST_RUN_PX: usize = 12;
/// Share of the outliers with such a neighbour, and their number, from which they are stars: one hot pixel in fifty has one by chance
/// where 1 % are hot, charge that spreads makes it one in five.
const STAR_LIKE_SHARE: f64 = 0.5;
const LEAST_OUTLIERS: usize = 20;
/// Highest gain of a 16-bit camera, e-/ADU: less noise than it makes is a pedestal's, not light's (common practice, no source).
pub const HIGHEST_GAIN_E_PER_ADU: f64 = 20.0;
/// Share of bright outliers below which a lit frame holds no stars (a star field has 1e-4 or more; from trials).
const STARLESS_FRACTION: f64 = 3e-5;

/// Fewest faint peaks that make stars: cosmic rays leave a few in a sample of rows; and their share of all peaks.
const LEAST_FAINT: usize = 12;
const FAINT_SHARE: f64 = 0.1;
/// Height of a neighbour, in sigma and over the peak's, from which it is lit: half a pixel off its middle a star of 1.5 px lights the farther
/// one to a tenth.
const NEIGHBOUR_SIGMA: f64 = 3.0;
const LIT_ON_BOTH_SIDES: f64 = 0.1;

/// Share of pixels between whole numbers from which a frame holds no codes of a camera: of a mean of two frames it is a half.
const FRACTIONAL_SHARE: f64 = 0.1;

/// What a sample of rows tells.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Survey {
    /// Median, ADU.
    pub level_adu: f64,
    /// Medians of the sites of the 2x2 cells, along the rows from the first pixel on, ADU.
    pub sites_adu: [f64; 4],
    /// Lowest finite value, ADU.
    pub lowest_adu: f64,
    /// Highest finite value, ADU.
    pub highest_adu: f64,
    /// Share of pixels that stand out above their row neighbours by six sigma and a quarter of the level.
    pub bright_outlier_fraction: f64,
    /// Share of those that light a neighbour in their row as well: stars do, hot pixels hardly ever.
    pub star_like_share: f64,
    /// Whether those that light a neighbour lie in all halves of the frame: a glow that no window follows fills a corner or a side.
    pub star_like_everywhere: bool,
    /// Pixels of the sample that stand out.
    pub bright_outliers: usize,
    /// What stands out above the noise in the sample, however little that is beside the level.
    pub faint_peaks: FaintPeaks,
    /// Noise of a pixel against its row neighbours, ADU.
    pub sigma_adu: f64,
    /// Share of pixels without a finite value.
    pub undefined_fraction: f64,
    /// Share of pixels whose value lies between whole numbers.
    pub fractional_fraction: f64,
}

impl Survey {
    /// Whether the numbers are no codes of a camera: most lie between whole ones.
    pub fn is_fractional(&self) -> bool {
        self.fractional_fraction > FRACTIONAL_SHARE
    }
}

/// Peaks along rows that stand out above six sigma.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct FaintPeaks {
    pub all: usize,
    /// Those that light the neighbours on both sides.
    pub star_like: usize,
    /// Whether these lie in all halves of the frame.
    pub everywhere: bool,
}

/// Reads evenly spaced rows of the first plane and sums them up. `None` when no pixel is finite.
///
/// # Errors
///
/// The pixels cannot be read.
pub fn survey(file: &mut ImageFile) -> Result<Option<Survey>, FitsError> {
    let g = file.geometry;
    // An odd step visits the even and the odd rows of a mosaic's cells.
    let step = (g.height / ROWS).max(1) | 1;
    let mut sites = [const { Vec::new() }; 4];
    let (mut found, mut faint) = (Outliers::default(), Outliers::default());
    let (mut seen, mut undefined) = (0usize, 0usize);
    let mut sigmas = Vec::new();
    let mut row = vec![0f32; g.width];
    for y in (step / 2..g.height).step_by(step) {
        file.rows(0, y, 1)?.copy_row(0, &mut row);
        let finite: Vec<f64> = row.iter().filter(|v| v.is_finite()).map(|v| f64::from(*v)).collect();
        for (x, value) in row.iter().enumerate().filter(|(_, v)| v.is_finite()) {
            sites[(y % 2) * 2 + x % 2].push(f64::from(*value));
        }
        undefined += row.len() - finite.len();
        seen += finite.len();
        if let Some(row) = RowNoise::of(&finite) {
            let half = usize::from(y >= g.height / 2);
            sigmas.push(row.sigma);
            found.add(row.outliers((OUTLIER_SIGMA * row.sigma).max(OUTLIER_SHARE * row.level)), half);
            faint.add(row.peaks(), half);
        }
    }
    let mut all: Vec<f64> = sites.concat();
    let fold = |start: f64, pick: fn(f64, f64) -> f64| all.iter().copied().fold(start, pick);
    let (lowest_adu, highest_adu) = (fold(f64::INFINITY, f64::min), fold(f64::NEG_INFINITY, f64::max));
    let fractional = all.iter().filter(|v| v.fract() != 0.0).count();
    Ok(median_mut(&mut all).map(|level_adu| Survey {
        level_adu,
        sites_adu: sites.map(|mut site| median_mut(&mut site).unwrap_or(level_adu)),
        lowest_adu,
        highest_adu,
        bright_outlier_fraction: found.all as f64 / seen.max(1) as f64,
        star_like_share: found.star_like as f64 / found.all.max(1) as f64,
        star_like_everywhere: found.are_everywhere(),
        bright_outliers: found.all,
        faint_peaks: FaintPeaks { all: faint.all, star_like: faint.star_like, everywhere: faint.are_everywhere() },
        sigma_adu: median_mut(&mut sigmas).unwrap_or(0.0),
        undefined_fraction: undefined as f64 / (seen + undefined).max(1) as f64,
        fractional_fraction: fractional as f64 / seen.max(1) as f64,
    }))
}

/// Pixels that stand out, and those among them that light a neighbour.
#[derive(Debug, Clone, Copy, Default)]
struct Outliers {
    all: usize,
    star_like: usize,
    /// Star-like ones of the left and right half, and of the lower and upper rows.
    columns: [usize; 2],
    rows: [usize; 2],
}

/// Share of the star-like outliers that each half of the frame must have.
const LEAST_OF_A_HALF: f64 = 0.1;

impl Outliers {
    /// Adds those of a row, which lies in the first or second half of the rows.
    fn add(&mut self, row: Self, half: usize) {
        self.all += row.all;
        self.star_like += row.star_like;
        self.rows[half] += row.star_like;
        self.columns.iter_mut().zip(row.columns).for_each(|(sum, n)| *sum += n);
    }

    fn are_everywhere(&self) -> bool {
        let least = LEAST_OF_A_HALF * self.star_like as f64;
        self.columns.iter().chain(&self.rows).all(|n| *n as f64 >= least)
    }
}

/// A row's level, noise, and what each pixel is above its surroundings.
struct RowNoise {
    level: f64,
    sigma: f64,
    above: Vec<f64>,
}

/// Difference of even and odd columns over the level from which they are different colours of a mosaic.
const COLOURS_DIFFER: f64 = 0.01;

impl RowNoise {
    /// Each pixel against the median of its window, of its own colour where a row holds two; `None` of a short row.
    fn of(row: &[f64]) -> Option<Self> {
        if row.len() < 2 * WINDOW_HALF_PX + 1 {
            return None;
        }
        let of_colour =
            |parity: usize| median_mut(&mut row.iter().skip(parity).step_by(2).copied().collect::<Vec<_>>());
        let (even, odd) = (of_colour(0)?, of_colour(1)?);
        let level = 0.5 * (even + odd);
        let wide_enough = row.len() >= 2 * (2 * WINDOW_HALF_PX + 1);
        let pitch = if wide_enough && (even - odd).abs() > COLOURS_DIFFER * level.abs() { 2 } else { 1 };
        let mut above = vec![0.0; row.len()];
        for first in 0..pitch {
            let colour: Vec<f64> = row.iter().skip(first).step_by(pitch).copied().collect();
            for (i, value) in above_windows(&colour)?.into_iter().enumerate() {
                above[first + pitch * i] = value;
            }
        }
        // The central 90 % tell the noise; stars are in the rest.
        let mut sorted = above.clone();
        sorted.sort_by(f64::total_cmp);
        let core = &sorted[above.len() / 20..above.len() - above.len() / 20];
        let sigma = mean_and_std(core).map_or(0.0, |(_, s)| s / CENTRAL_90_PERCENT_STD).max(0.5);
        Some(Self { level, sigma, above })
    }

    /// Its peaks above the noise; star-like are those that light the neighbours on both sides.
    fn peaks(&self) -> Outliers {
        let mut found = Outliers::default();
        for (i, near) in self.above.windows(3).enumerate() {
            let [before, here, after] = [near[0], near[1], near[2]];
            if here > OUTLIER_SIGMA * self.sigma && here > before && here >= after {
                let least = (LIT_ON_BOTH_SIDES * here).max(NEIGHBOUR_SIGMA * self.sigma);
                let star_like = usize::from(before > least && after > least);
                found.all += 1;
                found.star_like += star_like;
                found.columns[usize::from(i + 1 >= self.above.len() / 2)] += star_like;
            }
        }
        found
    }

    /// Its pixels that stand out by more than `limit` as a star would.
    fn outliers(&self, limit: f64) -> Outliers {
        let off = &self.above;
        let lit = |i: Option<usize>, least: f64| i.and_then(|i| off.get(i)).is_some_and(|d| *d > least);
        let mut found = Outliers::default();
        for run in (0..off.len()).collect::<Vec<usize>>().chunk_by(|a, b| (off[*a] > limit) == (off[*b] > limit)) {
            // A slope that a window does not follow stands out over many pixels.
            for i in run.iter().copied().filter(|i| off[*i] > limit && run.len() <= MOST_RUN_PX) {
                let least = LIT_NEIGHBOUR * off[i];
                found.all += 1;
                let star_like = usize::from(lit(i.checked_sub(1), least) || lit(Some(i + 1), least));
                found.star_like += star_like;
                found.columns[usize::from(i >= off.len() / 2)] += star_like;
            }
        }
        found
    }
}

/// Each value less the median of a window about it; `None` of fewer than a window holds.
fn above_windows(row: &[f64]) -> Option<Vec<f64>> {
    let medians: Vec<f64> = row
        .windows(2 * WINDOW_HALF_PX + 1)
        .step_by(WINDOW_HALF_PX)
        .filter_map(|w| median_mut(&mut w.to_vec()))
        .collect();
    let near =
        |i: usize| medians.get((i.saturating_sub(WINDOW_HALF_PX) / WINDOW_HALF_PX).min(medians.len().checked_sub(1)?));
    row.iter().enumerate().map(|(i, v)| Some(v - near(i)?)).collect()
}

/// Standard deviation of the central 90 % of a unit normal law: `single_truncation_factor(1.6449)`.
const CENTRAL_90_PERCENT_STD: f64 = 0.789_3;

impl Survey {
    /// Whether it is lit brightly and evenly: its noise is then at least that of so much light at any gain.
    pub fn is_evenly_lit(&self) -> bool {
        self.level_adu > LIT_ADU && self.is_even() && self.sigma_adu.powi(2) > self.level_adu / HIGHEST_GAIN_E_PER_ADU
    }

    /// Whether it holds stars, be they faint beside the level. Hot pixels light both neighbours once in fifty (a real sensor's darks).
    pub fn shows_faint_stars(&self) -> bool {
        let FaintPeaks { all, star_like, everywhere } = self.faint_peaks;
        star_like >= LEAST_FAINT && star_like as f64 > FAINT_SHARE * all as f64 && everywhere
    }

    /// Whether it holds no star, whatever its level.
    pub fn is_even(&self) -> bool {
        self.bright_outlier_fraction < STARLESS_FRACTION
    }

    /// Whether it holds stars: images that light more than one pixel.
    pub fn shows_stars(&self) -> bool {
        self.bright_outliers >= LEAST_OUTLIERS && self.star_like_share > STAR_LIKE_SHARE && self.star_like_everywhere
    }
}

/// The kind that the pixels show where they deny what the header says: what is brightly and evenly lit and holds no star is a flat,
/// and what holds stars is a light.
pub fn pixels_contradict(told: FrameKind, survey: &Survey) -> Option<FrameKind> {
    let seen = match told {
        FrameKind::Light | FrameKind::Dark | FrameKind::DarkFlat | FrameKind::Bias if survey.is_evenly_lit() => {
            FrameKind::Flat
        }
        FrameKind::Dark | FrameKind::DarkFlat | FrameKind::Bias if survey.shows_stars() => FrameKind::Light,
        // Stars are in a flat of the twilight, too, but that is bright.
        FrameKind::Flat if survey.shows_stars() && survey.level_adu < LIT_ADU => FrameKind::Light,
        _ => return None,
    };
    Some(seen)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::single_truncation_factor;

    #[test]
    fn the_constant_of_the_central_part_is_the_formula() {
        assert!((single_truncation_factor(1.644_854) - CENTRAL_90_PERCENT_STD).abs() < 1e-4);
    }

    #[test]
    fn only_a_bright_starless_light_is_called_a_flat() {
        let flat = Survey {
            sites_adu: [0.0; 4],
            level_adu: 20_000.0,
            lowest_adu: 1_000.0,
            highest_adu: 22_000.0,
            bright_outlier_fraction: 1e-5,
            star_like_share: 0.0,
            star_like_everywhere: false,
            bright_outliers: 1,
            faint_peaks: FaintPeaks::default(),
            sigma_adu: 170.0,
            undefined_fraction: 0.0,
            fractional_fraction: 0.0,
        };
        let with_stars = Survey { bright_outlier_fraction: 2e-3, ..flat };
        let dim = Survey { level_adu: 1_500.0, ..flat };
        assert_eq!(pixels_contradict(FrameKind::Light, &flat), Some(FrameKind::Flat));
        assert_eq!(pixels_contradict(FrameKind::Light, &with_stars), None);
        assert_eq!(pixels_contradict(FrameKind::Light, &dim), None);
        assert_eq!(pixels_contradict(FrameKind::Flat, &flat), None);
        let on_a_pedestal = Survey { sigma_adu: 15.0, ..flat };
        assert_eq!(pixels_contradict(FrameKind::Light, &on_a_pedestal), None);
        for told in [FrameKind::Dark, FrameKind::Bias, FrameKind::DarkFlat] {
            assert_eq!(pixels_contradict(told, &flat), Some(FrameKind::Flat));
        }
    }
}
