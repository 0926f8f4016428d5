//! How far from the centre the star images are good.

use nalgebra::{SMatrix, SVector};
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;
use rand_xoshiro::Xoshiro256PlusPlus;

use super::chi::ellipticity;
use super::width::{WIDTH_TERMS, relative_width};

/// Growth of the FWHM over the frame's best from which stars are no longer good: trade practice asks for 10 to 20 %, and
/// 15 % costs a faint star 1.15^-2, a quarter of its signal per pixel (common practice, no source).
pub(crate) const MOST_GROWTH: f64 = 0.15;
/// Radial or tangential ellipticity from which stars look drawn out: about where the eye begins to see it (common
/// practice, no source).
pub(crate) const MOST_ELLIPTICITY: f64 = 0.1;
/// Steps from the centre to a corner: half a per cent of the way is far below any error.
const RADII: usize = 200;
/// Directions looked at: the surface has four lobes at most.
const DIRECTIONS: usize = 48;
/// Draws from the errors of the terms; they give the error of the radius to 6 %.
const DRAWS: usize = 150;
const SEED: u64 = 0x636f_7272_6563_7464;

/// Distance from the centre, in half diagonals, and its error; `None` where the whole frame is good.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Corrected {
    pub radius: Option<f64>,
    /// Half of the range that holds 68 % of the draws, and the correction for the worst direction.
    pub sigma: f64,
    /// Share of the draws in which the whole frame is good.
    pub whole_share: f64,
}

/// The radius for a width surface and a radial term with their errors. `half` is the frame's half size in half diagonals.
///
/// Within the radius no direction is worse than [`MOST_GROWTH`] over the best place of the frame, and the radial or
/// tangential ellipticity, averaged over directions, stays below [`MOST_ELLIPTICITY`].
pub(crate) fn corrected_radius(
    terms: &SVector<f64, WIDTH_TERMS>,
    covariance: &SMatrix<f64, WIDTH_TERMS, WIDTH_TERMS>,
    radial: (f64, f64),
    half: [f64; 2],
) -> Option<Corrected> {
    let rings = rings(half);
    let root = covariance.cholesky()?.l();
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(SEED);
    let mut draws: Vec<f64> = (0..DRAWS)
        .map(|_| {
            let step = SVector::<f64, WIDTH_TERMS>::from_fn(|_, _| rng.sample(StandardNormal));
            let turned = radial.0 + radial.1 * rng.sample::<f64, _>(StandardNormal);
            radius(&(terms + root * step), turned, &rings)
        })
        .collect();
    draws.sort_by(f64::total_cmp);
    let whole_share = draws.iter().filter(|r| **r >= 1.0).count() as f64 / DRAWS as f64;
    let at = |q: f64| draws[(q * (DRAWS - 1) as f64).round() as usize];
    // The worst direction of a surface with errors is worse than the truth; draws from those errors are worse again by as
    // much, which tells how far (bias correction by the parametric bootstrap: Efron & Tibshirani 1993, from memory).
    let seen = radius(terms, radial.0, &rings);
    // What it leaves is of its own size, so that it counts as an error too.
    let correction = if seen < 1.0 { seen - at(0.5) } else { 0.0 };
    let best = (seen + correction).clamp(0.0, 1.0);
    Some(Corrected {
        radius: (best < 1.0).then_some(best),
        sigma: (0.5 * (at(0.841) - at(0.159))).hypot(correction),
        whole_share,
    })
}

/// Places inside the frame, a list for each distance.
fn rings(half: [f64; 2]) -> Vec<Vec<(f64, f64)>> {
    let corner = half[1].atan2(half[0]);
    (0..=RADII)
        .map(|i| {
            let r = i as f64 / RADII as f64;
            let even = (0..DIRECTIONS).map(|k| std::f64::consts::TAU * k as f64 / DIRECTIONS as f64);
            let corners = [corner, std::f64::consts::PI - corner, std::f64::consts::PI + corner, -corner];
            let inside = |(u, v): &(f64, f64)| u.abs() <= half[0] + 1e-9 && v.abs() <= half[1] + 1e-9;
            even.chain(corners).map(|a| (r * a.cos(), r * a.sin())).filter(inside).collect()
        })
        .collect()
}

fn radius(terms: &SVector<f64, WIDTH_TERMS>, radial: f64, rings: &[Vec<(f64, f64)>]) -> f64 {
    let terms: [f64; WIDTH_TERMS] = (*terms).into();
    let width = |p: &(f64, f64)| relative_width(&terms, p.0, p.1);
    let best = rings.iter().flatten().map(width).fold(f64::INFINITY, f64::min);
    let good = |(i, ring): &(usize, &Vec<(f64, f64)>)| {
        let r = *i as f64 / RADII as f64;
        let worst = ring.iter().map(width).fold(0.0, f64::max);
        worst <= (1.0 + MOST_GROWTH) * best && ellipticity(radial * r * r) < MOST_ELLIPTICITY
    };
    let steps = rings.iter().enumerate().take_while(good).count();
    steps.saturating_sub(1) as f64 / RADII as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    const HALF: [f64; 2] = [0.832_05, 0.554_70];

    fn of(terms: [f64; WIDTH_TERMS], radial: f64, sigma: f64) -> Corrected {
        let covariance = SMatrix::identity() * (sigma * sigma);
        corrected_radius(&SVector::from(terms), &covariance, (radial, sigma), HALF).unwrap()
    }

    // 1 + 0.3 r^2 reaches 1.15 at r = sqrt(0.5).
    #[test]
    fn curvature_limits_the_radius() {
        let got = of([0.0, 0.0, 0.3, 0.0, 0.3], 0.0, 0.005);
        // The surface given is exact, so that the correction for its errors goes too far by its own size, a sigma at most.
        let radius = got.radius.unwrap();
        assert!((radius - 0.5f64.sqrt()).abs() < got.sigma && got.whole_share == 0.0, "{got:?}");
        // dr = r dc / 2c: 0.7 x 0.005 / 0.6 for the mean of two terms, more for the worst direction and its correction.
        assert!(got.sigma > 0.003 && got.sigma < 0.02, "{got:?}");
    }

    // chi of 1 - minor/major = 0.1 is 0.104972; with a corner value of twice that, r = sqrt(0.5).
    #[test]
    fn radial_elongation_limits_the_radius_either_way() {
        for sign in [1.0, -1.0] {
            let got = of([0.0; 5], sign * 0.209_944, 1e-6);
            assert!((got.radius.unwrap() - 0.5f64.sqrt()).abs() < 0.006, "{got:?}");
        }
    }

    #[test]
    fn a_good_frame_is_good_to_its_corners_and_a_tilted_one_may_be_bad_at_its_centre() {
        assert_eq!(of([0.02, 0.0, 0.05, 0.0, 0.05], 0.03, 0.002).radius, None);
        // The best edge has 1 - 0.25 x 0.83: the centre is a quarter wider.
        assert_eq!(of([0.25, 0.0, 0.0, 0.0, 0.0], 0.0, 0.002).radius, Some(0.0));
    }
}
