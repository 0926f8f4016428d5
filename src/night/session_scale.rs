//! The image scale of a session: from its optics, a fitted WCS, or the stars themselves.

use crate::facts::night::{NightMissing, NightNote};
use crate::facts::{Method, Note, Quantity, Source};
use crate::sky::StarMatch;
use crate::stats::{MEDIAN_TO_MEAN_ERROR, mean_and_std, median};
use crate::verdict::image_scale;

use super::lights::MeasuredLight;

/// Disagreement of the stars and what is stated above which it is said.
const SCALE_DISAGREEMENT: f64 = 0.005;

/// Image scale: median over the frames' fitted WCS where there are some, else the first frame's optics.
pub fn session_scale(used: &[&MeasuredLight], members: &[&MeasuredLight]) -> Quantity {
    let lights = if used.is_empty() { members } else { used };
    let scales: Vec<Quantity> = lights.iter().map(|l| image_scale(&l.read.header)).collect();
    let fitted: Vec<f64> = scales.iter().filter(|s| s.source == Source::Measured).filter_map(|s| s.value).collect();
    match median(&fitted) {
        Some(centre) => {
            let spread = mean_and_std(&fitted).map_or(0.0, |(_, s)| s);
            let sigma = (fitted.len() > 1).then(|| MEDIAN_TO_MEAN_ERROR * spread / (fitted.len() as f64).sqrt());
            let first = scales.iter().find(|s| s.source == Source::Measured && s.is_known());
            let mut scale = Quantity::with(
                Source::Measured,
                centre,
                sigma,
                first.map_or(Method::NotMeasurable, |s| s.method.clone()),
                fitted.len(),
            );
            scale.notes = first.map(|s| s.notes.clone()).unwrap_or_default();
            scale
        }
        None => scales.into_iter().next().unwrap_or_else(|| Quantity::not_measurable(NightMissing::NoLight)),
    }
}

/// The stars' own scale where there is one and no fitted WCS; a WCS is used as it is, and either checks the other.
pub fn followed(stated: Quantity, star_match: &StarMatch) -> Quantity {
    let stars = &star_match.image_scale_arcsec_per_px;
    let Some(measured) = stars.value else { return stated };
    let off = stated.value.map(|s| s / measured - 1.0);
    let disagrees = off.filter(|o| o.abs() > SCALE_DISAGREEMENT);
    if stated.source == Source::Measured && stated.is_known() {
        return match disagrees {
            Some(o) => stated.noted(NightNote::StarsGiveOtherScale {
                arcsec_per_px: measured,
                sigma_arcsec_per_px: stars.sigma,
                percent: -100.0 * o,
            }),
            None => stated,
        };
    }
    match stated.value.zip(disagrees) {
        Some((arcsec_per_px, o)) => stars.clone().noted(Note::StatedGivesOtherScale {
            stated: stated.method,
            arcsec_per_px,
            sigma_arcsec_per_px: stated.sigma,
            percent: 100.0 * o,
        }),
        None => stars.clone(),
    }
}
