//! The image scale of a session: from its optics, a fitted WCS, or the stars themselves.

use crate::facts::night::{NightMissing, NightNote};
use crate::facts::{Method, Note, Quantity, Source};
use crate::folder::SessionKey;
use crate::sky::StarMatch;
use crate::stats::{MEDIAN_TO_MEAN_ERROR, mean_and_std, median};
use crate::units::ARCSEC_PER_RADIAN;
use crate::verdict::image_scale;

use super::lights::MeasuredLight;
use super::set_apart::OTHER_FOCAL;

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

/// The sharpest stars of long exposures from the ground, arcsec: the best nights of the best sites reach 0.3 (common practice, no source).
const SHARPEST_ARCSEC: f64 = 0.3;
/// Full width at half maximum of the image of a clear aperture, wavelengths over diameters: 1.03 for an open one, less for an obstructed
/// one (0.95 at 0.5; both from the Airy pattern, see `verdict/width_budget.rs`), and the shortest waves that sensors see, nm.
const AIRY_WIDTH: f64 = 0.95;
const SHORTEST_NM: f64 = 380.0;
/// Errors of the width that it must lie below.
const DENIED_SIGMAS: f64 = 3.0;

/// The scale, unless it is stated only and stars of this width would be sharper at it than any are.
pub fn not_denied(scale: Quantity, fwhm_px: &Quantity, aperture_mm: Option<f64>) -> Quantity {
    let (Some(arcsec_per_px), Some((width_px, sigma_px))) = (scale.value, fwhm_px.pair()) else { return scale };
    let airy = |mm: f64| AIRY_WIDTH * SHORTEST_NM * 1e-6 / mm * ARCSEC_PER_RADIAN;
    let least_arcsec = aperture_mm.filter(|mm| *mm > 0.0).map_or(SHARPEST_ARCSEC, |mm| airy(mm).max(SHARPEST_ARCSEC));
    let widest = (width_px + DENIED_SIGMAS * sigma_px) * arcsec_per_px;
    if scale.source == Source::Measured || widest >= least_arcsec {
        return scale;
    }
    let fwhm_arcsec = width_px * arcsec_per_px;
    Quantity::not_measurable(NightMissing::ScaleDeniedByStars { arcsec_per_px, fwhm_arcsec, least_arcsec })
}

/// A session's own scale, and what it shares with others of the same telescope.
pub struct OwnScale<'a> {
    pub key: &'a SessionKey,
    /// Stated focal length, mm.
    pub focal_mm: Option<f64>,
    pub scale: Quantity,
}

/// The scale of each session: where it is not measured, that of a sister of the same night, camera and telescope whose is.
pub fn shared(own: &[OwnScale]) -> Vec<Quantity> {
    own.iter().map(|s| sister(s, own).map_or_else(|| s.scale.clone(), |sister| taken_over(&s.scale, sister))).collect()
}

/// The sister whose scale is known best.
fn sister<'a>(session: &OwnScale, all: &'a [OwnScale]) -> Option<&'a Quantity> {
    if session.scale.source == Source::Measured && session.scale.is_known() {
        return None;
    }
    let like = |k: &SessionKey| {
        let sensor = &k.sensor;
        (k.night.clone(), sensor.camera.clone(), sensor.size, sensor.binning, sensor.pitch_nm, k.focal_mm)
    };
    let other_telescope = |s: &OwnScale| {
        let apart = |(a, b): (f64, f64)| (a / b).ln().abs() > OTHER_FOCAL.ln();
        s.focal_mm.zip(session.focal_mm).is_some_and(apart)
    };
    let measured = |s: &&OwnScale| s.scale.source == Source::Measured && s.scale.pair().is_some();
    let sisters = all.iter().filter(measured).filter(|s| like(s.key) == like(session.key) && !other_telescope(s));
    let sigma = |q: &Quantity| q.sigma.unwrap_or(f64::INFINITY);
    sisters.map(|s| &s.scale).min_by(|a, b| sigma(a).total_cmp(&sigma(b)))
}

fn taken_over(own: &Quantity, sister: &Quantity) -> Quantity {
    let scale = Quantity { notes: Vec::new(), ..sister.clone() }.noted(NightNote::ScaleOfSister);
    let off = own.value.zip(sister.value).map(|(own, sister)| own / sister - 1.0);
    match (own.value, off.filter(|o| o.abs() > SCALE_DISAGREEMENT)) {
        (Some(arcsec_per_px), Some(o)) => scale.noted(Note::StatedGivesOtherScale {
            stated: own.method.clone(),
            arcsec_per_px,
            sigma_arcsec_per_px: own.sigma,
            percent: 100.0 * o,
        }),
        _ => scale,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::folder::{Night, SensorKey};

    fn key(night: &str, filter: &str) -> SessionKey {
        let sensor = SensorKey {
            camera: "Quietude".to_owned(),
            gain_setting: None,
            offset_setting: None,
            readout_mode: None,
            binning: [1, 1],
            size: [640, 480],
            planes: 1,
            in_electrons: false,
            pitch_nm: None,
            epoch: None,
        };
        let night = Night::Dated(night.to_owned());
        SessionKey {
            night,
            sensor,
            filter: Some(filter.to_owned()),
            exposure_ms: None,
            cfa: None,
            window: None,
            focal_mm: None,
        }
    }

    #[test]
    fn a_stated_scale_that_makes_stars_too_sharp_is_denied_and_a_measured_one_is_not() {
        let width = Quantity::measured(2.4, 0.05, Method::NotMeasurable, 9);
        let told = |scale: Quantity, aperture| not_denied(scale, &width, aperture).value;
        assert_eq!(told(Quantity::header(0.9, "FOCALLEN"), None), Some(0.9));
        assert_eq!(told(Quantity::header(0.02, "FOCALLEN"), None), None);
        assert_eq!(told(Quantity::measured(0.02, 0.0, Method::NotMeasurable, 1), None), Some(0.02));
        // By hand: 0.95 * 380 nm / 60 mm = 6.02e-6 rad = 1.24 arcsec, where the stars would be 0.72 or 2.16 wide.
        assert_eq!(told(Quantity::header(0.3, "FOCALLEN"), Some(60.0)), None);
        assert_eq!(told(Quantity::header(0.9, "FOCALLEN"), Some(60.0)), Some(0.9));
    }

    #[test]
    fn a_session_takes_the_measured_scale_of_a_sister_and_says_what_its_own_cards_give() {
        let keys = [key("2031-11-02", "L"), key("2031-11-02", "R"), key("2031-11-03", "L"), key("2031-11-02", "G")];
        let measured = Quantity::measured(0.6675, 0.0002, Method::NotMeasurable, 5);
        let stated = Quantity::header(0.5998, "FOCALLEN");
        let of = |key, focal_mm, scale: &Quantity| OwnScale { key, focal_mm, scale: scale.clone() };
        let own = [
            of(&keys[0], Some(1000.0), &measured),
            of(&keys[1], None, &stated),
            of(&keys[2], None, &stated),
            of(&keys[3], Some(700.0), &stated),
        ];
        let got = shared(&own);
        assert_eq!(got[0], measured);
        assert_eq!((got[1].value, got[1].source), (Some(0.6675), Source::Measured));
        let other = got[1]
            .notes
            .iter()
            .any(|n| matches!(n, Note::StatedGivesOtherScale { percent, .. } if (percent + 10.14).abs() < 0.01));
        assert!(other && got[1].notes.contains(&NightNote::ScaleOfSister.into()), "{:?}", got[1].notes);
        // Another night, and another focal length.
        assert_eq!((&got[2], &got[3]), (&stated, &stated));
    }
}
