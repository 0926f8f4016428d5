//! From a frame's pixels to its stars and their common width, shape and number.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::profile::fit::StarFit;
use super::rejection::lone::unlike_their_neighbours;
use super::search::{Search, common_width};
use super::summary::{out_of_focus, summed_up};
use super::trailed::follow_lines;
use super::{Peak, map_sky};
use crate::facts::Quantity;
use crate::fits::Pixels;
use crate::frame::Lattice;
use crate::stats::median;

/// Height from which a star is worth a fit: its width is then known to about 10 %.
pub(crate) const FIT_SIGMA: f64 = 15.0;
/// Kernel width to begin with, px as recorded; a frame with other stars is searched again with theirs.
const FIRST_KERNEL_PX: f64 = 3.0;
/// Ratio of star width to kernel width, either way, from which the search is repeated.
pub(crate) const KERNEL_MISMATCH: f64 = 1.6;
/// FWHM whose square a pixel adds to that of a star, px: `sqrt(8 ln 2 / 12)`.
const PIXEL_FWHM_PX: f64 = 0.68;
/// Stars fitted in all, brightest first: their mean is then limited by the seeing, not by their number.
const MOST_FITS: usize = 300;
/// Widths against the frame's common width outside which a fit is no star of this frame: cosmic rays and clusters of hot
/// pixels below, galaxies and unresolved pairs above.
const WIDTH_RANGE: [f64; 2] = [0.6, 1.8];

/// Places kept: more than a catalogue has in any field that a camera covers.
const MOST_PLACES: usize = 3000;
/// Error of the place of a peak that was not fitted, px: that of its pixel, `1 / sqrt(12)`, and of noise.
const PEAK_SIGMA_PX: f64 = 0.35;

/// Minor axis against the scouts' median below which a fit is a track: as far below as their noise hardly reaches.
const LEAST_MINOR: f64 = 0.6;

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
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StarFlag {
    /// One pixel stands alone: no star image is that sharp.
    HotPixel,
    /// A pixel of the core has reached the saturation level.
    Saturated,
    /// Part of a line far longer than a star, as a satellite draws.
    Streak,
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
            Self::Streak => "streak",
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

/// Reasons that tell a peak from a star's.
const NO_STAR: [StarFlag; 3] = [StarFlag::HotPixel, StarFlag::Streak, StarFlag::TooSharp];

/// A star whose fit counts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Star {
    /// Height of its peak over the filtered noise.
    pub significance: f64,
    /// The fit.
    pub fit: StarFit,
}

/// Where a peak that may be a star lies, fitted or not.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Place {
    /// Column and row, px of the file, 0-based.
    pub x_px: f64,
    pub y_px: f64,
    /// One standard error along an axis, px.
    pub sigma_px: f64,
    /// Flux of the fit, ADU; `None` where none counts, or where the star's core is clipped.
    pub flux_adu: Option<f64>,
}

/// What one frame's stars say.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FrameStars {
    /// Median sky level, ADU (bias included).
    pub sky_adu: f64,
    /// One-sigma uncertainty of that level, ADU.
    pub sky_error_adu: f64,
    /// Noise of one sky pixel, ADU.
    pub sky_sigma_adu: f64,
    /// Detected stars: everything but hot pixels, streaks and peaks too sharp to be one.
    pub star_count: usize,
    /// Peaks that were not used, by reason; saturated ones are counted also where they had to be used.
    pub flags: BTreeMap<StarFlag, usize>,
    /// Stars that were.
    pub stars: Vec<Star>,
    /// Places of the brightest peaks that may be stars, brightest first, whether their fits count or not.
    pub places: Vec<Place>,
    /// FWHM before the pixel, geometric mean of both axes, px.
    pub fwhm_px: Quantity,
    /// FWHM before the pixel along the shorter axis, px: of a trailed frame, what seeing and focus gave.
    pub minor_fwhm_px: Quantity,
    /// FWHM after the pixel, px.
    pub recorded_fwhm_px: Quantity,
    /// 1 - minor/major, noise bias taken out.
    pub ellipticity: Quantity,
    /// Position angle of the common elongation, degrees from +x towards +y of the file, 0 to 180.
    pub position_angle_deg: Quantity,
    /// Moffat beta.
    pub moffat_beta: Quantity,
    /// Relative error of all widths alike from that of the common beta: part of `fwhm_px`, not of the single stars' errors.
    pub common_ln_width_sigma: f64,
    /// All stars are drawn out in one direction.
    pub trailed: bool,
    /// Length of the line that they are drawn out over, px.
    pub trail_length_px: Quantity,
    /// The stars are rings: far out of focus, and no width is measured.
    pub defocused: bool,
    /// Median flux of the brightest fitted stars, ADU: it falls when cloud comes.
    pub bright_flux_adu: Option<f64>,
}

/// Measures the stars of one plane. `None` when it holds no finite pixels.
pub fn measure(plane: &Pixels, options: &MeasureOptions) -> Option<FrameStars> {
    let sky = map_sky(plane, options.lattice)?;
    let mut kernel_px = FIRST_KERNEL_PX;
    let mut search = Search::new(plane, options, &sky, kernel_px);
    if search.holds_rings() {
        return Some(out_of_focus(&sky, search.may_be_stars().filter(|s| *s).count()));
    }
    let mut scouts = search.scout(search.choose(kernel_px));
    if let Some(width) = common_width(&scouts)
        && !(1.0 / KERNEL_MISMATCH..KERNEL_MISMATCH).contains(&(width.hypot(PIXEL_FWHM_PX) / kernel_px))
    {
        kernel_px = width.hypot(PIXEL_FWHM_PX).clamp(1.2, 16.0);
        search = Search::new(plane, options, &sky, kernel_px);
        scouts = search.scout(search.choose(kernel_px));
    }
    let width_px = common_width(&scouts).unwrap_or(kernel_px);
    let minors: Vec<f64> = scouts.iter().map(|(_, f)| f.shape.minor_fwhm_px()).collect();
    let minor_px = median(&minors).unwrap_or(width_px);
    let choice = search.choose(width_px);
    let (beta, known) = search.common_beta(choice, &scouts).map_or((None, Vec::new()), |(b, fits)| (Some(b), fits));
    let mut flags: BTreeMap<StarFlag, usize> = BTreeMap::new();
    let mut count = |flag: StarFlag| *flags.entry(flag).or_default() += 1;
    let prior = beta.map(|b| (b.inverse, b.spread));
    let mut stars = Vec::new();
    let mut places = Vec::new();
    let (mut tried, mut clipped) = (0, 0);
    for (i, peak) in search.peaks.iter().enumerate() {
        let before = stars.len();
        let flag = match search.flag(i, choice) {
            Some(flag) => Some(flag),
            None if peak.significance < FIT_SIGMA => Some(StarFlag::Faint),
            None if tried >= MOST_FITS => Some(StarFlag::NotNeeded),
            None => {
                tried += 1;
                match search.fit_near(i, width_px, prior, &known) {
                    Some(fit) => match fit.shape.fwhm_px() / width_px {
                        r if r < WIDTH_RANGE[0] || fit.shape.minor_fwhm_px() < LEAST_MINOR * minor_px => {
                            Some(StarFlag::TooSharp)
                        }
                        r if r > WIDTH_RANGE[1] => Some(StarFlag::Extended),
                        _ => {
                            stars.push(Star { significance: peak.significance, fit });
                            // Used for want of whole stars, and said to be clipped all the same.
                            let is_clipped = search.is_clipped(i, width_px);
                            clipped += usize::from(is_clipped);
                            is_clipped.then_some(StarFlag::Saturated)
                        }
                    },
                    None => Some(StarFlag::FitFailed),
                }
            }
        };
        if places.len() < MOST_PLACES && !flag.is_some_and(|f| NO_STAR.contains(&f)) {
            places.push(place(peak, stars.get(before), flag));
        }
        if let Some(flag) = flag {
            count(flag);
        }
    }
    let pairs = unlike_their_neighbours(&stars);
    if pairs.contains(&true) {
        let mut is_pair = pairs.iter();
        stars.retain(|_| is_pair.next() != Some(&true));
        *flags.entry(StarFlag::Blended).or_default() += pairs.iter().filter(|p| **p).count();
    }
    let no_star = NO_STAR.iter().filter_map(|f| flags.get(f)).sum::<usize>();
    let star_count = search.peaks.len() - no_star;
    let mut summary = summed_up(&sky, star_count, flags, stars, beta);
    summary.places = places;
    if summary.trailed {
        follow_lines(&mut summary, &search, choice);
    }
    if clipped > 0 && summary.fwhm_px.is_known() {
        let all = summary.stars.len();
        summary.fwhm_px = summary.fwhm_px.noted(format!(
            "{clipped} of the {all} stars have clipped cores, whose pixels were left out: too few whole stars"
        ));
    }
    Some(summary)
}

/// The fitted centre, else the peak's pixel.
fn place(peak: &Peak, fitted: Option<&Star>, flag: Option<StarFlag>) -> Place {
    match fitted.map(|s| &s.fit) {
        Some(f) => Place {
            x_px: f.x,
            y_px: f.y,
            sigma_px: ((f.sigma_x.powi(2) + f.sigma_y.powi(2)) / 2.0).sqrt(),
            flux_adu: flag.is_none().then_some(f.flux_adu),
        },
        None => Place { x_px: peak.x as f64, y_px: peak.y as f64, sigma_px: PEAK_SIGMA_PX, flux_adu: None },
    }
}
