//! A frame's stars held against the catalogue: the stage's door.

use super::coincidence::{LEAST_PAIRS, REACH_SIGMAS, Sides};
use super::plate::Plate;
use super::plate_fit::Fitted;
use super::region::Region;
use super::search::{FALSE_ALARM, Found, Search, Step};
use super::source::Source;
use super::{Catalogue, Direction};
use crate::facts::Quantity;
use crate::facts::sky::{NoMatch, SkyMethod, SkyMissing};
use crate::units::ARCSEC_PER_RADIAN;

/// Factor by which a scale from the header may be wrong, either way.
const SCALE_FACTOR: f64 = 1.5;
/// Diagonals of the frame that are tried where the scale is not known, degrees: each reaches a factor of 1.5 either way.
const DIAGONALS_DEG: [f64; 6] = [2.2, 4.8, 1.0, 10.0, 0.45, 0.21];
/// Largest error of a pointing, degrees.
const POINTING_DEG: f64 = 2.0;
/// From few stars and narrow limits (a slewed mount and a nameplate) to many and wide ones.
const STEPS: [Step; 6] = [
    Step { pointing_deg: 0.5, scale_factor: 1.12, sources: 12, per_frame: 15.0 },
    Step { pointing_deg: POINTING_DEG, scale_factor: SCALE_FACTOR, sources: 12, per_frame: 15.0 },
    Step { pointing_deg: 0.5, scale_factor: 1.12, sources: 25, per_frame: 30.0 },
    Step { pointing_deg: POINTING_DEG, scale_factor: SCALE_FACTOR, sources: 20, per_frame: 25.0 },
    Step { pointing_deg: 0.5, scale_factor: SCALE_FACTOR, sources: 35, per_frame: 40.0 },
    Step { pointing_deg: POINTING_DEG, scale_factor: SCALE_FACTOR, sources: 30, per_frame: 40.0 },
];
/// Stars of either side in the last fit: more do not make the scale better than the optics are steady.
const MOST_IN_FIT: usize = 3000;

/// What is known of a frame before it is matched.
#[derive(Debug, Clone, PartialEq)]
pub struct Frame<'a> {
    /// Stars, brightest first.
    pub sources: &'a [Source],
    /// Columns and rows.
    pub size_px: [usize; 2],
    /// Directions that it may point to (J2000), the likeliest first.
    pub pointings: &'a [Direction],
    /// Image scale that is expected, arcsec/px, right within a factor of 1.5; `None` where nothing tells.
    pub scale_arcsec_per_px: Option<f64>,
}

/// Where a frame points and how large its pixels are, from its stars.
#[derive(Debug, Clone, PartialEq)]
pub struct SkyMatch {
    pub plate: Plate,
    /// Geometric mean of both axes at the frame's centre.
    pub scale_arcsec_per_px: Quantity,
    pub scale_x_arcsec_per_px: Quantity,
    pub scale_y_arcsec_per_px: Quantity,
    /// Scale along y over that along x.
    pub pixel_aspect: Quantity,
    /// Relative displacement of the corners' stars, positive inwards.
    pub corner_distortion: Quantity,
    /// From north through east to the file's +y, degrees, 0 to 360.
    pub position_angle_deg: Quantity,
    /// The sky as in a mirror, when the file's +y is drawn upwards.
    pub mirrored: bool,
    pub centre: Direction,
    /// Error of the centre along one axis, arcsec.
    pub centre_error_arcsec: f64,
    /// Stars in the fit.
    pub stars: usize,
    /// Catalogue stars in the frame, as far as they were looked at.
    pub catalogue_stars: usize,
    /// Root mean square of the residuals along one axis, px.
    pub residual_px: f64,
    /// Probability that chance made the match, all that was tried counted.
    pub false_alarm: f64,
    /// Pairs of places: in the list of sources, and the catalogue star's direction and magnitude VT.
    pub pairs: Vec<(usize, Direction, f64)>,
}

/// Matches a frame with the catalogue.
///
/// The false-alarm probability is that of Poisson's law for coincidences of stars, times the number of proposals made (see
/// `FALSE_ALARM`).
///
/// # Errors
///
/// No catalogue, no pointing, too few stars on either side, or no match that is certain.
pub fn match_sky(catalogue: Option<&Catalogue>, frame: &Frame) -> Result<SkyMatch, NoMatch> {
    match_by(catalogue, frame, &STEPS)
}

/// The same for a frame whose pointing and scale another frame of its session told: looks no further than half a degree
/// and 12 % from them, and gives up soon.
///
/// # Errors
///
/// Those of [`match_sky`].
pub fn match_known(catalogue: Option<&Catalogue>, frame: &Frame) -> Result<SkyMatch, NoMatch> {
    match_by(catalogue, frame, &[STEPS[0], STEPS[2]])
}

fn match_by(catalogue: Option<&Catalogue>, frame: &Frame, steps: &[Step]) -> Result<SkyMatch, NoMatch> {
    let catalogue = catalogue.ok_or(NoMatch::NoCatalogue)?;
    if frame.pointings.is_empty() {
        return Err(NoMatch::NoPointing);
    }
    if frame.sources.len() < LEAST_PAIRS {
        return Err(NoMatch::TooFewStarsFound { stars: frame.sources.len(), needed: LEAST_PAIRS });
    }
    let size_px = frame.size_px.map(|n| n as f64);
    let diagonal_px = size_px[0].hypot(size_px[1]);
    let scales: Vec<f64> = match frame.scale_arcsec_per_px {
        Some(scale) => vec![scale / ARCSEC_PER_RADIAN],
        None => DIAGONALS_DEG.iter().map(|d| d.to_radians() / diagonal_px).collect(),
    };
    let mut searches = Vec::new();
    let mut most_stars = 0;
    let radius = |scale: &f64| POINTING_DEG.to_radians() + (SCALE_FACTOR * diagonal_px * scale / 2.0).atan();
    let widest = scales.iter().map(radius).fold(0.0, f64::max);
    for pointing in frame.pointings {
        let all = Region::around(catalogue, *pointing, widest);
        for scale in &scales {
            let region = all.narrowed(radius(scale));
            most_stars = most_stars.max(region.stars.len());
            searches.push((region, *scale));
        }
    }
    if most_stars < LEAST_PAIRS {
        return Err(NoMatch::TooFewInCatalogue { stars: most_stars, needed: LEAST_PAIRS });
    }
    let mut proposals = 0;
    for step in steps {
        for (region, scale) in &searches {
            // Without a scale, its narrow limits mean nothing.
            let scale_factor = if frame.scale_arcsec_per_px.is_some() { step.scale_factor } else { SCALE_FACTOR };
            let search = Search { sources: frame.sources, size_px, region, scale: *scale };
            if let Some(found) = search.step(&Step { scale_factor, ..*step }, &mut proposals) {
                return Ok(in_full(&found, frame, region));
            }
        }
    }
    // Where the scale is known, so is the number of stars that could have been matched.
    let in_frame = |(region, scale): &(Region, f64)| {
        region.stars.len() as f64 * size_px[0] * size_px[1] * scale * scale / region.area()
    };
    let most = searches.iter().map(in_frame).fold(0.0, f64::max);
    if frame.scale_arcsec_per_px.is_some() && most < LEAST_PAIRS as f64 {
        return Err(NoMatch::SparseField { stars: most.round() as usize, needed: LEAST_PAIRS });
    }
    Err(NoMatch::NotFound)
}

/// The match with all stars of both sides.
fn in_full(found: &Found, frame: &Frame, region: &Region) -> SkyMatch {
    let sides = Sides { sources: frame.sources, region, most: MOST_IN_FIT };
    let all = sides.settle(&found.coincidence.fitted.plate, REACH_SIGMAS * found.coincidence.fitted.rms_px + 1.0);
    // More stars never replace a fit by one that rests on fewer pairs.
    let best = all.filter(|a| a.pairs.len() >= found.coincidence.pairs.len());
    let best = best.as_ref().unwrap_or(&found.coincidence);
    let pairs = best.pairs.iter().map(|(s, c)| (*s, region.stars[*c].direction, region.stars[*c].vt_mag)).collect();
    told(&best.fitted, pairs, best.in_frame, found.false_alarm)
}

fn told(fitted: &Fitted, pairs: Vec<(usize, Direction, f64)>, catalogue_stars: usize, false_alarm: f64) -> SkyMatch {
    let plate = fitted.plate;
    let [[a, b], [c, d]] = plate.matrix;
    let n = pairs.len();
    let measured = |value: f64, sigma: f64, method: SkyMethod| Quantity::measured(value, sigma, method, n);
    let scale = |radians: f64, error: f64, method: SkyMethod| {
        let arcsec = radians * ARCSEC_PER_RADIAN;
        measured(arcsec, arcsec * error, method)
    };
    let [error, error_x, error_y] = fitted.scale_errors;
    let unknown = || Quantity::not_measurable(SkyMissing::TooFewStarsForAspect { stars: n });
    SkyMatch {
        scale_arcsec_per_px: scale(plate.scale(), error, SkyMethod::ScaleAtCentre),
        scale_x_arcsec_per_px: scale(a.hypot(c), error_x, SkyMethod::ScaleAlongX),
        scale_y_arcsec_per_px: scale(b.hypot(d), error_y, SkyMethod::ScaleAlongY),
        pixel_aspect: fitted
            .aspect_error
            .map_or_else(unknown, |e| measured(b.hypot(d) / a.hypot(c), e, SkyMethod::ScaleRatio)),
        corner_distortion: measured(plate.distortion, fitted.distortion_error, SkyMethod::CubicDisplacement),
        position_angle_deg: measured(
            b.atan2(d).to_degrees().rem_euclid(360.0),
            fitted.angle_error.to_degrees(),
            SkyMethod::AngleFromNorth,
        ),
        mirrored: plate.determinant() > 0.0,
        centre: plate.centre(),
        centre_error_arcsec: fitted.centre_error_px * plate.scale() * ARCSEC_PER_RADIAN,
        stars: n,
        catalogue_stars,
        residual_px: fitted.rms_px,
        false_alarm: false_alarm.min(FALSE_ALARM),
        plate,
        pairs,
    }
}
