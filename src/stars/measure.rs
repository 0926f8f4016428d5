//! From a frame's pixels to its stars and their common width, shape and number.

use std::cmp::Ordering;
use std::collections::BTreeMap;

use super::colour_sites::widths_of_sites;
use super::options::MeasureOptions;
use super::profile::equations::{FitNoise, Profile};
use super::profile::fit::StarFit;
use super::profile::image::FrameImage;
use super::rejection::locus::Locus;
use super::rejection::lone::unlike_their_neighbours;
use super::rejection::star_image::StarImage;
use super::search::{Choice, FIT_SIGMA, KERNEL_MISMATCH, SCOUTS, Search, common_width};
use super::star::{FrameStars, Place, Star, StarFlag};
use super::summary::{out_of_focus, summed_up};
use super::trailed::follow_lines;
use super::{Peak, map_sky};
use crate::facts::stars::{StarsMissing, StarsNote};
use crate::fits::Pixels;
use crate::frame::Lattice;
use crate::stats::median;

/// Kernel width to begin with, px as recorded; a frame with other stars is searched again with theirs.
pub(crate) const FIRST_KERNEL_PX: f64 = 3.0;
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

/// Recorded widths against which peaks are held before the frame's is known, px: each serves from 0.7 to 1.4 times its own.
const ANY_WIDTH_PX: [f64; 4] = [1.3, 2.4, 4.5, 8.0];
/// Brightest peaks that are held against them: the scouts are among these.
const LOOKED_AT: usize = 400;

/// Minor axis against the scouts' median below which a fit is a track: as far below as their noise hardly reaches.
const LEAST_MINOR: f64 = 0.6;

/// Reasons that tell a peak from a star's.
const NO_STAR: [StarFlag; 4] = [StarFlag::HotPixel, StarFlag::Streak, StarFlag::Nebula, StarFlag::TooSharp];

/// Measures the stars of one plane. `None` when it holds no finite pixels.
///
/// # Examples
///
/// Twenty-five simulated stars of 2.5 px full width at half maximum, Moffat profiles of exponent 3:
///
/// ```
/// use skygrain::fits::Pixels;
/// use skygrain::frame::Lattice;
/// use skygrain::simulate::{Detector, FrameRecipe, SimStar, render};
/// use skygrain::stars::{MeasureOptions, measure};
///
/// let at = |k: usize| 30.0 + 40.3 * k as f64;
/// let stars = (0..25).map(|k| SimStar::round(at(k % 5), at(k / 5), 60_000.0, 2.5, 3.0)).collect();
/// let sky = FrameRecipe::unlit(Detector::even(224, 224), 1);
/// let pixels = Pixels::U16(render(&FrameRecipe { exposure_s: 60.0, sky_e_per_px_s: 1.0, stars, ..sky }).0);
///
/// let options = MeasureOptions { lattice: Lattice::All, e_per_adu: None, saturation_adu: None, diffraction: None };
/// let found = measure(&pixels, &options).expect("the frame has pixels");
/// let (fwhm_px, sigma) = found.fwhm_px.pair().expect("there are stars");
/// assert_eq!(found.star_count, 25);
/// assert!((fwhm_px - 2.5).abs() < 5.0 * sigma);
/// ```
pub fn measure(plane: &Pixels, options: &MeasureOptions) -> Option<FrameStars> {
    let sky = map_sky(plane, options.lattice)?;
    let mut kernel_px = FIRST_KERNEL_PX;
    let mut search = Search::new(plane, options, &sky, kernel_px);
    if search.holds_rings() {
        return Some(out_of_focus(&sky, search.may_be_stars().filter(|s| *s).count()));
    }
    search.sift(&images_of_any_width(), LOOKED_AT);
    let mut scouts = search.scout(search.choose(kernel_px));
    if let Some(width) = common_width(&scouts)
        && !(1.0 / KERNEL_MISMATCH..KERNEL_MISMATCH).contains(&(width.hypot(PIXEL_FWHM_PX) / kernel_px))
    {
        kernel_px = width.hypot(PIXEL_FWHM_PX).clamp(1.2, 16.0);
        search = Search::new(plane, options, &sky, kernel_px);
        search.sift(&images_of_any_width(), LOOKED_AT);
        scouts = search.scout(search.choose(kernel_px));
    }
    let choice = search.choose(common_width(&scouts).unwrap_or(kernel_px));
    let is_shared = keep_the_like(&mut search, choice, &mut scouts);
    let width_px = common_width(&scouts).unwrap_or(kernel_px);
    let minors: Vec<f64> = scouts.iter().map(|(_, f)| f.shape.minor_fwhm_px()).collect();
    let minor_px = median(&minors).unwrap_or(width_px);
    match is_shared {
        true => search.sift(&[StarImage::new(width_px.hypot(PIXEL_FWHM_PX))], usize::MAX),
        // Without a width the kernel's stands in, and the sharpest, so that sharp stars stay.
        false => search.sift(&[kernel_px, ANY_WIDTH_PX[0]].map(StarImage::new), usize::MAX),
    }
    let choice = search.choose(width_px);
    let image = search.learn_image(choice, &scouts);
    let profile = image.as_ref().map_or(Profile::Moffat(None), FrameImage::profile);
    let mut judged = judge(&search, &Expected { choice, minor_px, profile, known: scouts });
    judged.leave_out_pairs();
    let alike = judged.leave_out_the_unlike(search.size());
    let star_count = search.peaks.len() - judged.no_star();
    let mut summary = summed_up(&sky, star_count, judged.flags, judged.stars, image.as_ref());
    summary.places = judged.places;
    summary.clip_level_adu = search.piled_up_adu;
    if !alike {
        let fitted = summary.stars.len();
        summary.without_width(&StarsMissing::WidthsDisagree { found: star_count, fitted });
    }
    if summary.trailed {
        follow_lines(&mut summary, &search, choice);
    }
    if let Lattice::Green(pattern) = options.lattice
        && pattern.tells_red()
    {
        let noise = FitNoise { sky_adu2: sky.median_sigma_adu.powi(2).max(1e-12), e_per_adu: options.e_per_adu };
        let with = (noise, profile);
        summary.site_fwhm_px = Some(widths_of_sites(plane, pattern, &summary.stars, &summary.fwhm_px, with));
    }
    if judged.clipped > 0 && summary.fwhm_px.is_known() {
        let note = StarsNote::ClippedCores { clipped: judged.clipped, stars: summary.stars.len() };
        summary.fwhm_px = summary.fwhm_px.noted(note);
    }
    Some(summary)
}

/// Of the scouts those that share one width, and a mark on the peaks whose fits do not; more are fitted where that takes
/// them. False where none is shared.
fn keep_the_like(search: &mut Search, choice: Choice, scouts: &mut Vec<(usize, StarFit)>) -> bool {
    let locus_of = |scouts: &[(usize, StarFit)], size| Locus::of(scouts.iter().map(|(_, f)| f), size);
    let mut locus = locus_of(scouts, search.size());
    if locus.is_none() && scouts.len() >= 3 {
        let more = search.clean(choice).take(MOST_FITS).skip(SCOUTS);
        let fitted = more.filter_map(|i| Some((i, search.fit_near(i, choice.width_px, Profile::Moffat(None), &[])?)));
        let all: Vec<(usize, StarFit)> = scouts.iter().copied().chain(fitted).collect();
        locus = locus_of(&all, search.size());
        if locus.is_some() {
            *scouts = all;
        }
    }
    let Some(locus) = locus else { return false };
    let unlike = locus.unlike(&scouts.iter().map(|(_, f)| f).collect::<Vec<_>>());
    for ((i, _), how) in scouts.iter().zip(&unlike) {
        if let Some(how) = how {
            search.mark(*i, flag_of(*how));
        }
    }
    keep(scouts, unlike.iter().map(Option::is_none));
    true
}

/// Keeps the items for which an equally long row says so.
fn keep<T>(items: &mut Vec<T>, mut row: impl Iterator<Item = bool>) {
    items.retain(|_| row.next() == Some(true));
}

fn flag_of(how: Ordering) -> StarFlag {
    if how == Ordering::Less { StarFlag::TooSharp } else { StarFlag::Extended }
}

/// Star images of any width that a frame's may have.
fn images_of_any_width() -> [StarImage; 4] {
    ANY_WIDTH_PX.map(StarImage::new)
}

/// What the frame's bright stars say of all.
struct Expected<'a> {
    choice: Choice,
    /// Median FWHM along the shorter axis, px.
    minor_px: f64,
    /// What the stars are fitted with.
    profile: Profile<'a>,
    /// Fits that there are, each with its peak's number.
    known: Vec<(usize, StarFit)>,
}

/// The peaks of a frame, each judged.
#[derive(Default)]
struct Judged {
    flags: BTreeMap<StarFlag, usize>,
    stars: Vec<Star>,
    places: Vec<Place>,
    /// Stars used whose core is clipped.
    clipped: usize,
}

/// Fits the brightest peaks that are worth it and says of the others why they are not.
fn judge(search: &Search, expected: &Expected) -> Judged {
    let mut judged = Judged::default();
    let mut tried = 0;
    for (i, peak) in search.peaks.iter().enumerate() {
        let mut star = None;
        let flag = match search.flag(i, expected.choice) {
            Some(flag) => Some(flag),
            None if peak.significance < FIT_SIGMA => Some(StarFlag::Faint),
            None if tried >= MOST_FITS => Some(StarFlag::NotNeeded),
            None => {
                tried += 1;
                match fitted(search, i, expected) {
                    Err(flag) => Some(flag),
                    Ok(fit) => {
                        star = Some(Star { significance: peak.significance, fit });
                        // Used for want of whole stars, and said to be clipped all the same.
                        search.is_clipped(i, expected.choice.width_px).then_some(StarFlag::Saturated)
                    }
                }
            }
        };
        if judged.places.len() < MOST_PLACES && !flag.is_some_and(|f| NO_STAR.contains(&f)) {
            judged.places.push(place(peak, star.as_ref(), flag));
        }
        judged.clipped += usize::from(star.is_some() && flag.is_some());
        judged.stars.extend(star);
        if let Some(flag) = flag {
            *judged.flags.entry(flag).or_default() += 1;
        }
    }
    judged
}

/// The fit of a peak, or why it is none of a star of this frame.
fn fitted(search: &Search, i: usize, expected: &Expected) -> Result<StarFit, StarFlag> {
    let width_px = expected.choice.width_px;
    let fit = search.fit_near(i, width_px, expected.profile, &expected.known).ok_or(StarFlag::FitFailed)?;
    match fit.shape.fwhm_px() / width_px {
        r if r < WIDTH_RANGE[0] || fit.shape.minor_fwhm_px() < LEAST_MINOR * expected.minor_px => {
            Err(StarFlag::TooSharp)
        }
        r if r > WIDTH_RANGE[1] => Err(StarFlag::Extended),
        _ => Ok(fit),
    }
}

impl Judged {
    /// Takes out stars that are drawn out as none around them is.
    fn leave_out_pairs(&mut self) {
        let pairs = unlike_their_neighbours(&self.stars);
        if pairs.contains(&true) {
            keep(&mut self.stars, pairs.iter().map(|is_pair| !is_pair));
            *self.flags.entry(StarFlag::Blended).or_default() += pairs.iter().filter(|p| **p).count();
        }
    }

    /// Takes out images that do not share the width of the frame's stars; false where no width is shared.
    fn leave_out_the_unlike(&mut self, size: (usize, usize)) -> bool {
        if self.stars.len() < 3 {
            return true;
        }
        let Some(locus) = Locus::of(self.stars.iter().map(|s| &s.fit), size) else { return false };
        let unlike = locus.unlike(&self.stars.iter().map(|s| &s.fit).collect::<Vec<_>>());
        for how in unlike.iter().flatten() {
            *self.flags.entry(flag_of(*how)).or_default() += 1;
        }
        keep(&mut self.stars, unlike.iter().map(Option::is_none));
        true
    }

    /// Peaks that are no stars.
    fn no_star(&self) -> usize {
        NO_STAR.iter().filter_map(|f| self.flags.get(f)).sum()
    }
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
