//! Peaks of one frame: which of them are stars worth a fit, and their fits.

use crate::fits::Pixels;
use crate::frame::Lattice;
use crate::stats::{median, median_mut};

use super::beta::CommonBeta;
use super::clipped::clip_level;
use super::fit::{FitNoise, Stamp, StarFit, fit_star};
use super::measure::{FIT_SIGMA, KERNEL_MISMATCH, MeasureOptions, StarFlag};
use super::neighbours::{Neighbours, blank, blank_clipped};
use super::ridges::joined;
use super::sharp::{is_sharp, is_sharp_on_green};
use super::{Peak, Shape, SkyMap, detect};

/// Peak height over the filtered noise from which a star counts. Pure noise gives less than one in a megapixel.
const DETECTION_SIGMA: f64 = 5.0;
/// Stars fitted to learn the frame's width and beta.
const SCOUTS: usize = 60;
/// Most rounds in which the frame's 1/beta is refined; one is nearly always enough, since the steps are Newton's.
const BETA_ROUNDS: usize = 3;
/// Change over the error of the frame's 1/beta from which it is refined once more.
const BETA_SETTLED: f64 = 0.2;
/// Share of a saturation level above which a pixel is taken for saturated: sensors bend before they clip.
const SATURATED_SHARE: f64 = 0.95;
/// Whole stars from which clipped ones stay out of the frame's values: a median of ten is safe against a few odd ones.
const ENOUGH_WHOLE_STARS: usize = 10;
/// Recorded numbers of a 16-bit file end here; a pixel this high is clipped whatever the camera.
const HIGHEST_16_BIT_ADU: f64 = 65_535.0;
/// Sum of the neighbours over the centre below which a peak is one hot pixel: half of what a star of 1 px FWHM, centred
/// on its pixel, gives in its four nearest neighbours (0.63, Gaussian after the pixel) or in its four diagonal ones (0.10).
const HOT_PIXEL_NEIGHBOURS: [f64; 2] = [0.31, 0.05];
/// Distance in FWHM within which a neighbour's light cannot be told apart.
const BLEND_FWHM: f64 = 2.0;
/// Distance in FWHM within which a neighbour that is brighter spoils the background.
const GLARE_FWHM: f64 = 4.0;
/// Neighbours fainter than this share of the star do not matter within [`BLEND_FWHM`].
const FAINT_NEIGHBOUR: f64 = 0.03;
/// Distance from a hot pixel within which pixels do not count, px: itself and, for charge that spreads, its neighbours.
const HOT_PIXEL_REACH_PX: f64 = 1.6;

/// One frame under search.
pub(super) struct Search<'a> {
    plane: &'a Pixels,
    options: &'a MeasureOptions,
    sky: &'a SkyMap,
    /// Brightest first.
    pub peaks: Vec<Peak>,
    hot: Vec<bool>,
    /// Which peaks are tracks or clusters of hot pixels.
    sharp: Vec<bool>,
    /// Which peaks lie on a streak.
    streak: Vec<bool>,
    near: Neighbours,
    /// Level from which a pixel does not tell the light that fell on it, ADU.
    clipped_adu: f64,
}

impl<'a> Search<'a> {
    /// Finds the peaks with a kernel of that width, px as recorded.
    pub fn new(plane: &'a Pixels, options: &'a MeasureOptions, sky: &'a SkyMap, kernel_px: f64) -> Self {
        let peaks = detect(plane, options.lattice, sky, kernel_px, DETECTION_SIGMA);
        let (peaks, streak) = joined(plane, options.lattice, sky, peaks, kernel_px);
        // The widest star that this kernel is kept for decides how far neighbours are looked for.
        let near = Neighbours::new(&peaks, plane.dim().1, GLARE_FWHM * KERNEL_MISMATCH * kernel_px.max(1.5));
        let mut search = Self {
            plane,
            options,
            sky,
            peaks,
            hot: Vec::new(),
            sharp: Vec::new(),
            streak,
            near,
            clipped_adu: HIGHEST_16_BIT_ADU,
        };
        search.hot = search.peaks.iter().map(|p| search.is_hot_pixel(p)).collect();
        search.sharp = search.peaks.iter().map(|p| search.is_track(p)).collect();
        let known = options.saturation_adu.map_or(HIGHEST_16_BIT_ADU, |s| s * SATURATED_SHARE);
        let seen = clip_level(plane, options.lattice, &search.peaks, &search.hot);
        search.clipped_adu = known.min(seen.unwrap_or(f64::INFINITY));
        search
    }

    /// Peaks without a flag that are bright enough for a fit, brightest first.
    fn clean(&self, sorted: &[Option<StarFlag>]) -> impl Iterator<Item = usize> {
        (0..self.peaks.len()).filter(|i| sorted[*i].is_none() && self.peaks[*i].significance >= FIT_SIGMA)
    }

    /// A flag for each peak, `None` for those worth a fit. `width_px` is the expected FWHM.
    ///
    /// Stars with a clipped core are worth one where there are not enough whole ones.
    pub fn sort_out(&self, width_px: f64) -> Vec<Option<StarFlag>> {
        let sorted = self.sort(width_px, false);
        let enough = self.clean(&sorted).nth(ENOUGH_WHOLE_STARS - 1).is_some();
        if enough || !sorted.contains(&Some(StarFlag::Saturated)) { sorted } else { self.sort(width_px, true) }
    }

    /// For each peak, whether it may be the image of a star.
    pub fn may_be_stars(&self) -> Vec<bool> {
        (0..self.peaks.len()).map(|i| !self.hot[i] && !self.sharp[i] && !self.streak[i]).collect()
    }

    /// Whether the core of a peak is clipped.
    pub fn is_clipped(&self, i: usize, width_px: f64) -> bool {
        self.core_maximum(&self.peaks[i], width_px) >= self.clipped_adu
    }

    fn sort(&self, width_px: f64, keep_clipped: bool) -> Vec<Option<StarFlag>> {
        let (rows, columns) = self.plane.dim();
        let half = stamp_half(width_px);
        let peaks = &self.peaks;
        peaks
            .iter()
            .enumerate()
            .map(|(i, p)| {
                if self.hot[i] {
                    return Some(StarFlag::HotPixel);
                }
                if self.sharp[i] {
                    return Some(StarFlag::TooSharp);
                }
                if self.streak[i] {
                    return Some(StarFlag::Streak);
                }
                if p.x < half || p.y < half || p.x + half >= columns || p.y + half >= rows {
                    return Some(StarFlag::Edge);
                }
                if !keep_clipped && self.is_clipped(i, width_px) {
                    return Some(StarFlag::Saturated);
                }
                let spoiled = self.near.around(peaks, i).any(|(k, distance_px)| {
                    let other = peaks[k].significance / p.significance;
                    // Hot pixels are no neighbours: a star beside one keeps its light.
                    !self.hot[k]
                        && ((distance_px < BLEND_FWHM * width_px && other > FAINT_NEIGHBOUR)
                            || (distance_px < GLARE_FWHM * width_px && other > 1.0))
                });
                spoiled.then_some(StarFlag::Blended)
            })
            .collect()
    }

    /// Highest pixel within one width of a peak, ADU.
    fn core_maximum(&self, peak: &Peak, width_px: f64) -> f64 {
        let reach = width_px.ceil() as usize;
        let (rows, columns) = self.plane.dim();
        let mut highest = f64::NEG_INFINITY;
        for y in peak.y.saturating_sub(reach)..(peak.y + reach + 1).min(rows) {
            for x in peak.x.saturating_sub(reach)..(peak.x + reach + 1).min(columns) {
                highest = highest.max(self.plane.at(x, y));
            }
        }
        highest
    }

    /// Brightest counting pixel of the 3x3 at a peak, and its value, ADU.
    fn brightest(&self, peak: &Peak) -> (usize, usize, f64) {
        let (rows, columns) = self.plane.dim();
        let lattice = self.options.lattice;
        let (mut x, mut y, mut highest) = (peak.x, peak.y, f64::NEG_INFINITY);
        for b in peak.y.saturating_sub(1)..(peak.y + 2).min(rows) {
            for a in peak.x.saturating_sub(1)..(peak.x + 2).min(columns) {
                let value = self.plane.at(a, b);
                if value > highest && lattice.holds(a, b) {
                    (x, y, highest) = (a, b, value);
                }
            }
        }
        (x, y, highest)
    }

    /// Whether the image is sharper than a star in any direction.
    fn is_track(&self, peak: &Peak) -> bool {
        let (rows, columns) = self.plane.dim();
        let (x, y, _) = self.brightest(peak);
        if x < 1 || y < 1 || x + 1 >= columns || y + 1 >= rows {
            return false;
        }
        let sharp = match self.options.lattice {
            Lattice::All => is_sharp,
            Lattice::Green(_) => is_sharp_on_green,
        };
        sharp(self.plane, (x, y), self.sky.level_at(x, y) + peak.ring_adu, self.sky.sigma_at(x, y))
    }

    /// Whether one pixel stands alone, within its noise.
    fn is_hot_pixel(&self, peak: &Peak) -> bool {
        let (rows, columns) = self.plane.dim();
        let lattice = self.options.lattice;
        let (x, y, highest) = self.brightest(peak);
        if x < 2 || y < 2 || x + 2 >= columns || y + 2 >= rows {
            return false;
        }
        let (offsets, limit): ([(i32, i32); 4], f64) = match lattice {
            Lattice::All => ([(-1, 0), (1, 0), (0, -1), (0, 1)], HOT_PIXEL_NEIGHBOURS[0]),
            Lattice::Green(_) => ([(-1, -1), (1, 1), (1, -1), (-1, 1)], HOT_PIXEL_NEIGHBOURS[1]),
        };
        let around: f64 =
            offsets.iter().map(|(dx, dy)| self.plane.at((x as i32 + dx) as usize, (y as i32 + dy) as usize)).sum();
        // Above a background b the neighbours hold `around - 4 b` and the pixel `highest - b`.
        let alone = |background: f64| around - limit * highest < (4.0 - limit) * background;
        let ring = self.sky.level_at(x, y) + peak.ring_adu;
        // In a crowd the ring lies on other stars; the border of the 5x5 pixels then tells the background better.
        alone(ring) && alone(self.border_median(x, y).min(ring))
    }

    /// Median of the 16 pixels around the 3x3 ones at (x, y), as far as they count.
    fn border_median(&self, x: usize, y: usize) -> f64 {
        let mut border = [0.0; 16];
        let mut n = 0;
        for b in y - 2..=y + 2 {
            for a in x - 2..=x + 2 {
                let outer = a.abs_diff(x) == 2 || b.abs_diff(y) == 2;
                if outer && self.options.lattice.holds(a, b) {
                    border[n] = self.plane.at(a, b);
                    n += 1;
                }
            }
        }
        median_mut(&mut border[..n]).unwrap_or(f64::INFINITY)
    }

    /// Fits of the brightest clean peaks with free beta, each with its peak's number.
    pub fn scout(&self, sorted: &[Option<StarFlag>], width_px: f64) -> Vec<(usize, StarFit)> {
        let clean = self.clean(sorted);
        let free = |i: usize, width_px: f64| Some((i, self.fit(i, width_px, None)?));
        let fits: Vec<(usize, StarFit)> = clean.take(SCOUTS).filter_map(|i| free(i, width_px)).collect();
        // A stamp cut for narrower stars than these holds too little of them: once more with their width.
        match common_width(&fits) {
            Some(found) if stamp_half(found) > stamp_half(width_px) => {
                self.clean(sorted).take(SCOUTS).filter_map(|i| free(i, found)).collect()
            }
            _ => fits,
        }
    }

    /// 1/beta of the frame from its scouts, and their fits with it.
    ///
    /// A faint or undersampled star's free beta is skewed and its error depends on it. At a beta that all share, the next
    /// step of each star towards its own is a normal quantity: the mean of those steps is the maximum-likelihood one.
    pub fn common_beta(
        &self,
        sorted: &[Option<StarFlag>],
        scouts: &[(usize, StarFit)],
        width_px: f64,
    ) -> Option<(CommonBeta, Vec<(usize, StarFit)>)> {
        let mut beta = CommonBeta::of(scouts)?;
        // Those too whose free fit failed: it does so where noise asks for wings thinner than a Gaussian's.
        let clean = self.clean(sorted);
        let at = |i: usize, inverse: f64, known: &[(usize, StarFit)]| {
            Some((i, self.fit_near(i, width_px, Some((inverse, 0.0)), known)?))
        };
        let mut fits: Vec<(usize, StarFit)> = clean.take(SCOUTS).filter_map(|i| at(i, beta.inverse, scouts)).collect();
        for _ in 0..BETA_ROUNDS {
            let next = CommonBeta::of(&fits)?;
            let moved = (next.inverse - beta.inverse).abs();
            beta = next;
            if moved < BETA_SETTLED * beta.sigma {
                break;
            }
            fits = fits.iter().filter_map(|(i, _)| at(*i, beta.inverse, &fits)).collect();
        }
        Some((beta, fits))
    }

    /// Fit of one peak, from an earlier fit of it where there is one: half of the steps are then saved.
    pub fn fit_near(
        &self,
        i: usize,
        width_px: f64,
        prior: Option<(f64, f64)>,
        known: &[(usize, StarFit)],
    ) -> Option<StarFit> {
        match (known.iter().find(|(k, _)| *k == i), prior) {
            (Some((_, last)), Some((inverse_beta, _))) => {
                let shape = Shape { inverse_beta, ..last.shape };
                self.fit_from(i, width_px, prior, (last.x, last.y, shape))
            }
            _ => self.fit(i, width_px, prior),
        }
    }

    /// Fit of one peak from the frame's typical star.
    fn fit(&self, i: usize, width_px: f64, prior: Option<(f64, f64)>) -> Option<StarFit> {
        let beta = prior.map_or(3.0, |(inverse, _)| inverse.recip());
        let at = (self.peaks[i].x as f64, self.peaks[i].y as f64);
        self.fit_from(i, width_px, prior, (at.0, at.1, Shape::new(width_px, 0.05, 0.0, beta)))
    }

    fn fit_from(
        &self,
        i: usize,
        width_px: f64,
        prior: Option<(f64, f64)>,
        start: (f64, f64, Shape),
    ) -> Option<StarFit> {
        let peak = &self.peaks[i];
        let stamp = self.stamp(i, width_px)?;
        let noise = FitNoise {
            sky_adu2: self.sky.sigma_at(peak.x, peak.y).powi(2).max(1e-12),
            e_per_adu: self.options.e_per_adu,
        };
        let fit = fit_star(&stamp, start, noise, prior).ok()?;
        // A fit that slid to a neighbour is not this star's.
        let slid = (fit.x - peak.x as f64).hypot(fit.y - peak.y as f64) > width_px.max(1.5);
        (!slid).then_some(fit)
    }

    /// The pixels around a peak; those of other colours, of neighbours and undefined ones do not count.
    fn stamp(&self, i: usize, width_px: f64) -> Option<Stamp> {
        let (rows, columns) = self.plane.dim();
        let half = stamp_half(width_px);
        let peak = &self.peaks[i];
        let (left, top) = (peak.x.checked_sub(half)?, peak.y.checked_sub(half)?);
        let width = 2 * half + 1;
        if left + width > columns || top + width > rows {
            return None;
        }
        let mut values = Vec::with_capacity(width * width);
        let reach2 = half * half + half;
        for y in top..top + width {
            for x in left..left + width {
                // The corners of the square hold little light and cost a fifth of the time.
                let round = x.abs_diff(peak.x).pow(2) + y.abs_diff(peak.y).pow(2) <= reach2;
                let counts = round && self.options.lattice.holds(x, y);
                values.push(if counts { self.plane.at(x, y) as f32 } else { f32::NAN });
            }
        }
        let mut stamp = Stamp { left, top, width, values };
        blank_clipped(&mut stamp, self.clipped_adu);
        let reach = half as f64 + 1.5 * width_px;
        for (k, distance_px) in self.near.around(&self.peaks, i) {
            // A hot pixel spoils no more than itself.
            let radius = if self.hot[k] { HOT_PIXEL_REACH_PX } else { 1.3 * width_px.max(1.0) };
            if distance_px < reach * std::f64::consts::SQRT_2 {
                blank(&mut stamp, &self.peaks[k], radius);
            }
        }
        Some(stamp)
    }
}

/// Half side of a stamp, px: 2.2 FWHM hold 97 % of a beta = 3 star's light and leave a rim for the background.
fn stamp_half(width_px: f64) -> usize {
    ((2.2 * width_px).ceil() as usize + 2).clamp(5, 40)
}

/// Median FWHM of fits, px. `None` with fewer than three.
pub(super) fn common_width(fits: &[(usize, StarFit)]) -> Option<f64> {
    let widths: Vec<f64> = fits.iter().map(|(_, f)| f.shape.fwhm_px()).collect();
    (widths.len() >= 3).then(|| median(&widths)).flatten()
}
