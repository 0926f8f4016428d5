//! From a frame's pixels to its stars and their common width, shape and number.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::fits::Pixels;
use crate::frame::Lattice;
use crate::quantity::Quantity;
use crate::stats::{MEDIAN_TO_MEAN_ERROR, median, median_and_mad_sigma, median_mut};

use super::fit::{FitNoise, Stamp, StarFit, fit_star};
use super::{Peak, Shape, SkyMap, detect, map_sky, recorded_fwhm};

/// Peak height over the filtered noise from which a star counts. Pure noise gives less than one in a megapixel.
const DETECTION_SIGMA: f64 = 5.0;
/// Height from which a star is worth a fit: its width is then known to about 10 %.
const FIT_SIGMA: f64 = 15.0;
/// Kernel width to begin with, px as recorded; a frame with other stars is searched again with theirs.
const FIRST_KERNEL_PX: f64 = 3.0;
/// Ratio of star width to kernel width, either way, from which the search is repeated.
const KERNEL_MISMATCH: f64 = 1.6;
/// Stars fitted to learn the frame's width and beta.
const SCOUTS: usize = 60;
/// Stars fitted in all, brightest first: their mean is then limited by the seeing, not by their number.
const MOST_FITS: usize = 500;
/// Least spread of 1/beta that the prior allows: real profiles are no exact Moffats.
const LEAST_BETA_SPREAD: f64 = 0.015;
/// Share of a saturation level above which a pixel is taken for saturated: sensors bend before they clip.
const SATURATED_SHARE: f64 = 0.95;
/// Recorded numbers of a 16-bit file end here; a pixel this high is clipped whatever the camera.
const HIGHEST_16_BIT_ADU: f64 = 65_535.0;
/// Sum of the neighbours over the centre below which a peak is one hot pixel: half of what a star of 1 px FWHM, centred
/// on its pixel, gives in its four nearest neighbours (0.63, Gaussian after the pixel) or in its four diagonal ones (0.10).
const HOT_PIXEL_NEIGHBOURS: [f64; 2] = [0.31, 0.05];
/// Widths against the frame's common width outside which a fit is no star of this frame: cosmic rays and clusters of hot
/// pixels below, galaxies and unresolved pairs above.
const WIDTH_RANGE: [f64; 2] = [0.6, 1.8];
/// Common elongation (1 - minor/major) from which a frame is called trailed.
const TRAILED_ELLIPTICITY: f64 = 0.3;
/// Stars whose flux stands for the transparency of the sky.
const BRIGHT_STARS: usize = 30;
/// Distance in FWHM within which a neighbour's light cannot be told apart.
const BLEND_FWHM: f64 = 2.0;
/// Distance in FWHM within which a neighbour that is brighter spoils the background.
const GLARE_FWHM: f64 = 4.0;
/// Neighbours fainter than this share of the star do not matter within [`BLEND_FWHM`].
const FAINT_NEIGHBOUR: f64 = 0.03;

/// What is known of the camera before its stars are measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeasureOptions {
    /// Which pixels count.
    pub lattice: Lattice,
    /// Conversion gain, e-/ADU; without it all pixels of a star weigh alike.
    pub e_per_adu: Option<f64>,
    /// Level at which pixels saturate, ADU.
    pub saturation_adu: Option<f64>,
}

/// Why a detected peak was not used for the frame's values.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum StarFlag {
    /// One pixel stands alone: no star image is that sharp.
    HotPixel,
    /// A pixel of the core has reached the saturation level.
    Saturated,
    /// Another star is too near.
    Blended,
    /// The stamp leaves the frame.
    Edge,
    /// Too faint for a useful fit.
    Faint,
    /// Bright enough, but enough brighter stars were fitted.
    NotNeeded,
    /// The fit found no minimum.
    FitFailed,
    /// Much sharper than the frame's stars.
    TooSharp,
    /// Much wider than the frame's stars.
    Extended,
}

impl StarFlag {
    /// The word that reports use.
    pub fn label(self) -> &'static str {
        match self {
            Self::HotPixel => "hot pixel",
            Self::Saturated => "saturated",
            Self::Blended => "blended",
            Self::Edge => "edge",
            Self::Faint => "faint",
            Self::NotNeeded => "not needed",
            Self::FitFailed => "fit failed",
            Self::TooSharp => "too sharp",
            Self::Extended => "extended",
        }
    }
}

/// A star whose fit counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Star {
    /// Height of its peak over the filtered noise.
    pub significance: f64,
    /// The fit.
    pub fit: StarFit,
}

/// What one frame's stars say.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameStars {
    /// Median sky level, ADU (bias included).
    pub sky_adu: f64,
    /// One-sigma uncertainty of that level, ADU.
    pub sky_error_adu: f64,
    /// Noise of one sky pixel, ADU.
    pub sky_sigma_adu: f64,
    /// Detected stars: everything but hot pixels and peaks too sharp to be one.
    pub star_count: usize,
    /// Peaks that were not used, by reason.
    pub flags: BTreeMap<StarFlag, usize>,
    /// Stars that were.
    pub stars: Vec<Star>,
    /// FWHM before the pixel, geometric mean of both axes, px.
    pub fwhm_px: Quantity,
    /// FWHM after the pixel, px.
    pub recorded_fwhm_px: Quantity,
    /// 1 - minor/major, noise bias taken out.
    pub ellipticity: Quantity,
    /// Position angle of the common elongation, degrees from +x towards +y of the file, 0 to 180.
    pub position_angle_deg: Quantity,
    /// Moffat beta.
    pub moffat_beta: Quantity,
    /// All stars are drawn out in one direction.
    pub trailed: bool,
    /// Median flux of the brightest fitted stars, ADU: it falls when cloud comes.
    pub bright_flux_adu: Option<f64>,
}

/// Measures the stars of one plane. `None` when it holds no finite pixels.
pub fn measure(plane: &Pixels, options: &MeasureOptions) -> Option<FrameStars> {
    let sky = map_sky(plane, options.lattice)?;
    let frame = Search { plane, options, sky: &sky };
    let mut kernel_px = FIRST_KERNEL_PX;
    let mut peaks = detect(plane, options.lattice, &sky, kernel_px, DETECTION_SIGMA);
    let mut sorted = frame.sort_out(&peaks, kernel_px);
    let mut scouts = frame.scout(&peaks, &sorted, kernel_px);
    if let Some(width) = common_width(&scouts)
        && !(1.0 / KERNEL_MISMATCH..KERNEL_MISMATCH).contains(&(width.hypot(0.68) / kernel_px))
    {
        kernel_px = width.hypot(0.68).clamp(1.2, 16.0);
        peaks = detect(plane, options.lattice, &sky, kernel_px, DETECTION_SIGMA);
        sorted = frame.sort_out(&peaks, kernel_px);
        scouts = frame.scout(&peaks, &sorted, kernel_px);
    }
    let width_px = common_width(&scouts).unwrap_or(kernel_px);
    let sorted = frame.sort_out(&peaks, width_px);
    let mut flags: BTreeMap<StarFlag, usize> = BTreeMap::new();
    let mut count = |flag: StarFlag| *flags.entry(flag).or_default() += 1;
    let prior = beta_prior(&scouts);
    let mut stars = Vec::new();
    let mut tried = 0;
    for (i, peak) in peaks.iter().enumerate() {
        let flag = match sorted[i] {
            Some(flag) => Some(flag),
            None if peak.significance < FIT_SIGMA => Some(StarFlag::Faint),
            None if tried >= MOST_FITS => Some(StarFlag::NotNeeded),
            None => {
                tried += 1;
                match frame.fit(&peaks, i, width_px, prior) {
                    Some(fit) => match fit.shape.fwhm_px() / width_px {
                        r if r < WIDTH_RANGE[0] || fit.shape.minor_fwhm_px() < 0.5 * width_px * WIDTH_RANGE[0] => {
                            Some(StarFlag::TooSharp)
                        }
                        r if r > WIDTH_RANGE[1] => Some(StarFlag::Extended),
                        _ => {
                            stars.push(Star { significance: peak.significance, fit });
                            None
                        }
                    },
                    None => Some(StarFlag::FitFailed),
                }
            }
        };
        if let Some(flag) = flag {
            count(flag);
        }
    }
    let no_star = [StarFlag::HotPixel, StarFlag::TooSharp].iter().filter_map(|f| flags.get(f)).sum::<usize>();
    let star_count = peaks.len() - no_star;
    Some(summed_up(&sky, star_count, flags, stars, &scouts))
}

/// One frame under search.
struct Search<'a> {
    plane: &'a Pixels,
    options: &'a MeasureOptions,
    sky: &'a SkyMap,
}

impl Search<'_> {
    fn saturated_adu(&self) -> f64 {
        self.options.saturation_adu.map_or(HIGHEST_16_BIT_ADU, |s| s * SATURATED_SHARE)
    }

    /// A flag for each peak, `None` for those worth a fit. `width_px` is the expected FWHM.
    fn sort_out(&self, peaks: &[Peak], width_px: f64) -> Vec<Option<StarFlag>> {
        let (rows, columns) = self.plane.dim();
        let half = stamp_half(width_px);
        let near = Neighbours::new(peaks, columns, GLARE_FWHM * width_px.max(1.5));
        // Hot pixels are no neighbours: a star beside one keeps its light.
        let hot: Vec<bool> = peaks.iter().map(|p| self.is_hot_pixel(p)).collect();
        peaks
            .iter()
            .enumerate()
            .map(|(i, p)| {
                if hot[i] {
                    return Some(StarFlag::HotPixel);
                }
                if p.x < half || p.y < half || p.x + half >= columns || p.y + half >= rows {
                    return Some(StarFlag::Edge);
                }
                if self.core_maximum(p, width_px) >= self.saturated_adu() {
                    return Some(StarFlag::Saturated);
                }
                let spoiled = near.around(peaks, i).any(|(k, distance_px)| {
                    let other = peaks[k].significance / p.significance;
                    !hot[k]
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

    /// Whether one pixel stands alone, within its noise.
    fn is_hot_pixel(&self, peak: &Peak) -> bool {
        let (rows, columns) = self.plane.dim();
        let lattice = self.options.lattice;
        let centre = (peak.y.saturating_sub(1)..(peak.y + 2).min(rows))
            .flat_map(|y| (peak.x.saturating_sub(1)..(peak.x + 2).min(columns)).map(move |x| (x, y)))
            .filter(|(x, y)| lattice.holds(*x, *y))
            .max_by(|a, b| self.plane.at(a.0, a.1).total_cmp(&self.plane.at(b.0, b.1)));
        let Some((x, y)) = centre.filter(|(x, y)| *x > 1 && *y > 1 && x + 2 < columns && y + 2 < rows) else {
            return false;
        };
        // In a crowd the ring lies on other stars; the border of the 5x5 pixels then tells the background better.
        let mut border: Vec<f64> = (y - 2..=y + 2)
            .flat_map(|b| (x - 2..=x + 2).map(move |a| (a, b)))
            .filter(|(a, b)| (a.abs_diff(x) == 2 || b.abs_diff(y) == 2) && lattice.holds(*a, *b))
            .map(|(a, b)| self.plane.at(a, b))
            .collect();
        let ring = self.sky.level_at(x, y) + peak.ring_adu;
        let background = median_mut(&mut border).map_or(ring, |b| b.min(ring));
        let net = |x: usize, y: usize| self.plane.at(x, y) - background;
        let (offsets, limit): ([(i32, i32); 4], f64) = match lattice {
            Lattice::All => ([(-1, 0), (1, 0), (0, -1), (0, 1)], HOT_PIXEL_NEIGHBOURS[0]),
            Lattice::Green(_) => ([(-1, -1), (1, 1), (1, -1), (-1, 1)], HOT_PIXEL_NEIGHBOURS[1]),
        };
        let around: f64 = offsets.iter().map(|(dx, dy)| net((x as i32 + dx) as usize, (y as i32 + dy) as usize)).sum();
        around < limit * net(x, y)
    }

    /// Fits of the brightest clean peaks with free beta.
    fn scout(&self, peaks: &[Peak], sorted: &[Option<StarFlag>], width_px: f64) -> Vec<StarFit> {
        let clean = (0..peaks.len()).filter(|i| sorted[*i].is_none() && peaks[*i].significance >= FIT_SIGMA);
        let fits: Vec<StarFit> = clean.take(SCOUTS).filter_map(|i| self.fit(peaks, i, width_px, None)).collect();
        // A stamp cut for narrower stars than these holds too little of them: once more with their width.
        match common_width(&fits) {
            Some(found) if stamp_half(found) > stamp_half(width_px) => (0..peaks.len())
                .filter(|i| sorted[*i].is_none() && peaks[*i].significance >= FIT_SIGMA)
                .take(SCOUTS)
                .filter_map(|i| self.fit(peaks, i, found, None))
                .collect(),
            _ => fits,
        }
    }

    fn fit(&self, peaks: &[Peak], i: usize, width_px: f64, prior: Option<(f64, f64)>) -> Option<StarFit> {
        let peak = &peaks[i];
        let stamp = self.stamp(peaks, i, width_px)?;
        let beta = prior.map_or(3.0, |(inverse, _)| inverse.recip());
        let noise = FitNoise {
            sky_adu2: self.sky.sigma_at(peak.x, peak.y).powi(2).max(1e-12),
            e_per_adu: self.options.e_per_adu,
        };
        let start = (peak.x as f64, peak.y as f64, Shape::new(width_px, 0.05, 0.0, beta));
        let fit = fit_star(&stamp, start, noise, prior).ok()?;
        // A fit that slid to a neighbour is not this star's.
        let slid = (fit.x - peak.x as f64).hypot(fit.y - peak.y as f64) > width_px.max(1.5);
        (!slid).then_some(fit)
    }

    /// The pixels around a peak; those of other colours, of neighbours and undefined ones do not count.
    fn stamp(&self, peaks: &[Peak], i: usize, width_px: f64) -> Option<Stamp> {
        let (rows, columns) = self.plane.dim();
        let half = stamp_half(width_px);
        let peak = &peaks[i];
        let (left, top) = (peak.x.checked_sub(half)?, peak.y.checked_sub(half)?);
        let width = 2 * half + 1;
        if left + width > columns || top + width > rows {
            return None;
        }
        let mut values = Vec::with_capacity(width * width);
        for y in top..top + width {
            for x in left..left + width {
                let counts = self.options.lattice.holds(x, y);
                values.push(if counts { self.plane.at(x, y) as f32 } else { f32::NAN });
            }
        }
        let mut stamp = Stamp { left, top, width, values };
        let reach = half as f64 + 1.5 * width_px;
        for other in peaks.iter().enumerate().filter(|(k, _)| *k != i).map(|(_, p)| p) {
            let (dx, dy) = (other.x as f64 - peak.x as f64, other.y as f64 - peak.y as f64);
            if dx.abs() < reach && dy.abs() < reach {
                blank(&mut stamp, other, 1.3 * width_px.max(1.0));
            }
        }
        Some(stamp)
    }
}

/// Takes the pixels within `radius_px` of a peak out of a stamp.
fn blank(stamp: &mut Stamp, peak: &Peak, radius_px: f64) {
    for (k, value) in stamp.values.iter_mut().enumerate() {
        let (x, y) = ((k % stamp.width + stamp.left) as f64, (k / stamp.width + stamp.top) as f64);
        if (x - peak.x as f64).hypot(y - peak.y as f64) < radius_px {
            *value = f32::NAN;
        }
    }
}

/// Half side of a stamp, px: 2.2 FWHM hold 97 % of a beta = 3 star's light and leave a rim for the background.
fn stamp_half(width_px: f64) -> usize {
    ((2.2 * width_px).ceil() as usize + 2).clamp(5, 40)
}

/// Peaks in square cells, so that neighbours are found without looking at all.
struct Neighbours {
    cell_px: f64,
    across: usize,
    cells: std::collections::HashMap<usize, Vec<usize>>,
}

impl Neighbours {
    fn new(peaks: &[Peak], columns: usize, reach_px: f64) -> Self {
        let across = (columns as f64 / reach_px) as usize + 3;
        let mut cells: std::collections::HashMap<usize, Vec<usize>> = std::collections::HashMap::new();
        for (i, p) in peaks.iter().enumerate() {
            let (cx, cy) = ((p.x as f64 / reach_px) as usize + 1, (p.y as f64 / reach_px) as usize + 1);
            cells.entry(cy * across + cx).or_default().push(i);
        }
        Self { cell_px: reach_px, across, cells }
    }

    /// Peaks within one cell of peak `i`, with their distance in px.
    fn around<'a>(&'a self, peaks: &'a [Peak], i: usize) -> impl Iterator<Item = (usize, f64)> + 'a {
        let p = peaks[i];
        let (cx, cy) = ((p.x as f64 / self.cell_px) as usize + 1, (p.y as f64 / self.cell_px) as usize + 1);
        (cy - 1..=cy + 1)
            .flat_map(move |y| (cx - 1..=cx + 1).map(move |x| y * self.across + x))
            .filter_map(|cell| self.cells.get(&cell))
            .flatten()
            .filter(move |k| **k != i)
            .map(move |k| (*k, (peaks[*k].x as f64 - p.x as f64).hypot(peaks[*k].y as f64 - p.y as f64)))
    }
}

/// Median FWHM of fits, px. `None` with fewer than three.
fn common_width(fits: &[StarFit]) -> Option<f64> {
    let widths: Vec<f64> = fits.iter().map(|f| f.shape.fwhm_px()).collect();
    (widths.len() >= 3).then(|| median(&widths)).flatten()
}

/// Centre and spread of 1/beta from the scouts, for stars too faint to tell their own. `None` with fewer than five.
fn beta_prior(scouts: &[StarFit]) -> Option<(f64, f64)> {
    let known: Vec<(f64, f64)> = scouts.iter().map(|f| (f.shape.inverse_beta, f.sigma_inverse_beta)).collect();
    if known.len() < 5 {
        return None;
    }
    let (centre, spread) = weighted_median(&known)?;
    Some((centre, spread.max(LEAST_BETA_SPREAD)))
}

/// Median of values weighted by `1 / (sigma^2 + tau^2)`, and tau: the spread that the uncertainties do not explain.
fn weighted_median(values: &[(f64, f64)]) -> Option<(f64, f64)> {
    let centres: Vec<f64> = values.iter().map(|v| v.0).collect();
    let (_, spread) = median_and_mad_sigma(&centres)?;
    let variances: Vec<f64> = values.iter().map(|v| v.1 * v.1).collect();
    let tau2 = (spread * spread - median(&variances)?).max(0.0);
    let mut order: Vec<(f64, f64)> = values.iter().map(|(v, s)| (*v, (s * s + tau2).max(1e-30).recip())).collect();
    order.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = 0.5 * order.iter().map(|o| o.1).sum::<f64>();
    let mut below = 0.0;
    for (value, weight) in order {
        below += weight;
        if below >= half {
            return Some((value, tau2.sqrt()));
        }
    }
    None
}

/// Uncertainty of a weighted median of stars: stated errors and star-to-star scatter, whichever tells more.
fn median_error(values: &[(f64, f64)], tau: f64) -> f64 {
    let information: f64 = values.iter().map(|(_, s)| (s * s + tau * tau).max(1e-30).recip()).sum();
    MEDIAN_TO_MEAN_ERROR / information.sqrt()
}

fn summed_up(
    sky: &SkyMap,
    star_count: usize,
    flags: BTreeMap<StarFlag, usize>,
    stars: Vec<Star>,
    scouts: &[StarFit],
) -> FrameStars {
    let n = stars.len();
    let nothing = || {
        Quantity::not_measurable(format!(
            "{star_count} stars found, {n} of them fitted: clouds, a closed cover or the wrong kind of frame?"
        ))
    };
    let widths: Vec<(f64, f64)> =
        stars.iter().map(|s| (s.fit.shape.fwhm_px(), s.fit.sigma_ln_width * s.fit.shape.fwhm_px())).collect();
    let width = weighted_median(&widths).filter(|_| n >= 3);
    let fwhm_px = width.map_or_else(nothing, |(w, tau)| {
        let method = "median of pixel-integrated elliptical Moffat fits, both axes' geometric mean";
        Quantity::measured(w, median_error(&widths, tau), method, n)
    });
    let (moffat_beta, inverse_beta) = beta_of(scouts);
    let elongation = Elongation::of(&stars);
    let ellipticity = match (&elongation, n >= 3) {
        (Some(e), true) => e.typical(),
        _ => nothing(),
    };
    let common = elongation.as_ref().filter(|_| n >= 3);
    let recorded_fwhm_px = match (fwhm_px.value, fwhm_px.sigma, inverse_beta) {
        (Some(w), Some(s), Some(f)) => {
            let angle = common.map_or(0.0, Elongation::angle_rad);
            let shape = |w: f64| Shape::new(w, ellipticity.value.unwrap_or(0.0), angle, f.recip());
            let recorded = recorded_fwhm(&shape(w));
            // The pixel adds in near-quadrature, so the error shrinks as the width grows.
            Quantity::measured(recorded, s * w / recorded, "width of the fitted profile after the pixel", n)
        }
        _ => nothing(),
    };
    // Stars come brightest first.
    let bright: Vec<f64> = stars.iter().take(BRIGHT_STARS).map(|s| s.fit.flux_adu).collect();
    FrameStars {
        bright_flux_adu: median(&bright),
        sky_adu: sky.median_level_adu,
        sky_error_adu: sky.median_sigma_adu / (16.0 * (sky.tiles.max(1) as f64).sqrt()),
        sky_sigma_adu: sky.median_sigma_adu,
        star_count,
        flags,
        position_angle_deg: common.map_or_else(nothing, Elongation::position_angle),
        trailed: common.is_some_and(Elongation::is_trailed),
        fwhm_px,
        recorded_fwhm_px,
        ellipticity,
        moffat_beta,
        stars,
    }
}

/// Moffat beta from the brightest fits with free beta, and 1/beta itself.
fn beta_of(scouts: &[StarFit]) -> (Quantity, Option<f64>) {
    let known: Vec<(f64, f64)> = scouts.iter().map(|f| (f.shape.inverse_beta, f.sigma_inverse_beta)).collect();
    match weighted_median(&known).filter(|_| known.len() >= 3) {
        Some((inverse, tau)) => {
            let beta = inverse.recip();
            let sigma = median_error(&known, tau) * beta * beta;
            let method = "median of the brightest isolated stars' fits with free beta";
            (Quantity::measured(beta, sigma, method, known.len()), Some(inverse))
        }
        None => (Quantity::not_measurable("fewer than 3 bright isolated stars"), None),
    }
}

/// Weighted mean of the squared elongation and its uncertainty.
///
/// The square of a noisy vector is too large by its variance, which is taken off; the variance of such a square grows
/// with the fourth power of the noise. Squares beyond five spreads are left out.
fn mean_square(stars: &[Star]) -> Option<(f64, f64)> {
    let squares: Vec<(f64, f64)> = stars
        .iter()
        .map(|s| &s.fit)
        .map(|f| (f.shape.e1.powi(2) + f.shape.e2.powi(2), f.sigma_e1.powi(2) + f.sigma_e2.powi(2)))
        .map(|(square, noise)| (square - noise, noise))
        .collect();
    let typical = median(&squares.iter().map(|s| s.1).collect::<Vec<_>>())?;
    let (centre, spread) = median_and_mad_sigma(&squares.iter().map(|s| s.0).collect::<Vec<_>>())?;
    let kept = squares.iter().filter(|s| (s.0 - centre).abs() <= 5.0 * spread.max(f64::MIN_POSITIVE));
    let weighted: Vec<(f64, f64)> = kept.map(|(v, noise)| (*v, (noise + typical).powi(-2))).collect();
    let total: f64 = weighted.iter().map(|w| w.1).sum();
    let mean = weighted.iter().map(|(v, w)| v * w).sum::<f64>() / total;
    let scatter: f64 = weighted.iter().map(|(v, w)| (w * (v - mean)).powi(2)).sum();
    Some((mean, scatter.sqrt() / total))
}

/// Elongation of a frame's stars: what they share, and how strong it is in each.
struct Elongation {
    mean: (f64, f64),
    mean_sigma: f64,
    square: f64,
    square_sigma: f64,
    n: usize,
}

impl Elongation {
    fn of(stars: &[Star]) -> Option<Self> {
        let n = stars.len();
        let component = |pick: fn(&StarFit) -> (f64, f64)| {
            let values: Vec<(f64, f64)> = stars.iter().map(|s| pick(&s.fit)).collect();
            let (centre, tau) = weighted_median(&values)?;
            Some((centre, median_error(&values, tau)))
        };
        let (m1, s1) = component(|f| (f.shape.e1, f.sigma_e1))?;
        let (m2, s2) = component(|f| (f.shape.e2, f.sigma_e2))?;
        let (square, square_sigma) = mean_square(stars)?;
        Some(Self { mean: (m1, m2), mean_sigma: s1.hypot(s2) / std::f64::consts::SQRT_2, square, square_sigma, n })
    }

    fn angle_rad(&self) -> f64 {
        0.5 * self.mean.1.atan2(self.mean.0)
    }

    /// Typical ellipticity of a star, root mean square over the frame.
    fn typical(&self) -> Quantity {
        let e = self.square.max(0.0).sqrt();
        // Near zero the error of the square, not of the root, is the normal one.
        let sigma =
            if self.square > self.square_sigma { self.square_sigma / (2.0 * e) } else { self.square_sigma.sqrt() };
        let ratio = (1.0 + e * e).sqrt() - e;
        let slope = ratio / (1.0 + e * e).sqrt();
        Quantity::measured(1.0 - ratio, sigma * slope, "root mean square over the stars, noise bias removed", self.n)
    }

    fn strength(&self) -> f64 {
        self.mean.0.hypot(self.mean.1)
    }

    fn position_angle(&self) -> Quantity {
        if self.strength() < 3.0 * self.mean_sigma {
            return Quantity::not_measurable("the stars share no direction of elongation above its error");
        }
        let degrees = self.angle_rad().to_degrees().rem_euclid(180.0);
        let sigma = (self.mean_sigma / (2.0 * self.strength())).to_degrees();
        Quantity::measured(degrees, sigma, "direction of the stars' mean elongation, from +x towards +y", self.n)
    }

    fn is_trailed(&self) -> bool {
        let e = self.strength();
        1.0 - ((1.0 + e * e).sqrt() - e) > TRAILED_ELLIPTICITY && e > 3.0 * self.mean_sigma
    }
}
