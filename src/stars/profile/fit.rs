//! Weighted least-squares fit of a pixel-integrated elliptical Moffat profile to one star.
//!
//! Levenberg-Marquardt (Marquardt 1963, J. SIAM 11, 431; from memory) on eight parameters: peak, background, place,
//! logarithmic width, two components of elongation, 1/beta. The variance of a pixel is that of the sky plus the photon
//! noise of the model, renewed each step, so that the result is the maximum-likelihood one and not biased by noisy data.

use serde::{Deserialize, Serialize};

use super::equations::{
    BACKGROUND, Counted, E1, E2, FitNoise, INVERSE_BETA, Normal, PARAMETERS, PEAK, Profile, Vector, WIDTH, X, Y,
    hold_beta, normal_equations, shape_of,
};
use super::moffat::{LEAST_INVERSE_BETA, MOST_INVERSE_BETA};
use super::stamp::Stamp;
use crate::stars::Shape;

/// Steps allowed; well-behaved stars need 6 to 12.
const MOST_STEPS: usize = 60;
/// Change of logarithmic width and place (px) below which a step counts as the last: far below any star's error.
const CONVERGED: f64 = 2e-5;
/// Gain in chi2 that a step promises below which it is the last: it moves no parameter by more than 0.03 of
/// its error, and what is left after it is the square of that.
const LAST_GAIN: f64 = 1e-3;
/// Standard deviations of chi2/dof above 1 from which the scatter is taken for larger than stated.
const CHI2_EXCESS_SIGMAS: f64 = 3.0;

/// A converged fit. Uncertainties are one sigma.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct StarFit {
    /// Centre, px of the file (0-based).
    pub x: f64,
    pub y: f64,
    pub sigma_x: f64,
    pub sigma_y: f64,
    /// Peak of the profile before the pixel, ADU.
    pub peak_adu: f64,
    /// Background under the star, ADU.
    pub background_adu: f64,
    /// Shape before the pixel.
    pub shape: Shape,
    /// Relative uncertainty of the FWHM from this star's own noise.
    pub sigma_ln_width: f64,
    pub sigma_e1: f64,
    pub sigma_e2: f64,
    pub sigma_inverse_beta: f64,
    /// Whether 1/beta is that of the frame's stars, not the star's own.
    pub beta_is_shared: bool,
    /// Flux, ADU.
    pub flux_adu: f64,
    /// Sum of squared residuals over their variances, a degree of freedom.
    pub chi2_per_dof: f64,
}

/// Why a fit gave nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FitFailure {
    /// Fewer pixels than twice the parameters.
    TooFewPixels,
    /// No minimum within the allowed steps.
    NoConvergence,
    /// The star moved out of its stamp, or its width left the stamp.
    RanAway,
}

/// Fits one star, starting from a place and a shape.
///
/// `profile` is a Moffat or the image that the frame's bright stars gave.
///
/// # Errors
///
/// Too few pixels, no convergence, or a solution outside the stamp.
pub fn fit_star(
    stamp: &Stamp,
    start: (f64, f64, Shape),
    noise: FitNoise,
    profile: Profile,
) -> Result<StarFit, FitFailure> {
    let counted = Counted::of(stamp);
    if counted.value.len() < 2 * PARAMETERS {
        return Err(FitFailure::TooFewPixels);
    }
    let lowest = counted.value.iter().copied().fold(f64::INFINITY, f64::min);
    let highest = counted.value.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let background = quartile_background(&counted.value);
    let (x, y, shape) = start;
    let mut p = Vector::from([
        (highest - background).max(1e-6 * (highest - lowest).abs().max(1e-30)),
        background,
        x,
        y,
        shape.ln_half_width,
        shape.e1,
        shape.e2,
        shape.inverse_beta,
    ]);
    let half_stamp = 0.5 * stamp.width as f64;
    let (mut now, _) = normal_equations(&counted, &p, noise, profile, &[]);
    let mut damping = 1e-3;
    for _ in 0..MOST_STEPS {
        let (mut damped, mut gradient) = (now.curvature, now.gradient);
        for i in 0..PARAMETERS {
            damped[(i, i)] *= 1.0 + damping;
        }
        if is_held(&p, &gradient) {
            hold_beta(&mut damped, &mut gradient);
        }
        let Some(step) = damped.cholesky().map(|c| c.solve(&gradient)) else {
            damping *= 10.0;
            if damping > 1e12 {
                return Err(FitFailure::NoConvergence);
            }
            continue;
        };
        let trial = limited(&p, &step);
        if (trial[X] - x).abs() > half_stamp
            || (trial[Y] - y).abs() > half_stamp
            || trial[WIDTH].exp() > 1.5 * half_stamp
            || trial[WIDTH] < -3.0
        {
            return Err(FitFailure::RanAway);
        }
        let promised = step.dot(&gradient);
        if promised < LAST_GAIN && damping <= 1e-2 {
            // So near the minimum the equations hold as they are: what they promise needs no trial.
            now.gradient -= now.curvature * (trial - p);
            now.chi2 -= promised;
            return finish(&now, &trial, noise, profile);
        }
        // The weights of the point left behind judge the step; then they are renewed.
        let (next, judged) = normal_equations(&counted, &trial, noise, profile, &now.weights);
        let moved = (trial - p).abs();
        if judged <= now.chi2 * (1.0 + 1e-12) {
            (p, now) = (trial, next);
            let still = moved[WIDTH].max(moved[X]).max(moved[Y]).max(moved[E1]).max(moved[E2]) < CONVERGED;
            if still && damping <= 1e-2 {
                return finish(&now, &p, noise, profile);
            }
            damping = (damping * 0.2).max(1e-9);
        } else {
            if moved[WIDTH].max(moved[X]).max(moved[Y]) < 1e-9 {
                return finish(&now, &p, noise, profile);
            }
            damping *= 8.0;
            if damping > 1e12 {
                return Err(FitFailure::NoConvergence);
            }
        }
    }
    Err(FitFailure::NoConvergence)
}

/// Whether 1/beta stands at an end of its range and would leave it: a trail's flat top asks for wings thinner than any.
fn is_held(p: &Vector, gradient: &Vector) -> bool {
    let (at, push) = (p[INVERSE_BETA], gradient[INVERSE_BETA]);
    (at <= LEAST_INVERSE_BETA && push < 0.0) || (at >= MOST_INVERSE_BETA && push > 0.0)
}

/// Lower quartile of the values: a start for the background that the star's own light hardly lifts.
fn quartile_background(values: &[f64]) -> f64 {
    let mut values = values.to_vec();
    let at = values.len() / 4;
    *values.select_nth_unstable_by(at, f64::total_cmp).1
}

/// The step, shortened where it would leave the region in which the model is nearly linear.
fn limited(p: &Vector, step: &Vector) -> Vector {
    let mut factor: f64 = 1.0;
    for (i, most) in [(X, 1.5), (Y, 1.5), (WIDTH, 0.5), (E1, 0.6), (E2, 0.6)] {
        factor = factor.min(most / step[i].abs().max(1e-300));
    }
    let mut q = p + step * factor.min(1.0);
    q[INVERSE_BETA] = q[INVERSE_BETA].clamp(LEAST_INVERSE_BETA, MOST_INVERSE_BETA);
    q
}

fn finish(now: &Normal, p: &Vector, noise: FitNoise, profile: Profile) -> Result<StarFit, FitFailure> {
    let covariance = now.curvature.cholesky().ok_or(FitFailure::NoConvergence)?.inverse();
    let dof = (now.weights.len() - PARAMETERS) as f64;
    let chi2_per_dof = now.chi2 / dof;
    let excess = 1.0 + CHI2_EXCESS_SIGMAS * (2.0 / dof).sqrt();
    // Without a gain the weights are relative only, and the residuals tell the scale of the errors.
    let scale = if noise.e_per_adu.is_none() || chi2_per_dof > excess { chi2_per_dof.max(1e-30) } else { 1.0 };
    let sigma = |i: usize| (covariance[(i, i)] * scale).sqrt();
    let shape = shape_of(p);
    if p[PEAK] <= 0.0 || !sigma(WIDTH).is_finite() {
        return Err(FitFailure::RanAway);
    }
    Ok(StarFit {
        x: p[X],
        y: p[Y],
        sigma_x: sigma(X),
        sigma_y: sigma(Y),
        peak_adu: p[PEAK],
        background_adu: p[BACKGROUND],
        shape,
        sigma_ln_width: sigma(WIDTH),
        sigma_e1: sigma(E1),
        sigma_e2: sigma(E2),
        sigma_inverse_beta: sigma(INVERSE_BETA),
        beta_is_shared: profile.known_inverse_beta().is_some(),
        flux_adu: p[PEAK] * profile.area_px(&shape),
        chi2_per_dof,
    })
}
