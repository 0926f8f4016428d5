//! Widths of a frame's stars as the red and the blue sites of its mosaic see them.
//!
//! The green sites tell where the stars are; of the brightest the same image, of another width, is fitted to the sites of the other colours,
//! one in four pixels. Stars of one frame share what seeing, focus and lens make of a colour, so the ratio to the green is one number.

use super::profile::equations::{FitNoise, Profile};
use super::profile::fit::{StarFit, fit_star};
use super::profile::stamp::Stamp;
use super::search::stamp_half_px;
use super::star::Star;
use crate::facts::Quantity;
use crate::facts::stars::{StarsMethod, StarsMissing};
use crate::fits::Pixels;
use crate::folder::CfaPattern;
use crate::stats::median_with_error;

/// Brightest stars that are fitted: their scatter then leaves a width good to a per cent or two.
const MOST: usize = 60;
/// Fewest stars that tell a width, and least height over the filtered noise of the green sites: half as many sites see them.
const LEAST: usize = 5;
const LEAST_SIGNIFICANCE: f64 = 20.0;
/// Farthest a fit may slide from where the green sites see the star, px.
const MOST_SLIDE_PX: f64 = 1.5;

/// Widths before the pixel of the red and blue sites, px. `green` is that of the green ones, whose image `profile` is.
pub(crate) fn widths_of_sites(
    plane: &Pixels,
    pattern: CfaPattern,
    stars: &[Star],
    green: &Quantity,
    (noise, profile): (FitNoise, Profile),
) -> [Quantity; 2] {
    let bright: Vec<&StarFit> =
        stars.iter().filter(|s| s.significance > LEAST_SIGNIFICANCE).take(MOST).map(|s| &s.fit).collect();
    [b'R', b'B'].map(|letter| {
        let ratio = |star: &&StarFit| {
            let stamp = stamp(plane, star, |x, y| pattern.sees(x, y, letter))?;
            let fit = fit_star(&stamp, (star.x, star.y, star.shape), noise, profile).ok()?;
            let slid = (fit.x - star.x).hypot(fit.y - star.y) > MOST_SLIDE_PX;
            (!slid).then_some(fit.shape.ln_half_width - star.shape.ln_half_width)
        };
        let ratios: Vec<f64> = bright.iter().filter_map(ratio).collect();
        let told = median_with_error(&ratios).filter(|_| ratios.len() >= LEAST);
        let (Some((ln, sigma)), Some((width, of_green))) = (told, green.pair()) else {
            return Quantity::not_measurable(StarsMissing::TooFewIsolatedStars);
        };
        let own = width * ln.exp();
        Quantity::measured(own, own * sigma.hypot(of_green / width), StarsMethod::FitsOfColourSites, ratios.len())
    })
}

/// The pixels around a star that `counts`; `None` where they leave the frame.
fn stamp(plane: &Pixels, star: &StarFit, counts: impl Fn(usize, usize) -> bool) -> Option<Stamp> {
    let (rows, columns) = plane.dim();
    let half = stamp_half_px(star.shape.fwhm_px());
    let [x, y] = [star.x, star.y].map(|v| v.round().max(0.0) as usize);
    let (left, top, width) = (x.checked_sub(half)?, y.checked_sub(half)?, 2 * half + 1);
    if left + width > columns || top + width > rows {
        return None;
    }
    let mut values = Vec::with_capacity(width * width);
    for row in top..top + width {
        let of_site = |column, value: f64| if counts(column, row) { value as f32 } else { f32::NAN };
        plane.for_row(row, left..left + width, |column, value| values.push(of_site(column, value)));
    }
    Some(Stamp { left, top, width, values })
}
