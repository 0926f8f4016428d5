//! Peaks of one frame: which of them are stars worth a fit, and their fits.

use crate::fits::Pixels;
use crate::stats::median;

use super::detection::view::View;
use super::options::MeasureOptions;
use super::profile::equations::{Counted, Profile, Vector};
use super::profile::fit::{StarFit, fit_star};
use super::profile::image::{FrameImage, learn};
use super::profile::joint::JointStar;
use super::profile::shared::agree;
use super::profile::stamp::Stamp;
use super::rejection::clipped::clip_level;
use super::rejection::nebulae::{around_an_image, is_beyond_nebula, stands_on_even_sky};
use super::rejection::neighbours::{Neighbours, blank, blank_clipped};
use super::rejection::ridges::{Image, joined};
use super::rejection::rings::are_rings;
use super::rejection::sharp::is_track;
use super::rejection::star_image::{Seen, StarImage};
use super::star::StarFlag;
use super::{FitNoise, Peak, Shape, SkyMap, detect};

/// Peak height over the filtered noise from which a star counts. Pure noise gives less than one in a megapixel.
const DETECTION_SIGMA: f64 = 5.0;
/// Height from which a star is worth a fit: its width is then known to about 10 %.
pub(crate) const FIT_SIGMA: f64 = 15.0;
/// Stars fitted to learn the frame's width and beta.
pub const SCOUTS: usize = 60;
/// Ratio of star width to kernel width, either way, from which the search is repeated.
pub(crate) const KERNEL_MISMATCH: f64 = 1.6;
/// Share of a saturation level above which a pixel is taken for saturated: sensors bend before they clip.
const SATURATED_SHARE: f64 = 0.95;
/// Whole stars from which clipped ones stay out of the frame's values: a median of ten is safe against a few odd ones.
const ENOUGH_WHOLE_STARS: usize = 10;
/// Recorded numbers of a 16-bit file end here; a pixel this high is clipped whatever the camera.
const HIGHEST_16_BIT_ADU: f64 = 65_535.0;
/// Distance in FWHM within which a neighbour's light cannot be told apart.
const BLEND_FWHM: f64 = 2.0;
/// Distance in FWHM within which a neighbour that is brighter spoils the background.
const GLARE_FWHM: f64 = 4.0;
/// Neighbours fainter than this share of the star do not matter within [`BLEND_FWHM`].
const FAINT_NEIGHBOUR: f64 = 0.03;
/// Share of the peaks on uneven sky from which a nebula covers the frame: chance alone gives one in a hundred.
const NEBULOUS_SHARE: f64 = 0.05;
/// Distance from a hot pixel within which pixels do not count, px: itself and, for charge that spreads, its neighbours.
const HOT_PIXEL_REACH_PX: f64 = 1.6;

/// One frame under search.
pub(crate) struct Search<'a> {
    view: View<'a>,
    options: &'a MeasureOptions,
    /// Brightest first.
    pub peaks: Vec<Peak>,
    /// What a peak is by its own pixels where it is no star: a hot pixel, a track, part of a streak.
    no_star: Vec<Option<StarFlag>>,
    near: Neighbours,
    /// Level from which a pixel does not tell the light that fell on it, ADU.
    clipped_adu: f64,
    /// Where the frame's own pixels pile up, ADU.
    pub piled_up_adu: Option<f64>,
    /// Conversion gain, e-/ADU: known, or as the stars' own scatter tells it.
    e_per_adu: Option<f64>,
}

/// By what the peaks worth a fit are picked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Choice {
    /// Expected FWHM, px.
    pub width_px: f64,
    /// Whether stars with a clipped core count.
    keep_clipped: bool,
}

impl<'a> Search<'a> {
    /// Finds the peaks with a kernel of that width, px as recorded.
    pub fn new(plane: &'a Pixels, options: &'a MeasureOptions, sky: &'a SkyMap, kernel_px: f64) -> Self {
        let view = View { plane, lattice: options.lattice, sky };
        let peaks = detect(plane, options.lattice, sky, kernel_px, DETECTION_SIGMA);
        let images = joined(view, peaks, kernel_px);
        let peaks: Vec<Peak> = images.iter().map(|i| i.peak).collect();
        let flag = |i: &Image| match i {
            Image { peak, .. } if peak.hot => Some(StarFlag::HotPixel),
            Image { peak, .. } if is_track(view, peak) => Some(StarFlag::TooSharp),
            Image { streak, .. } => streak.then_some(StarFlag::Streak),
        };
        let no_star: Vec<Option<StarFlag>> = images.iter().map(flag).collect();
        // The widest star that this kernel is kept for decides how far neighbours are looked for.
        let near = Neighbours::new(&peaks, plane.dim(), GLARE_FWHM * KERNEL_MISMATCH * kernel_px.max(1.5));
        let known = options.saturation_adu.map_or(HIGHEST_16_BIT_ADU, |s| s * SATURATED_SHARE);
        let seen = clip_level(view, peaks.iter().filter(|p| !p.hot));
        let clipped_adu = known.min(seen.unwrap_or(f64::INFINITY));
        Self { view, options, peaks, no_star, near, clipped_adu, piled_up_adu: seen, e_per_adu: options.e_per_adu }
    }

    /// Says of peaks among the first `most` why they are no star's image, where one of `images` shows none.
    pub fn sift(&mut self, images: &[StarImage], most: usize) {
        let among = |i: &usize| self.no_star[*i].is_none();
        let candidates: Vec<usize> = (0..self.peaks.len().min(most)).filter(among).collect();
        let mut even = vec![true; candidates.len()];
        if let Some(image) = images.first() {
            let around = around_an_image(image.recorded_px());
            let is_even = |i: &usize| stands_on_even_sky(self.view, &self.peaks[*i], &around);
            even = candidates.iter().map(is_even).collect();
        }
        // Where many stand on uneven sky there is a nebula, and a faint part of it looks even within its noise.
        let uneven = even.iter().filter(|e| !**e).count();
        let nebulous = uneven as f64 > NEBULOUS_SHARE * candidates.len() as f64;
        for (i, even) in candidates.into_iter().zip(even) {
            self.no_star[i] = self.unlike(i, images, even && !nebulous);
        }
    }

    /// Says of a peak why it is no star's image.
    pub fn mark(&mut self, i: usize, why: StarFlag) {
        self.no_star[i] = Some(why);
    }

    /// Columns and rows of the frame.
    pub fn size(&self) -> (usize, usize) {
        let (rows, columns) = self.view.plane.dim();
        (columns, rows)
    }

    /// Why a peak is the image of no star, whichever of `images` it is held against.
    fn unlike(&self, i: usize, images: &[StarImage], even: bool) -> Option<StarFlag> {
        let peak = &self.peaks[i];
        let mut why = None;
        for image in images {
            let place = match image.seen_at(self.view, peak, self.e_per_adu) {
                Seen::SinglePixels => {
                    why = why.or(Some(StarFlag::TooSharp));
                    continue;
                }
                Seen::Star { dx, dy } => (dx, dy),
            };
            let recorded_px = image.recorded_px();
            let others = || self.near.around(&self.peaks, i, 4.0 * recorded_px).map(|(k, _)| &self.peaks[k]);
            if even || is_beyond_nebula(self.view, peak, place, recorded_px, others()) {
                return None;
            }
            why = Some(StarFlag::Nebula);
        }
        why
    }

    /// How to pick stars of a given FWHM: those with a clipped core only where there are not enough whole ones.
    pub fn choose(&self, width_px: f64) -> Choice {
        let whole = Choice { width_px, keep_clipped: false };
        Choice { keep_clipped: self.clean(whole).nth(ENOUGH_WHOLE_STARS - 1).is_none(), ..whole }
    }

    /// Peaks without a flag that are bright enough for a fit, brightest first.
    pub fn clean(&self, choice: Choice) -> impl Iterator<Item = usize> {
        let bright = self.peaks.iter().take_while(|p| p.significance >= FIT_SIGMA).count();
        (0..bright).filter(move |i| self.flag(*i, choice).is_none())
    }

    /// For each peak, whether it may be the image of a star.
    pub fn may_be_stars(&self) -> impl Iterator<Item = bool> {
        self.no_star.iter().map(Option::is_none)
    }

    /// Whether the stars are rings.
    pub fn holds_rings(&self) -> bool {
        are_rings(self.view, self.peaks.iter().zip(self.may_be_stars()).filter(|(_, is_star)| *is_star).map(|(p, _)| p))
    }

    /// Whether the core of a peak is clipped.
    pub fn is_clipped(&self, i: usize, width_px: f64) -> bool {
        self.core_maximum(&self.peaks[i], width_px) >= self.clipped_adu
    }

    /// Why a peak is not worth a fit; `None` where it is one, if it is bright enough.
    pub fn flag(&self, i: usize, Choice { width_px, keep_clipped }: Choice) -> Option<StarFlag> {
        if self.no_star[i].is_some() {
            return self.no_star[i];
        }
        let (rows, columns) = self.view.plane.dim();
        let (p, half) = (&self.peaks[i], stamp_half_px(width_px));
        if p.x < half || p.y < half || p.x + half >= columns || p.y + half >= rows {
            return Some(StarFlag::Edge);
        }
        if !keep_clipped && self.is_clipped(i, width_px) {
            return Some(StarFlag::Saturated);
        }
        let blend_px2 = (BLEND_FWHM * width_px).powi(2);
        let spoiled = self.near.around(&self.peaks, i, GLARE_FWHM * width_px).any(|(k, distance2)| {
            let other = self.peaks[k].significance / p.significance;
            // Hot pixels are no neighbours: a star beside one keeps its light.
            !self.peaks[k].hot && (other > 1.0 || (distance2 < blend_px2 && other > FAINT_NEIGHBOUR))
        });
        spoiled.then_some(StarFlag::Blended)
    }

    /// Highest pixel within one width of a peak, ADU.
    fn core_maximum(&self, peak: &Peak, width_px: f64) -> f64 {
        let reach = width_px.ceil() as usize;
        let (rows, columns) = self.view.plane.dim();
        let mut highest = f64::NEG_INFINITY;
        for y in peak.y.saturating_sub(reach)..(peak.y + reach + 1).min(rows) {
            let near = peak.x.saturating_sub(reach)..(peak.x + reach + 1).min(columns);
            self.view.plane.for_row(y, near, |_, value| highest = highest.max(value));
        }
        highest
    }

    /// Fits of the brightest clean peaks with free beta, each with its peak's number.
    pub fn scout(&self, choice: Choice) -> Vec<(usize, StarFit)> {
        let (clean, width_px) = (self.clean(choice), choice.width_px);
        let free = |i: usize, width_px: f64| Some((i, self.fit(i, width_px, Profile::Moffat(None))?));
        let fits: Vec<(usize, StarFit)> = clean.take(SCOUTS).filter_map(|i| free(i, width_px)).collect();
        // A stamp cut for narrower stars than these holds too little of them: once more with their width.
        match common_width(&fits) {
            Some(found) if stamp_half_px(found) > stamp_half_px(width_px) => {
                self.clean(choice).take(SCOUTS).filter_map(|i| free(i, found)).collect()
            }
            _ => fits,
        }
    }

    /// The image that the frame's scouts share. Where no gain is known the stars' scatter about it tells one first, by which all
    /// later fits are weighed; stars that agree on none are weighed alike.
    pub fn learn_image(&mut self, choice: Choice, scouts: &[(usize, StarFit)]) -> Option<FrameImage> {
        if self.e_per_adu.is_none() {
            self.e_per_adu =
                agree(self.joint_stars(choice, scouts), self.options.diffraction).and_then(|a| a.e_per_adu());
        }
        learn(self.joint_stars(choice, scouts), self.options.diffraction)
    }

    fn joint_stars(&self, choice: Choice, scouts: &[(usize, StarFit)]) -> Vec<JointStar> {
        let star = |(i, f): &(usize, StarFit)| {
            let shape = &f.shape;
            let p =
                [f.peak_adu, f.background_adu, f.x, f.y, shape.ln_half_width, shape.e1, shape.e2, shape.inverse_beta];
            let counted = Counted::of(&self.stamp(*i, choice.width_px)?);
            Some(JointStar { counted, p: Vector::from(p), noise: self.noise(*i) })
        };
        scouts.iter().take(SCOUTS).filter_map(star).collect()
    }

    /// Fit of one peak, from an earlier fit of it where there is one: half of the steps are then saved.
    pub fn fit_near(&self, i: usize, width_px: f64, profile: Profile, known: &[(usize, StarFit)]) -> Option<StarFit> {
        match (known.iter().find(|(k, _)| *k == i), profile.known_inverse_beta()) {
            (Some((_, last)), Some(inverse_beta)) => {
                let shape = Shape { inverse_beta, ..last.shape };
                self.fit_from(i, width_px, profile, (last.x, last.y, shape))
            }
            _ => self.fit(i, width_px, profile),
        }
    }

    /// Fit of one peak from the frame's typical star.
    fn fit(&self, i: usize, width_px: f64, profile: Profile) -> Option<StarFit> {
        let beta = profile.known_inverse_beta().map_or(3.0, f64::recip);
        let at = (self.peaks[i].x as f64, self.peaks[i].y as f64);
        self.fit_from(i, width_px, profile, (at.0, at.1, Shape::new(width_px, 0.05, 0.0, beta)))
    }

    fn fit_from(&self, i: usize, width_px: f64, profile: Profile, start: (f64, f64, Shape)) -> Option<StarFit> {
        let peak = &self.peaks[i];
        let stamp = self.stamp(i, width_px)?;
        let fit = fit_star(&stamp, start, self.noise(i), profile).ok()?;
        // A fit that slid to a neighbour is not this star's.
        let slid = (fit.x - peak.x as f64).hypot(fit.y - peak.y as f64) > width_px.max(1.5);
        (!slid).then_some(fit)
    }

    /// Noise of the pixels around a peak.
    pub fn noise(&self, i: usize) -> FitNoise {
        let peak = &self.peaks[i];
        FitNoise { sky_adu2: self.view.sky.sigma_at(peak.x, peak.y).powi(2).max(1e-12), e_per_adu: self.e_per_adu }
    }

    /// The pixels around a peak; those of other colours, of neighbours and undefined ones do not count.
    pub fn stamp(&self, i: usize, width_px: f64) -> Option<Stamp> {
        let (rows, columns) = self.view.plane.dim();
        let half = stamp_half_px(width_px);
        let peak = &self.peaks[i];
        let (left, top) = (peak.x.checked_sub(half)?, peak.y.checked_sub(half)?);
        let width = 2 * half + 1;
        if left + width > columns || top + width > rows {
            return None;
        }
        let mut values = Vec::with_capacity(width * width);
        let reach2 = half * half + half;
        for y in top..top + width {
            let dy2 = y.abs_diff(peak.y).pow(2);
            self.view.plane.for_row(y, left..left + width, |x, value| {
                // The corners of the square hold little light and cost a fifth of the time.
                let round = x.abs_diff(peak.x).pow(2) + dy2 <= reach2;
                values.push(if round && self.view.lattice.holds(x, y) { value as f32 } else { f32::NAN });
            });
        }
        let mut stamp = Stamp { left, top, width, values };
        blank_clipped(&mut stamp, self.clipped_adu);
        let reach = (half as f64 + 1.5 * width_px) * std::f64::consts::SQRT_2;
        for (k, _) in self.near.around(&self.peaks, i, reach) {
            // A hot pixel spoils no more than itself.
            let neighbour = &self.peaks[k];
            blank(&mut stamp, neighbour, if neighbour.hot { HOT_PIXEL_REACH_PX } else { 1.3 * width_px.max(1.0) });
        }
        Some(stamp)
    }
}

/// Half side of a stamp, px: 2.2 FWHM hold 97 % of a beta = 3 star's light and leave a rim for the background.
pub fn stamp_half_px(width_px: f64) -> usize {
    ((2.2 * width_px).ceil() as usize + 2).clamp(5, 40)
}

/// Median FWHM of fits, px. `None` with fewer than three.
pub(crate) fn common_width(fits: &[(usize, StarFit)]) -> Option<f64> {
    let widths: Vec<f64> = fits.iter().map(|(_, f)| f.shape.fwhm_px()).collect();
    (widths.len() >= 3).then(|| median(&widths)).flatten()
}
