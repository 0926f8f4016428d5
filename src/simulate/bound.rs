//! How well the image of one star can be measured at best: the Cramer-Rao bound of a pixelated, noisy profile.
//!
//! Fisher matrix `F_ij = sum over pixels of (dm/dp_i)(dm/dp_j) / V` with the model m in e- and `V = star + flat variance`
//! (Cramer 1946, Rao 1945; for star images Mendez et al. 2013, arXiv 1304.6361; both from memory). The bound of a
//! parameter is the root of its diagonal element of the inverse. Derivatives are differences of [`Profile::pixel`].

use nalgebra::DMatrix;

use super::{Profile, SimStar, StarImage};

/// A parameter of a star image. Those that are not free are taken as known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Parameter {
    /// Charge of the whole image, e-. With the width free too, it stands for the peak as well.
    Flux,
    /// Even background, e- per px.
    Background,
    /// Column of the centre, px.
    X,
    /// Row of the centre, px.
    Y,
    /// Natural logarithm of the FWHM (geometric mean of both axes).
    LnWidth,
    /// Elongation along +x: `(1/r - r)/2 cos(2 angle)` with r = minor/major.
    E1,
    /// Elongation along the diagonals: the same with the sine.
    E2,
    /// 1/beta, at constant FWHM. Moffats of finite beta only.
    InverseBeta,
}

/// Everything but the exponent.
pub const KNOWN_BETA: [Parameter; 7] = {
    use Parameter::{Background, E1, E2, Flux, LnWidth, X, Y};
    [Flux, Background, X, Y, LnWidth, E1, E2]
};
/// All.
pub const FREE_BETA: [Parameter; 8] = {
    use Parameter::{Background, E1, E2, Flux, InverseBeta, LnWidth, X, Y};
    [Flux, Background, X, Y, LnWidth, E1, E2, InverseBeta]
};

/// Pixels that are seen: a square around a centre.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Window {
    /// Column of the middle pixel.
    pub x: i64,
    /// Row of the middle pixel.
    pub y: i64,
    /// Pixels on either side of it.
    pub half: i64,
}

/// Step of the differences: widths, elongations and 1/beta in their own units, places in FWHM. The five-point rule is
/// then good to 1e-7 of the derivative, and the renderer's own error of a pixel (1e-6 of the peak) counts 1e-4 at most.
const STEP: f64 = 0.01;

/// One-sigma bounds of the free parameters, in their order; the rest is known.
///
/// `flat_variance_e2` is the variance of a pixel without the star, e-^2: sky and dark charge, read noise, rounding.
/// `None` when the pixels cannot tell the parameters apart.
///
/// # Panics
///
/// 1/beta is free for an image that has none.
pub fn bounds(star: &SimStar, window: Window, flat_variance_e2: f64, free: &[Parameter]) -> Option<Vec<f64>> {
    let middle = Profile::new(*star);
    let moved: Vec<Option<Moves>> = free.iter().map(|p| Moves::of(&middle, star, *p)).collect();
    let mut fisher: DMatrix<f64> = DMatrix::zeros(free.len(), free.len());
    let mut slopes = vec![0.0; free.len()];
    for y in window.y - window.half..=window.y + window.half {
        for x in window.x - window.half..=window.x + window.half {
            let (x, y) = (x as f64, y as f64);
            let star_e = middle.pixel(x, y);
            for ((slope, moves), parameter) in slopes.iter_mut().zip(&moved).zip(free) {
                *slope = match (moves, parameter) {
                    (Some(moves), _) => moves.slope(x, y),
                    (None, Parameter::Background) => 1.0,
                    (None, _) => star_e / star.flux_e,
                };
            }
            let weight = (star_e + flat_variance_e2).recip();
            for i in 0..free.len() {
                for j in 0..free.len() {
                    fisher[(i, j)] += weight * slopes[i] * slopes[j];
                }
            }
        }
    }
    let covariance = fisher.cholesky()?.inverse();
    Some((0..free.len()).map(|i| covariance[(i, i)].sqrt()).collect())
}

/// The star at two steps either way along one parameter.
struct Moves {
    steps: [(f64, Profile); 4],
}

impl Moves {
    /// `None` for the two parameters in which the model is a straight line.
    fn of(middle: &Profile, star: &SimStar, parameter: Parameter) -> Option<Self> {
        if matches!(parameter, Parameter::Flux | Parameter::Background) {
            return None;
        }
        let step = if matches!(parameter, Parameter::X | Parameter::Y) { STEP * star.fwhm_px() } else { STEP };
        // Five-point rule: f' = [8 (f1 - f-1) - (f2 - f-2)] / 12 h.
        let at = |n: f64, weight: f64| (weight / (12.0 * step), middle.moved(changed(star, parameter, n * step)));
        Some(Self { steps: [at(1.0, 8.0), at(-1.0, -8.0), at(2.0, -1.0), at(-2.0, 1.0)] })
    }

    fn slope(&self, x: f64, y: f64) -> f64 {
        self.steps.iter().map(|(weight, profile)| weight * profile.pixel(x, y)).sum()
    }
}

fn changed(star: &SimStar, parameter: Parameter, by: f64) -> SimStar {
    let mut star = *star;
    match parameter {
        Parameter::Flux => star.flux_e += by,
        Parameter::Background => {}
        Parameter::X => star.x += by,
        Parameter::Y => star.y += by,
        Parameter::LnWidth => {
            star.fwhm_major_px *= by.exp();
            star.fwhm_minor_px *= by.exp();
        }
        Parameter::E1 => return elongated(&star, by, 0.0),
        Parameter::E2 => return elongated(&star, 0.0, by),
        Parameter::InverseBeta => {
            let beta = star.beta().expect("only a Moffat has an exponent");
            star.image = StarImage::Moffat { beta: (beta.recip() + by).recip() };
        }
    }
    star
}

/// The star with its elongation changed, width kept.
fn elongated(star: &SimStar, by_1: f64, by_2: f64) -> SimStar {
    let r = star.fwhm_minor_px / star.fwhm_major_px;
    let e = 0.5 * (r.recip() - r);
    let (sin, cos) = (2.0 * star.angle_rad).sin_cos();
    let (e1, e2) = (e * cos + by_1, e * sin + by_2);
    let e = e1.hypot(e2);
    let r = (1.0 + e * e).sqrt() - e;
    let fwhm = star.fwhm_px();
    SimStar { fwhm_major_px: fwhm / r.sqrt(), fwhm_minor_px: fwhm * r.sqrt(), angle_rad: 0.5 * e2.atan2(e1), ..*star }
}
