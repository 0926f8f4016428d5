//! Words for a session on the sky: scale and focal length, place, or why there is no match.

use super::quantity::missing;
use super::sky::no_match;
use super::{InWords, Worded};
use crate::facts::Missing;
use crate::facts::sky::SkyMissing;
use crate::sky::StarMatch;

/// The match of a session with its sentences.
pub(crate) fn star_match(facts: StarMatch) -> Worded<StarMatch> {
    let (sentence, detail) = match facts.image_scale_arcsec_per_px.because() {
        _ if facts.is_matched() => (matched(&facts), place(&facts)),
        Missing::Sky(SkyMissing::NotMatched(why)) => (unmatched(&no_match(&why)), String::new()),
        why => (unmatched(&missing(&why)), String::new()),
    };
    Worded { facts, sentence, detail }
}

fn unmatched(why: &str) -> String {
    format!("The image scale was not measured from the stars: {why}.")
}

/// Scale and focal length.
fn matched(m: &StarMatch) -> String {
    let mut text = format!(
        "{} stars of {} frame{} stand where the catalogue has them: {}",
        m.matched_stars,
        m.frames_agreeing,
        if m.frames_agreeing == 1 { "" } else { "s each" },
        m.image_scale_arcsec_per_px.text("arcsec/px")
    );
    if m.focal_length_mm.is_known() {
        text += &format!(", a focal length of {}", m.focal_length_mm.text("mm"));
        match (m.stated_focal_length_mm, m.stated_focal_is_off_by()) {
            (Some(stated), Some(off)) => text += &format!(" where {stated} mm is stated ({:+.1} %)", 100.0 * off),
            (Some(stated), None) => text += &format!(", as the stated {stated} mm has it"),
            (None, _) => {}
        }
    }
    text + "."
}

/// Where the frame points, and what its WCS says.
fn place(m: &StarMatch) -> String {
    let number = |value: Option<f64>| value.unwrap_or(f64::NAN);
    let mut text = format!(
        "The frame's centre is at right ascension {:.4}, declination {:+.4} degrees, its +y at position angle {:.2} \
         degrees{}",
        number(m.centre_ra_deg.value),
        number(m.centre_dec_deg.value),
        number(m.position_angle_deg.value),
        if m.mirrored == Some(true) { ", mirrored" } else { "" }
    );
    if let (Some(wcs), Some(s)) = (m.stated_wcs_arcsec_per_px, m.image_scale_arcsec_per_px.value) {
        text +=
            &format!(". The header's WCS has a scale of {wcs:.5} arcsec/px, {:+.2} % from it", 100.0 * (wcs / s - 1.0));
    }
    text + "."
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::Quantity;
    use crate::facts::sky::{NoMatch, SkyMethod};
    use crate::sky::StatedOptics;

    fn session(stated_mm: Option<f64>, frames: usize) -> Worded<StarMatch> {
        let measured = |value: f64, sigma: f64| Quantity::measured(value, sigma, SkyMethod::ScaleAtCentre, 41);
        let optics = StatedOptics { focal_mm: stated_mm, wcs_arcsec_per_px: Some(1.01), ..StatedOptics::default() };
        star_match(StarMatch {
            image_scale_arcsec_per_px: measured(1.0, 0.001),
            focal_length_mm: measured(530.0, 0.5),
            centre_ra_deg: measured(83.6333, 0.0001),
            centre_dec_deg: measured(22.0145, 0.0001),
            position_angle_deg: measured(178.25, 0.01),
            mirrored: Some(true),
            matched_stars: 41,
            frames_agreeing: frames,
            ..StarMatch::none(NoMatch::NotFound, 3, &optics)
        })
    }

    #[test]
    fn a_stated_focal_length_is_confirmed_or_contradicted() {
        let found = session(Some(530.0), 1);
        assert_eq!(
            found.sentence,
            "41 stars of 1 frame stand where the catalogue has them: 1.0000 ± 0.0010 arcsec/px, a focal length of 530.00 ± \
             0.50 mm, as the stated 530 mm has it."
        );
        assert!(session(Some(500.0), 3).sentence.ends_with("530.00 ± 0.50 mm where 500 mm is stated (+6.0 %)."));
        assert!(session(None, 3).sentence.starts_with("41 stars of 3 frames each stand"));
        assert_eq!(
            found.detail,
            "The frame's centre is at right ascension 83.6333, declination +22.0145 degrees, its +y at position angle \
             178.25 degrees, mirrored. The header's WCS has a scale of 1.01000 arcsec/px, +1.00 % from it."
        );
    }

    #[test]
    fn without_a_match_the_reason_is_said() {
        let lost = star_match(StarMatch::none(NoMatch::NoUsableLight, 0, &StatedOptics::default()));
        let want = "The image scale was not measured from the stars: no light of this session could be used.";
        assert_eq!((lost.sentence.as_str(), lost.detail.as_str()), (want, ""));
    }
}
