//! How star width and elongation vary over the frame, from all stars of a session.
//!
//! Places are counted from the frame's centre in half diagonals, so that a corner lies at 1; angles run from +x to +y of
//! the file. Tilt and curvature widen stars by the square of the defocus, so that frames taken in one focus do not tell
//! their signs.

mod corrected;
mod defocus;
mod elongation;
mod lengths;
mod width;
mod words;

use serde::{Deserialize, Serialize};
use statrs::function::erf::erfc;

use crate::facts::Quantity;
use crate::stats::grouped::FEWEST_FRAMES;
use crate::stats::median;

use super::Star;
use corrected::corrected_radius;
use elongation::{Elongation, ellipticity};

pub use corrected::{MOST_ELLIPTICITY, MOST_GROWTH};
pub use defocus::{blur_variance_px2, defocus_um, defocused_fwhm_px};
pub use elongation::{chi, radial_part};
pub use lengths::SeenElongation;
pub use width::{WIDTH_TERMS, relative_width};
pub use words::Cause;

/// Fewest stars in all: a surface of six terms and a pattern of six leave no honest scatter with fewer.
pub const FEWEST_STARS: usize = 30;
/// Chance below which an effect counts as significant: three sigma of a normal law.
pub const SIGNIFICANT_CHANCE: f64 = 0.0027;
/// Parts of the frame along either axis within which stars may share a flaw: many more than the terms of the surfaces.
const PLACES: usize = 8;

/// The stars of one frame.
#[derive(Debug, Clone, Copy)]
pub struct FieldFrame<'a> {
    pub stars: &'a [Star],
    /// Columns and rows, px.
    pub size: [usize; 2],
}

/// What turns widths into a defocus; either may be unknown.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct FieldOptics {
    /// Size of a recorded pixel, um.
    pub um_per_px: Option<f64>,
    /// Focal length over aperture.
    pub focal_ratio: Option<f64>,
}

/// Chance that errors alone make an effect as large as the one seen.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Chances {
    pub tilt: f64,
    pub curvature: f64,
    pub constant_elongation: f64,
    pub linear_elongation: f64,
    pub radial_elongation: f64,
    /// That the constant part is the same in every frame; `None` with one frame.
    pub change_between_frames: Option<f64>,
}

/// The fitted surfaces, for whoever wants to draw them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FieldSurface {
    /// Half of the frame's width and height in half diagonals.
    pub half_size: [f64; 2],
    /// FWHM before the pixel at the centre, median over the frames, px.
    pub central_fwhm_px: f64,
    /// Factors of u, v, u^2, uv, v^2 in the width over that at the centre.
    pub width_terms: [f64; WIDTH_TERMS],
    pub width_terms_sigma: [f64; WIDTH_TERMS],
    /// Real and imaginary part of the elongation's factors of 1, w and w^2.
    pub elongation_terms: [[f64; 2]; 3],
    pub elongation_terms_sigma: [f64; 3],
    pub chances: Chances,
}

impl FieldSurface {
    /// FWHM before the pixel at a place, px.
    pub fn fwhm_px(&self, u: f64, v: f64) -> f64 {
        self.central_fwhm_px * relative_width(&self.width_terms, u, v)
    }

    /// Both parts of the elongation chi at a place.
    pub fn chi(&self, u: f64, v: f64) -> [f64; 2] {
        let [c0, c1, c2] = self.elongation_terms;
        let (c, d) = (u * u - v * v, 2.0 * u * v);
        [c0[0] + c1[0] * u - c1[1] * v + c2[0] * c - c2[1] * d, c0[1] + c1[0] * v + c1[1] * u + c2[0] * d + c2[1] * c]
    }

    /// Ellipticity (1 - minor/major) and direction of the long axis (radians from +x towards +y) at a place.
    pub fn elongation(&self, u: f64, v: f64) -> (f64, f64) {
        let [a, b] = self.chi(u, v);
        (ellipticity(a.hypot(b)), 0.5 * b.atan2(a))
    }
}

/// Star images over the frame: the `field` of a session.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FieldResult {
    /// Frames and stars that went in.
    pub frames: usize,
    pub stars: usize,
    pub half_diagonal_px: Option<f64>,
    pub half_diagonal_mm: Quantity,
    /// Size of the width's gradient at the centre, % per half diagonal, and per mm on the sensor.
    pub tilt_percent: Quantity,
    pub tilt_percent_per_mm: Quantity,
    /// Direction in which stars widen, degrees.
    pub tilt_direction_deg: Quantity,
    /// Growth of the width from the centre to a corner, mean over directions, tilt left out, %.
    pub curvature_percent: Quantity,
    /// The same as a share of the width at the centre.
    pub curvature: Quantity,
    /// Width at the corners, mean of the four, over that at the centre.
    pub corner_fwhm_ratio: Quantity,
    /// The largest elongation told.
    pub elongation: SeenElongation,
    /// Ellipticity that all stars share, and its direction, degrees.
    pub constant_ellipticity: Quantity,
    pub constant_direction_deg: Quantity,
    /// Standard deviation of that part from frame to frame, errors taken off.
    pub change_between_frames: Quantity,
    /// Ellipticity at a corner of the part that is linear in position.
    pub linear_ellipticity: Quantity,
    /// Ellipticity at a corner of the part that points to the centre (positive) or around it (negative).
    pub radial_ellipticity: Quantity,
    /// Distance from the centre within which stars are good, px, mm and over the half diagonal.
    pub corrected_radius_px: Quantity,
    pub corrected_radius_mm: Quantity,
    pub corrected_radius_fraction: Quantity,
    /// The radius is a lower limit: the whole frame is good.
    pub corrected_to_the_corner: Option<bool>,
    /// Size of the defocus at the corners that would widen stars as much, um; without a sign.
    pub corner_defocus_um: Quantity,
    /// Significant effects that are large enough to see, the largest first.
    pub causes: Vec<Cause>,
    /// The finding in a few words, and in full.
    pub finding: String,
    pub sentence: String,
    pub surface: Option<FieldSurface>,
}

/// A star at its place.
pub(crate) struct Placed {
    frame: usize,
    place: usize,
    u: f64,
    v: f64,
    ln_fwhm: f64,
    ln_sigma: f64,
    chi: [f64; 2],
    chi_sigma: [f64; 2],
}

impl FieldResult {
    /// Nothing known, for the reason given.
    pub fn not_measurable(frames: usize, stars: usize, because: &str) -> Self {
        let unknown = || Quantity::not_measurable(because);
        Self {
            frames,
            stars,
            half_diagonal_px: None,
            half_diagonal_mm: unknown(),
            tilt_percent: unknown(),
            tilt_percent_per_mm: unknown(),
            tilt_direction_deg: unknown(),
            curvature_percent: unknown(),
            curvature: unknown(),
            corner_fwhm_ratio: unknown(),
            elongation: SeenElongation { cause: None, percent: unknown(), angle_deg: unknown() },
            constant_ellipticity: unknown(),
            constant_direction_deg: unknown(),
            change_between_frames: unknown(),
            linear_ellipticity: unknown(),
            radial_ellipticity: unknown(),
            corrected_radius_px: unknown(),
            corrected_radius_mm: unknown(),
            corrected_radius_fraction: unknown(),
            corrected_to_the_corner: None,
            corner_defocus_um: unknown(),
            causes: Vec::new(),
            finding: String::new(),
            sentence: format!("Star images over the frame are not measurable, because {because}."),
            surface: None,
        }
    }
}

/// Variation over the frame from the fitted stars of a session's frames, all of one size.
pub fn field(frames: &[FieldFrame], optics: FieldOptics) -> FieldResult {
    let stars = placed(frames);
    let count = stars.len();
    if count < FEWEST_STARS {
        let why = format!(
            "{count} fitted stars in {} frames are fewer than the {FEWEST_STARS} that it needs; longer exposures or \
             more frames would show more",
            frames.len()
        );
        return FieldResult::not_measurable(frames.len(), count, &why);
    }
    let [columns, rows] = frames[0].size.map(|n| n as f64);
    let half_diagonal_px = columns.hypot(rows) / 2.0;
    let half_size = [columns / 2.0 / half_diagonal_px, rows / 2.0 / half_diagonal_px];
    let (Some(width), Some(pattern)) = (width::fit(&stars), elongation::fit(&stars, frames.len())) else {
        let why = "the fitted stars cover too little of the frame";
        return FieldResult::not_measurable(frames.len(), count, why);
    };
    let levels: Vec<f64> = width.levels.iter().flatten().map(|l| l.value.exp()).collect();
    let c = pattern.fit.values;
    let variance = |j: usize| pattern.fit.covariance[(j, j)];
    let radial_sigma = variance(2).sqrt();
    let linear_sigma = (0.5 * (variance(0) + variance(1))).sqrt();
    let (bend, bend_sigma) = width.propagate(|t| 0.5 * (t[2] + t[4]));
    let tilt = width.values.fixed_rows::<2>(0).into_owned();
    let tilt_cov = width.covariance.fixed_view::<2, 2>(0, 0).into_owned();
    let chances = Chances {
        tilt: tilt_cov.try_inverse().map_or(1.0, |i| pair_chance((tilt.transpose() * i * tilt)[0])),
        curvature: erfc((bend / bend_sigma).abs() / std::f64::consts::SQRT_2),
        constant_elongation: vector_chance(pattern.constant, pattern.constant_sigma),
        linear_elongation: vector_chance([c[0], c[1]], linear_sigma),
        radial_elongation: erfc((c[2] / radial_sigma).abs() / std::f64::consts::SQRT_2),
        change_between_frames: pattern.change_chance,
    };
    let surface = FieldSurface {
        half_size,
        central_fwhm_px: median(&levels).unwrap_or(f64::NAN),
        width_terms: width.values.into(),
        width_terms_sigma: std::array::from_fn(|j| width.covariance[(j, j)].sqrt()),
        elongation_terms: [pattern.constant, [c[0], c[1]], [c[2], c[3]]],
        elongation_terms_sigma: [pattern.constant_sigma, linear_sigma, radial_sigma],
        chances,
    };
    let method = if frames.len() >= FEWEST_FRAMES {
        "stars of all frames on one surface; errors from leaving out frames and from shared places"
    } else {
        "stars of all frames on one surface; errors from the scatter of the stars"
    };
    let of = |value: f64, sigma: f64| Quantity::measured(value, sigma, method, count);
    let percent = |(value, sigma): (f64, f64)| of(100.0 * value, 100.0 * sigma);
    let signed = |chi: f64, sigma: f64| of(chi.signum() * ellipticity(chi), sigma);
    let mut result = FieldResult::not_measurable(frames.len(), count, "the errors of the surface are not determined");
    result.half_diagonal_px = Some(half_diagonal_px);
    result.tilt_percent = percent(width.propagate(|t| t[0].hypot(t[1])));
    result.tilt_direction_deg = if chances.tilt < SIGNIFICANT_CHANCE {
        // The gradient of a plane about its own direction: a small angle, free of the jump at 360 degrees.
        let (_, sigma) = width.propagate(|t| (tilt[0] * t[1] - tilt[1] * t[0]).atan2(tilt[0] * t[0] + tilt[1] * t[1]));
        of(tilt[1].atan2(tilt[0]).to_degrees().rem_euclid(360.0), sigma.to_degrees())
    } else {
        Quantity::not_measurable("no gradient of the width above its error")
    };
    result.curvature_percent = percent((bend, bend_sigma));
    result.curvature = of(bend, bend_sigma);
    let (ratio, ratio_sigma) = width.propagate(|t| mean_of_corners(t, half_size));
    result.corner_fwhm_ratio = of(ratio, ratio_sigma);
    constant_part(&mut result, &pattern, chances, &of);
    result.linear_ellipticity = of(ellipticity(c[0].hypot(c[1])), linear_sigma);
    result.radial_ellipticity = signed(c[2], radial_sigma);
    let radius = corrected_radius(&width.values, &width.covariance, (c[2], radial_sigma), half_size);
    good_part(&mut result, radius, half_diagonal_px, &of);
    result.corner_defocus_um = corner_defocus(&surface, &width, optics, chances, &of);
    result.surface = Some(surface);
    lengths::in_mm(&mut result, half_diagonal_px, optics.um_per_px);
    words::conclude(&mut result);
    result.elongation = lengths::largest_elongation(&result);
    result
}

fn placed(frames: &[FieldFrame]) -> Vec<Placed> {
    let mut stars = Vec::new();
    for (frame, f) in frames.iter().enumerate() {
        let [columns, rows] = f.size.map(|n| n as f64);
        let half_diagonal = columns.hypot(rows) / 2.0;
        let part = |at: f64, n: f64| (((at + 0.5) / n * PLACES as f64).max(0.0) as usize).min(PLACES - 1);
        for star in f.stars {
            let fit = &star.fit;
            let (chi, chi_sigma) = chi(fit);
            stars.push(Placed {
                frame,
                place: part(fit.y, rows) * PLACES + part(fit.x, columns),
                u: (fit.x - (columns - 1.0) / 2.0) / half_diagonal,
                v: (fit.y - (rows - 1.0) / 2.0) / half_diagonal,
                ln_fwhm: fit.shape.fwhm_px().ln(),
                ln_sigma: fit.sigma_ln_width,
                chi,
                chi_sigma,
            });
        }
    }
    let sound = |s: &Placed| [s.ln_fwhm, s.ln_sigma, s.chi_sigma[0], s.chi_sigma[1]].iter().all(|v| v.is_finite());
    stars.retain(|s| sound(s) && s.ln_sigma > 0.0);
    stars
}

/// Chance of a chi2 with two degrees of freedom.
fn pair_chance(chi2: f64) -> f64 {
    (-0.5 * chi2).exp()
}

fn vector_chance(vector: [f64; 2], sigma: f64) -> f64 {
    pair_chance((vector[0].powi(2) + vector[1].powi(2)) / (sigma * sigma))
}

fn constant_part(result: &mut FieldResult, pattern: &Elongation, chances: Chances, of: &dyn Fn(f64, f64) -> Quantity) {
    let [a, b] = pattern.constant;
    let length = a.hypot(b);
    result.constant_ellipticity = of(ellipticity(length), pattern.constant_sigma);
    result.constant_direction_deg = if chances.constant_elongation < SIGNIFICANT_CHANCE {
        let sigma = (0.5 * pattern.constant_sigma / length).to_degrees();
        of((0.5 * b.atan2(a)).to_degrees().rem_euclid(180.0), sigma)
    } else {
        Quantity::not_measurable("the stars share no elongation above its error")
    };
    result.change_between_frames = match chances.change_between_frames {
        Some(_) => Quantity::with(
            crate::facts::Source::Measured,
            pattern.change,
            None,
            "standard deviation over the frames of either part of the constant elongation, errors taken off",
            result.frames,
        ),
        None => Quantity::not_measurable("one frame shows no change; a second one would"),
    };
}

fn good_part(
    result: &mut FieldResult,
    found: Option<corrected::Corrected>,
    half_diagonal_px: f64,
    of: &dyn Fn(f64, f64) -> Quantity,
) {
    let Some(found) = found else { return };
    let share = format!("{:.0} % of the draws from its errors reach the corners", 100.0 * found.whole_share);
    let fraction = match found.radius {
        Some(radius) => of(radius, found.sigma),
        None => {
            let mut limit = of(1.0, 0.0);
            limit.sigma = None;
            limit.noted(format!("a lower limit: stars are good out to the corners; {share}"))
        }
    };
    result.corrected_to_the_corner = Some(found.radius.is_none());
    result.corrected_radius_px = fraction.scaled(half_diagonal_px);
    result.corrected_radius_fraction = fraction;
}

/// Width at the corners over that at the centre; the terms that change sign from corner to corner leave the mean.
fn mean_of_corners(t: &nalgebra::SVector<f64, WIDTH_TERMS>, [hu, hv]: [f64; 2]) -> f64 {
    1.0 + t[2] * hu * hu + t[4] * hv * hv
}

/// Defocus that would widen the corners, as a mean over all four, from the width at the centre.
fn corner_defocus(
    surface: &FieldSurface,
    width: &crate::stats::grouped::GroupedFit<WIDTH_TERMS>,
    optics: FieldOptics,
    chances: Chances,
    of: &dyn Fn(f64, f64) -> Quantity,
) -> Quantity {
    let (Some(um_per_px), Some(focal_ratio)) = (optics.um_per_px, optics.focal_ratio) else {
        return Quantity::not_measurable(
            "pixel size, focal length or aperture is not known; the rig keys pixel_um, focal_mm and aperture_mm supply \
             them",
        );
    };
    let centre = surface.central_fwhm_px;
    let (value, sigma) =
        width.propagate(|t| defocus_um(centre, centre * mean_of_corners(t, surface.half_size), focal_ratio, um_per_px));
    if chances.curvature >= SIGNIFICANT_CHANCE || value <= 0.0 {
        return Quantity::not_measurable("the corners are not wider than the centre above the error");
    }
    of(value, sigma).noted("a size without sign: one set of frames in one focus does not tell it")
}
