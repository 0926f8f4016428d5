//! The fitted surfaces and how likely chance alone makes what they show.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use statrs::function::erf::erfc;

use super::chi::ellipticity;
use super::elongation::Elongation;
use super::width::{WIDTH_TERMS, bend, relative_width};
use crate::stats::grouped::GroupedFit;
use crate::stats::median;

/// Chance below which an effect counts as significant: three sigma of a normal law.
pub const SIGNIFICANT_CHANCE: f64 = 0.0027;

/// Chance that errors alone make an effect as large as the one seen.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Chances {
    /// Chance of such a tilt.
    #[schemars(extend("unit" = "1"))]
    pub tilt: f64,
    /// Chance of such a curvature.
    #[schemars(extend("unit" = "1"))]
    pub curvature: f64,
    /// Chance of such an elongation shared by all stars.
    #[schemars(extend("unit" = "1"))]
    pub constant_elongation: f64,
    /// Chance of such an elongation linear in position.
    #[schemars(extend("unit" = "1"))]
    pub linear_elongation: f64,
    /// Chance of such a radial elongation.
    #[schemars(extend("unit" = "1"))]
    pub radial_elongation: f64,
    /// Chance that frames differ as much; null with one frame.
    #[schemars(extend("unit" = "1"))]
    pub change_between_frames: Option<f64>,
}

impl Chances {
    fn of(width: &GroupedFit<WIDTH_TERMS>, pattern: &Elongation) -> Self {
        let c = pattern.fit.values;
        let (bend, bend_sigma) = bend(width);
        let tilt = width.values.fixed_rows::<2>(0).into_owned();
        let tilt_cov = width.covariance.fixed_view::<2, 2>(0, 0).into_owned();
        Self {
            tilt: tilt_cov.try_inverse().map_or(1.0, |i| pair_chance((tilt.transpose() * i * tilt)[0])),
            curvature: normal_chance(bend, bend_sigma),
            constant_elongation: vector_chance(pattern.constant, pattern.constant_sigma),
            linear_elongation: vector_chance([c[0], c[1]], pattern.linear_sigma()),
            radial_elongation: normal_chance(c[2], pattern.radial_sigma()),
            change_between_frames: pattern.change_chance,
        }
    }
}

/// The fitted surfaces, for whoever wants to draw them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FieldSurface {
    /// Half of the frame's width and height.
    #[schemars(extend("unit" = "half diagonals"))]
    pub half_size: [f64; 2],
    /// Width before the pixel at the centre, median over the frames.
    #[schemars(extend("unit" = "px"))]
    pub central_fwhm_px: f64,
    /// Factors of u, v, u^2, uv and v^2 in the width over that at the centre; u and v in half diagonals.
    #[schemars(extend("unit" = "1"))]
    pub width_terms: [f64; WIDTH_TERMS],
    /// Their standard uncertainties.
    #[schemars(extend("unit" = "1"))]
    pub width_terms_sigma: [f64; WIDTH_TERMS],
    /// Real and imaginary part of the elongation's factors of 1, w and w^2, w = u + iv.
    #[schemars(extend("unit" = "1"))]
    pub elongation_terms: [[f64; 2]; 3],
    /// Their standard uncertainties.
    #[schemars(extend("unit" = "1"))]
    pub elongation_terms_sigma: [f64; 3],
    /// How probable effects as large are by chance alone.
    pub chances: Chances,
}

impl FieldSurface {
    /// What both fits say; `half_size` is the frame's in half diagonals.
    pub(crate) fn of(width: &GroupedFit<WIDTH_TERMS>, pattern: &Elongation, half_size: [f64; 2]) -> Self {
        let levels: Vec<f64> = width.levels.iter().flatten().map(|l| l.value.exp()).collect();
        let c = pattern.fit.values;
        Self {
            half_size,
            central_fwhm_px: median(&levels).unwrap_or(f64::NAN),
            width_terms: width.values.into(),
            width_terms_sigma: std::array::from_fn(|j| width.covariance[(j, j)].sqrt()),
            elongation_terms: [pattern.constant, [c[0], c[1]], [c[2], c[3]]],
            elongation_terms_sigma: [pattern.constant_sigma, pattern.linear_sigma(), pattern.radial_sigma()],
            chances: Chances::of(width, pattern),
        }
    }

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

/// Chance of a chi2 with two degrees of freedom.
fn pair_chance(chi2: f64) -> f64 {
    (-0.5 * chi2).exp()
}

/// Chance that a normal value lies as far from zero.
fn normal_chance(value: f64, sigma: f64) -> f64 {
    erfc((value / sigma).abs() / std::f64::consts::SQRT_2)
}

fn vector_chance(vector: [f64; 2], sigma: f64) -> f64 {
    pair_chance((vector[0].powi(2) + vector[1].powi(2)) / (sigma * sigma))
}
