//! How star width and elongation vary over the frame, from all stars of a session.
//!
//! Places are counted from the frame's centre in half diagonals, so that a corner lies at 1; angles run from +x to +y of
//! the file. Tilt and curvature widen stars by the square of the defocus, so that frames taken in one focus do not tell
//! their signs.

mod causes;
mod chi;
mod corrected;
mod defocus;
mod elongation;
mod lengths;
mod placed;
mod result;
mod surface;
mod width;

use crate::facts::stars::{StarsMethod, StarsMissing, StarsNote};
use crate::facts::{Quantity, Source};
use crate::stats::grouped::{FEWEST_FRAMES, GroupedFit};

use chi::ellipticity;
use corrected::{Corrected, corrected_radius};
use defocus::corner_defocus;
use elongation::Elongation;
use width::{bend, mean_of_corners};

pub(crate) use causes::{LEAST_ELLIPTICITY, LEAST_WIDTH_PERCENT};
pub use chi::chi;
pub(crate) use corrected::{MOST_ELLIPTICITY, MOST_GROWTH};
pub use defocus::FieldOptics;
pub use placed::FieldFrame;
pub use result::{Cause, FieldResult, Finding, SeenElongation};
pub use surface::{Chances, FieldSurface, SIGNIFICANT_CHANCE};
pub use width::WIDTH_TERMS;

/// Fewest stars in all: a surface of six terms and a pattern of six leave no honest scatter with fewer.
pub(crate) const FEWEST_STARS: usize = 30;

/// A value with its error as a quantity.
type Told<'a> = &'a dyn Fn(f64, f64) -> Quantity;

/// Variation over the frame from the fitted stars of a session's frames, all of one size.
pub fn field(frames: &[FieldFrame], optics: FieldOptics) -> FieldResult {
    let stars = placed::placed(frames);
    let count = stars.len();
    if count < FEWEST_STARS {
        let why = StarsMissing::TooFewStarsOverFrame { fitted: count, frames: frames.len(), needed: FEWEST_STARS };
        return FieldResult::not_measurable(frames.len(), count, why);
    }
    let [columns, rows] = frames[0].size.map(|n| n as f64);
    let half_diagonal_px = columns.hypot(rows) / 2.0;
    let half_size = [columns / 2.0 / half_diagonal_px, rows / 2.0 / half_diagonal_px];
    let (Some(width), Some(pattern)) = (width::fit(&stars), elongation::fit(&stars, frames.len())) else {
        return FieldResult::not_measurable(frames.len(), count, StarsMissing::StarsCoverTooLittle);
    };
    let surface = FieldSurface::of(&width, &pattern, half_size);
    let of = |value: f64, sigma: f64| {
        let many = frames.len() >= FEWEST_FRAMES;
        let method = if many { StarsMethod::SurfaceOfManyFrames } else { StarsMethod::SurfaceOfFewFrames };
        Quantity::measured(value, sigma, method, count)
    };
    let mut result = FieldResult::not_measurable(frames.len(), count, StarsMissing::SurfaceErrorsUnknown);
    result.half_diagonal_px = Some(half_diagonal_px);
    width_part(&mut result, &width, &surface, &of);
    constant_part(&mut result, &pattern, surface.chances, &of);
    let c = pattern.fit.values;
    let radial_sigma = pattern.radial_sigma();
    result.linear_ellipticity = of(ellipticity(c[0].hypot(c[1])), pattern.linear_sigma());
    result.radial_ellipticity = of(c[2].signum() * ellipticity(c[2]), radial_sigma);
    let radius = corrected_radius(&width.values, &width.covariance, (c[2], radial_sigma), half_size);
    good_part(&mut result, radius, half_diagonal_px, &of);
    result.corner_defocus_um = corner_defocus(&surface, &width, optics, &of);
    result.surface = Some(surface);
    lengths::in_mm(&mut result, half_diagonal_px, optics.um_per_px);
    causes::conclude(&mut result);
    result.elongation = causes::largest_elongation(&result);
    result
}

/// How the width varies.
fn width_part(result: &mut FieldResult, width: &GroupedFit<WIDTH_TERMS>, surface: &FieldSurface, of: Told) {
    let percent = |(value, sigma): (f64, f64)| of(100.0 * value, 100.0 * sigma);
    result.widening_one_side_percent = percent(width.propagate(|t| t[0].hypot(t[1])));
    result.tilt_direction_deg = if surface.chances.tilt < SIGNIFICANT_CHANCE {
        let tilt = width.values;
        // The gradient of a plane about its own direction: a small angle, free of the jump at 360 degrees.
        let (_, sigma) = width.propagate(|t| (tilt[0] * t[1] - tilt[1] * t[0]).atan2(tilt[0] * t[0] + tilt[1] * t[1]));
        of(tilt[1].atan2(tilt[0]).to_degrees().rem_euclid(360.0), sigma.to_degrees())
    } else {
        Quantity::not_measurable(StarsMissing::NoWidthGradient)
    };
    let (bend, bend_sigma) = bend(width);
    result.widening_corner_percent = percent((bend, bend_sigma));
    result.curvature = of(bend, bend_sigma);
    let (ratio, ratio_sigma) = width.propagate(|t| mean_of_corners(t, surface.half_size));
    result.corner_fwhm_ratio = of(ratio, ratio_sigma);
}

/// The elongation that all stars share.
fn constant_part(result: &mut FieldResult, pattern: &Elongation, chances: Chances, of: Told) {
    let [a, b] = pattern.constant;
    let length = a.hypot(b);
    result.constant_ellipticity = of(ellipticity(length), pattern.constant_sigma);
    result.constant_direction_deg = if chances.constant_elongation < SIGNIFICANT_CHANCE {
        let sigma = (0.5 * pattern.constant_sigma / length).to_degrees();
        of((0.5 * b.atan2(a)).to_degrees().rem_euclid(180.0), sigma)
    } else {
        Quantity::not_measurable(StarsMissing::NoSharedElongation)
    };
    result.change_between_frames = match chances.change_between_frames {
        Some(_) => {
            Quantity::with(Source::Measured, pattern.change, None, StarsMethod::ScatterOverFrames, result.frames)
        }
        None => Quantity::not_measurable(StarsMissing::OneFrameOnly),
    };
}

/// How far from the centre stars are good.
fn good_part(result: &mut FieldResult, found: Option<Corrected>, half_diagonal_px: f64, of: Told) {
    let Some(found) = found else { return };
    let fraction = match found.radius {
        Some(radius) => of(radius, found.sigma),
        None => {
            let mut limit = of(1.0, 0.0);
            limit.sigma = None;
            limit.noted(StarsNote::GoodToCorners { share_of_draws: found.whole_share })
        }
    };
    result.corrected_to_the_corner = Some(found.radius.is_none());
    result.corrected_radius_px = fraction.scaled(half_diagonal_px);
    result.corrected_radius_fraction = fraction;
}
