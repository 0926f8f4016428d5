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
/// Share of bright outliers below which a lit frame holds no stars (a star field has 1e-4 or more; from trials).
const STARLESS_FRACTION: f64 = 3e-5;

/// What a sample of rows tells.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Survey {
    /// Median, ADU.
    pub level_adu: f64,
    /// Lowest finite value, ADU.
    pub lowest_adu: f64,
    /// Highest finite value, ADU.
    pub highest_adu: f64,
    /// Share of pixels that stand out above their row neighbours by six sigma and a quarter of the level.
    pub bright_outlier_fraction: f64,
    /// Share of pixels without a finite value.
    pub undefined_fraction: f64,
}

/// Reads evenly spaced rows of the first plane and sums them up. `None` when no pixel is finite.
///
/// # Errors
///
/// The pixels cannot be read.
pub fn survey(file: &mut ImageFile) -> Result<Option<Survey>, FitsError> {
    let g = file.geometry;
    let step = (g.height / ROWS).max(1);
    let mut all = Vec::with_capacity(ROWS * g.width);
    let (mut outliers, mut seen, mut undefined) = (0usize, 0usize, 0usize);
    let mut row = vec![0f32; g.width];
    for y in (step / 2..g.height).step_by(step) {
        file.rows(0, y, 1)?.copy_row(0, &mut row);
        let finite: Vec<f64> = row.iter().filter(|v| v.is_finite()).map(|v| f64::from(*v)).collect();
        undefined += row.len() - finite.len();
        seen += finite.len();
        outliers += bright_outliers(&finite);
        all.extend(finite);
    }
    let fold = |start: f64, pick: fn(f64, f64) -> f64| all.iter().copied().fold(start, pick);
    let (lowest_adu, highest_adu) = (fold(f64::INFINITY, f64::min), fold(f64::NEG_INFINITY, f64::max));
    Ok(median_mut(&mut all).map(|level_adu| Survey {
        level_adu,
        lowest_adu,
        highest_adu,
        bright_outlier_fraction: outliers as f64 / seen.max(1) as f64,
        undefined_fraction: undefined as f64 / (seen + undefined).max(1) as f64,
    }))
}

/// Pixels of one row that stand out above the median of their window as a star would.
fn bright_outliers(row: &[f64]) -> usize {
    if row.len() < 2 * WINDOW_HALF_PX + 1 {
        return 0;
    }
    let medians: Vec<f64> = row
        .windows(2 * WINDOW_HALF_PX + 1)
        .step_by(WINDOW_HALF_PX)
        .filter_map(|w| median_mut(&mut w.to_vec()))
        .collect();
    let near = |i: usize| medians[(i.saturating_sub(WINDOW_HALF_PX) / WINDOW_HALF_PX).min(medians.len() - 1)];
    let mut off: Vec<f64> = row.iter().enumerate().map(|(i, v)| v - near(i)).collect();
    // The central 90 % tell the noise; stars are in the rest.
    off.sort_by(f64::total_cmp);
    let core = &off[off.len() / 20..off.len() - off.len() / 20];
    let sigma = mean_and_std(core).map_or(0.0, |(_, s)| s / CENTRAL_90_PERCENT_STD).max(0.5);
    let level = median_mut(&mut medians.clone()).unwrap_or(0.0);
    let limit = (OUTLIER_SIGMA * sigma).max(OUTLIER_SHARE * level);
    off.iter().rev().take_while(|d| **d > limit).count()
}

/// Standard deviation of the central 90 % of a unit normal law: `single_truncation_factor(1.6449)`.
const CENTRAL_90_PERCENT_STD: f64 = 0.789_3;

/// Whether the pixels deny what the header says: a `light` that is brightly and evenly lit and holds no star is a flat.
pub fn pixels_contradict(told: FrameKind, survey: &Survey) -> Option<FrameKind> {
    let lit = survey.level_adu > LIT_ADU;
    let starless = survey.bright_outlier_fraction < STARLESS_FRACTION;
    (told == FrameKind::Light && lit && starless).then_some(FrameKind::Flat)
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
            level_adu: 20_000.0,
            lowest_adu: 1_000.0,
            highest_adu: 22_000.0,
            bright_outlier_fraction: 1e-5,
            undefined_fraction: 0.0,
        };
        let with_stars = Survey { bright_outlier_fraction: 2e-3, ..flat };
        let dim = Survey { level_adu: 1_500.0, ..flat };
        assert_eq!(pixels_contradict(FrameKind::Light, &flat), Some(FrameKind::Flat));
        assert_eq!(pixels_contradict(FrameKind::Light, &with_stars), None);
        assert_eq!(pixels_contradict(FrameKind::Light, &dim), None);
        assert_eq!(pixels_contradict(FrameKind::Flat, &flat), None);
    }
}
