//! The image of a frame's stars without a model: what they have in common beyond any profile that was fitted to them.
//!
//! Each star samples its image at other places of the pixel grid; together they tell it several times a pixel. A surface of
//! cubic B-splines is fitted to the residuals of all, in units of each star's peak.

use nalgebra::{DMatrix, DVector};

use super::equations::{BACKGROUND, E1, E2, INVERSE_BETA, PEAK, WIDTH, X, Y};
use super::joint::JointStar;
use super::moffat::{LANES, Prepared};
use super::recorded::recorded_fwhm;
use crate::stars::Shape;
use crate::stats::{mean_and_std, median};

/// Intervals of the surface a side, and their width over the recorded FWHM: fine enough for a core that is doubled or hollow.
const INTERVALS: usize = 8;
const INTERVAL_PER_FWHM: f64 = 0.36;
const SIDE: usize = INTERVALS + 3;
const COEFFICIENTS: usize = SIDE * SIDE;
/// Spread that is expected of a coefficient, of the peak: holds those that no pixel tells, and weighs nothing beside others.
const LOOSE: f64 = 0.5;
/// Rounds in which the stars' peaks, the surface and its extent settle.
const ROUNDS: usize = 4;
/// Directions in which a contour is followed, the stride that finds it over the surface's reach, and the halvings that place it.
const DIRECTIONS: usize = 48;
const STRIDE: f64 = 0.08;
const HALVINGS: usize = 14;
/// Groups of stars, each left out once, whose widths tell the error of all.
const GROUPS: usize = 5;
/// What the way from the profile to the true image leaves of error, as a share of the logarithm between their widths, and at
/// least; both where the image is this wide in px, and growing with the third power below. Found on images with 0.1 to 0.5 waves
/// of defocus, coma and astigmatism (`fixtures/star-images/`).
const KEPT_SHARE: f64 = 0.15;
const LEAST_KEPT: f64 = 0.013;
const KEPT_AT_PX: f64 = 2.2;
/// Width below which pixels are too coarse for an image that no profile describes, px, and the error that is kept then.
const COARSE_PX: f64 = 1.8;
const COARSE_ERROR: f64 = 0.15;
/// Largest factor of coarseness, and largest logarithm between the widths of profile and surface that is believed of coarse pixels.
const MOST_COARSE: f64 = 1.8;
const MOST_OFF: f64 = 0.5;

/// Width of an image that no model describes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct EmpiricalWidth {
    /// Logarithm of the half width before the pixel, px, and its error.
    pub ln_half_width: f64,
    pub sigma: f64,
    /// 1/beta of the profile that comes nearest.
    pub inverse_beta: f64,
    /// FWHM of the recorded image, px.
    pub recorded_px: f64,
}

/// Width of the stars' common image: the contour of the recorded one, as much wider or narrower than that of the nearest Moffat as the
/// true one is taken to be.
pub(crate) fn empirical_width(stars: &[JointStar]) -> Option<EmpiricalWidth> {
    let middle = |i: usize| median(&stars.iter().map(|s| s.p[i]).collect::<Vec<_>>());
    let shape =
        Shape { ln_half_width: middle(WIDTH)?, e1: middle(E1)?, e2: middle(E2)?, inverse_beta: middle(INVERSE_BETA)? };
    let nearest = shape.prepare();
    let recorded = recorded_fwhm(&nearest);
    // A change of the recorded width is one of the true width times the square of their ratio, as widths in quadrature have it.
    let slope = (recorded / shape.fwhm_px()).powi(2);
    let with_residual = |stars: Vec<JointStar>| recorded_with_residual(stars, &nearest, recorded);
    let wider = |with: f64| slope * (with / recorded).ln();
    let Some(recorded_px) = with_residual(stars.to_vec()) else {
        // Not even their mean holds together: as wide as the profile that comes nearest, and hardly known.
        let Shape { ln_half_width, inverse_beta, .. } = shape;
        return Some(EmpiricalWidth { ln_half_width, sigma: MOST_OFF, inverse_beta, recorded_px: recorded });
    };
    let off = wider(recorded_px);
    let without =
        |g: usize| stars.iter().enumerate().filter(move |(i, _)| i % GROUPS != g).map(|(_, s)| s.clone()).collect();
    let parts: Vec<f64> = (0..GROUPS).filter_map(|g| with_residual(without(g))).map(wider).collect();
    // Jackknife: the parts share most of their stars, so that their scatter times the root of the groups less one is the error.
    let own = mean_and_std(&parts).map_or(0.0, |(_, s)| s * (GROUPS as f64 - 1.0).sqrt());
    let fwhm = shape.fwhm_px() * off.exp();
    let coarse = (KEPT_AT_PX / fwhm).clamp(1.0, MOST_COARSE).powi(3);
    let kept = (KEPT_SHARE * off.abs()).max(LEAST_KEPT) * coarse;
    let (off, kept) = if fwhm < COARSE_PX {
        // Between profile and surface, for neither can be believed: the error holds both.
        (0.5 * off.clamp(-MOST_OFF, MOST_OFF), kept.clamp(COARSE_ERROR, MOST_OFF))
    } else {
        (off, kept)
    };
    let ln_half_width = shape.ln_half_width + off;
    Some(EmpiricalWidth { ln_half_width, sigma: own.hypot(kept), inverse_beta: shape.inverse_beta, recorded_px })
}

/// Recorded FWHM of a profile with the stars' mean residual, px.
fn recorded_with_residual(mut stars: Vec<JointStar>, profile: &Prepared, recorded_px: f64) -> Option<f64> {
    let mut width = recorded_px;
    for _ in 0..ROUNDS {
        let surface = Surface::of(&stars, profile, width)?;
        width = surface.contour(profile);
        stars.iter_mut().for_each(|star| surface.refit(star, profile));
        if !width.is_finite() || width > 4.0 * recorded_px {
            return None;
        }
    }
    Some(width)
}

/// Mean residual image of some stars.
struct Surface {
    /// Half side of the square that it covers, px.
    reach: f64,
    coefficients: DVector<f64>,
}

/// The splines that are not nothing at a place: their numbers and values.
type Terms = [(usize, f64); 16];

fn light(profile: &Prepared, dx: f64, dy: f64) -> f64 {
    profile.pixels(profile.form.order(dx, dy), &[dx; LANES], &[dy; LANES]).value[0]
}

/// The four cubic B-splines that are not nothing at a place, and the number of the first.
fn splines(at: f64, reach: f64) -> Option<(usize, [f64; 4])> {
    let x = (at + reach) / (2.0 * reach) * INTERVALS as f64;
    if !(0.0..INTERVALS as f64).contains(&x) {
        return None;
    }
    let i = x as usize;
    let u = x - i as f64;
    let v = 1.0 - u;
    Some((
        i,
        [
            v * v * v / 6.0,
            (3.0 * u * u * u - 6.0 * u * u + 4.0) / 6.0,
            (3.0 * v * v * v - 6.0 * v * v + 4.0) / 6.0,
            u * u * u / 6.0,
        ],
    ))
}

fn terms(dx: f64, dy: f64, reach: f64) -> Option<Terms> {
    let ((i, a), (j, b)) = (splines(dx, reach)?, splines(dy, reach)?);
    Some(std::array::from_fn(|n| ((j + n / 4) * SIDE + i + n % 4, b[n / 4] * a[n % 4])))
}

impl Surface {
    /// Of stars against one profile in their places and peaks.
    fn of(stars: &[JointStar], profile: &Prepared, recorded_fwhm_px: f64) -> Option<Self> {
        let reach = 0.5 * INTERVALS as f64 * INTERVAL_PER_FWHM * recorded_fwhm_px;
        let mut curvature = DMatrix::<f64>::zeros(COEFFICIENTS, COEFFICIENTS);
        let mut gradient = DVector::<f64>::zeros(COEFFICIENTS);
        for star in stars {
            let (p, pixels) = (&star.p, &star.counted);
            for ((x, y), value) in pixels.x.iter().zip(&pixels.y).zip(&pixels.value) {
                let (dx, dy) = (x - p[X], y - p[Y]);
                let Some(each) = terms(dx, dy, reach) else { continue };
                let light = p[PEAK] * light(profile, dx, dy);
                let weight = star.noise.weight(light) * p[PEAK] * p[PEAK];
                let residual = (value - p[BACKGROUND] - light) / p[PEAK];
                for (m, v) in each {
                    gradient[m] += weight * v * residual;
                    for (n, w) in each {
                        curvature[(m, n)] += weight * v * w;
                    }
                }
            }
        }
        for k in 0..COEFFICIENTS {
            curvature[(k, k)] += LOOSE.powi(-2);
        }
        Some(Self { reach, coefficients: curvature.cholesky()?.solve(&gradient) })
    }

    /// Its value at a place, of the peak.
    fn at(&self, dx: f64, dy: f64) -> f64 {
        terms(dx, dy, self.reach).map_or(0.0, |each| each.iter().map(|(k, v)| v * self.coefficients[*k]).sum())
    }

    /// Peak and background of a star anew, now that profile and residual are known.
    fn refit(&self, star: &mut JointStar, profile: &Prepared) {
        let [mut aa, mut ab, mut bb, mut ay, mut by] = [0.0; 5];
        let pixels = &star.counted;
        for ((x, y), value) in pixels.x.iter().zip(&pixels.y).zip(&pixels.value) {
            let (dx, dy) = (x - star.p[X], y - star.p[Y]);
            let a = light(profile, dx, dy) + self.at(dx, dy);
            let w = star.noise.weight(star.p[PEAK] * a);
            aa += w * a * a;
            ab += w * a;
            bb += w;
            ay += w * a * value;
            by += w * value;
        }
        let det = aa * bb - ab * ab;
        if det > 0.0 {
            star.p[PEAK] = (ay * bb - ab * by) / det;
            star.p[BACKGROUND] = (aa * by - ab * ay) / det;
        }
    }

    /// `2 sqrt(A / pi)` of the contour of profile and residual at half of the maximum about the highest place, px.
    fn contour(&self, profile: &Prepared) -> f64 {
        let image = |x: f64, y: f64| profile.fine(x, y) + self.at(x, y);
        let (x, y) = self.highest(&image);
        let half = 0.5 * image(x, y);
        let mut sum = 0.0;
        for i in 0..DIRECTIONS {
            let (sin, cos) = (std::f64::consts::TAU * i as f64 / DIRECTIONS as f64).sin_cos();
            let at = |r: f64| image(x + r * cos, y + r * sin);
            let (mut low, stride) = (0.0, STRIDE * self.reach);
            while at(low + stride) > half && low < 2.0 * self.reach {
                low += stride;
            }
            let mut high = low + stride;
            for _ in 0..HALVINGS {
                let middle = 0.5 * (low + high);
                if at(middle) > half { low = middle } else { high = middle }
            }
            sum += (0.5 * (low + high)).powi(2);
        }
        2.0 * (sum / DIRECTIONS as f64).sqrt()
    }

    /// The highest place of an image near the centre, by steps that are halved where none leads upwards.
    fn highest(&self, image: &impl Fn(f64, f64) -> f64) -> (f64, f64) {
        let (mut x, mut y, mut step) = (0.0, 0.0, 0.25 * self.reach);
        let mut best = image(x, y);
        while step > 1e-4 * self.reach {
            let around = [(step, 0.0), (-step, 0.0), (0.0, step), (0.0, -step)];
            let up = around.iter().map(|(dx, dy)| (x + dx, y + dy)).find(|(u, v)| image(*u, *v) > best);
            match up {
                Some((u, v)) => (x, y, best) = (u, v, image(u, v)),
                None => step *= 0.5,
            }
        }
        (x, y)
    }
}
