//! The exponent that a frame's stars share.

use crate::stats::{MAD_TO_SIGMA, median};

use super::fit::StarFit;
use super::moffat::{LEAST_INVERSE_BETA, MOST_INVERSE_BETA};
use crate::stars::weighted::weighted_median;

/// Fits below which no exponent is called common.
const LEAST_FITS: usize = 3;
/// Standard errors by which the stars' scatter must exceed what their errors explain before it counts as real. Half of
/// all frames exceed it by chance without a limit, and their stars' widths then take up noise of the exponent.
const SPREAD_SIGMAS: f64 = 2.0;
/// Standard error of the MAD sigma of n normal values, times sqrt(n).
const MAD_SIGMA_ERROR: f64 = 1.1664;
/// Deviations beyond which a star does not count: one normal value in 16 000.
const MOST_DEVIATION: f64 = 4.0;

/// 1/beta of a frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct CommonBeta {
    /// Mean over the stars.
    pub inverse: f64,
    /// Its one-sigma error.
    pub sigma: f64,
    /// Scatter from star to star that their errors do not explain, 0 where they do.
    pub spread: f64,
    /// Stars.
    pub n: usize,
}

impl CommonBeta {
    /// Mean of what each star tells by itself, weighted by its error and the stars' own spread; outliers left out.
    /// `None` with fewer than three stars.
    pub fn of(fits: &[(usize, StarFit)]) -> Option<Self> {
        let known: Vec<(f64, f64)> = fits.iter().filter_map(|(_, f)| f.own_inverse_beta).collect();
        if known.len() < LEAST_FITS {
            return None;
        }
        let (centre, tau) = weighted_median(&known)?;
        let pulls: Vec<f64> = known.iter().map(|(v, s)| ((v - centre) / s).abs()).collect();
        let limit = 1.0 + SPREAD_SIGMAS * MAD_SIGMA_ERROR / (known.len() as f64).sqrt();
        let spread = if MAD_TO_SIGMA * median(&pulls)? > limit { tau } else { 0.0 };
        let near = |v: f64, s: f64| (v - centre).abs() < MOST_DEVIATION * s.hypot(spread);
        let kept: Vec<(f64, f64)> = known.into_iter().filter(|(v, s)| near(*v, *s)).collect();
        let weight = |s: f64| (s * s + spread * spread).recip();
        let total: f64 = kept.iter().map(|(_, s)| weight(*s)).sum();
        let mean = kept.iter().map(|(v, s)| v * weight(*s)).sum::<f64>() / total;
        let inverse = if mean.is_finite() { mean } else { centre };
        Some(Self {
            inverse: inverse.clamp(LEAST_INVERSE_BETA, MOST_INVERSE_BETA),
            sigma: total.recip().sqrt(),
            spread,
            n: kept.len(),
        })
    }
}
