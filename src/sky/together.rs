//! What the matched frames of a session say together.

use crate::report::InWords;
use serde::{Deserialize, Serialize};

use super::solve::{NoMatch, SkyMatch};
use crate::facts::Quantity;
use crate::units::ARCSEC_PER_RADIAN;

/// Relative difference of the scales of two frames of a session beyond which they cannot both be right: focus and
/// temperature move a focal length by less than this in a night (common practice, no source).
const SAME_SCALE: f64 = 1e-3;
/// Joint errors by which scales of poorly matched frames may differ besides.
const SAME_SCALE_SIGMAS: f64 = 4.0;
/// Difference from the header's focal length from which it is said to be wrong: below, nameplates differ too.
const FOCAL_DISAGREEMENT: f64 = 0.005;

/// Pixel and focal length as the header or the rig file states them.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct StatedOptics {
    /// Pitch of the recorded pixel, binning included, um.
    pub recorded_pixel_um: Option<f64>,
    /// Focal length, mm.
    pub focal_mm: Option<f64>,
    /// Scale of the header's WCS, arcsec/px.
    pub wcs_arcsec_per_px: Option<f64>,
}

/// A session on the sky, from its own stars.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StarMatch {
    /// Geometric mean of both axes at the frame's centre.
    pub image_scale_arcsec_per_px: Quantity,
    /// Focal length that this scale and the pixel pitch give.
    pub focal_length_mm: Quantity,
    /// What header or rig file say of it.
    pub stated_focal_length_mm: Option<f64>,
    /// Displacement of the corners' stars on half the diagonal, positive towards the centre.
    pub corner_distortion_percent: Quantity,
    /// Scale along y over that along x.
    pub pixel_aspect: Quantity,
    /// Direction of the first frame's centre, ICRS.
    pub centre_ra_deg: Quantity,
    pub centre_dec_deg: Quantity,
    /// From north through east to the file's +y.
    pub position_angle_deg: Quantity,
    /// Whether the sky is as in a mirror when the file's +y is drawn upwards.
    pub mirrored: Option<bool>,
    /// Width and height of the frame.
    pub field_deg: Option<[f64; 2]>,
    /// Stars of the first frame in the fit, and catalogue stars in it.
    pub matched_stars: usize,
    pub catalogue_stars: usize,
    /// Root mean square of the residuals along one axis.
    pub residual_px: Option<f64>,
    /// Frames tried, and those that were matched with the same scale.
    pub frames_tried: usize,
    pub frames_agreeing: usize,
    /// Probability that chance made the first frame's match.
    pub false_alarm_probability: Option<f64>,
    /// Scale and focal length in words, or why there is no match.
    pub sentence: String,
    /// Where the frame points, and what its WCS says.
    pub detail: String,
}

impl StarMatch {
    /// No match, and why.
    pub fn none(why: &str, frames_tried: usize, optics: &StatedOptics) -> Self {
        let unknown = || Quantity::not_measurable(format!("the stars were not matched with the catalogue: {why}"));
        Self {
            image_scale_arcsec_per_px: unknown(),
            focal_length_mm: unknown(),
            stated_focal_length_mm: optics.focal_mm,
            corner_distortion_percent: unknown(),
            pixel_aspect: unknown(),
            centre_ra_deg: unknown(),
            centre_dec_deg: unknown(),
            position_angle_deg: unknown(),
            mirrored: None,
            field_deg: None,
            matched_stars: 0,
            catalogue_stars: 0,
            residual_px: None,
            frames_tried,
            frames_agreeing: 0,
            false_alarm_probability: None,
            sentence: format!("The image scale was not measured from the stars: {why}."),
            detail: String::new(),
        }
    }
}

/// One result of the frames of a session, the first of which was matched from the header's word alone.
///
/// All frames see the same catalogue stars, so that the scale's error is the first frame's, or half the scatter where the
/// frames differ by more. Without a match the first frame's reason stands; frames that contradict each other give none.
pub fn together(frames: &[Result<SkyMatch, NoMatch>], optics: &StatedOptics) -> StarMatch {
    let matched: Vec<&SkyMatch> = frames.iter().filter_map(|f| f.as_ref().ok()).collect();
    let Some(first) = matched.first() else {
        let why = frames.iter().find_map(|f| f.as_ref().err()).map_or_else(|| NO_FRAME.to_owned(), NoMatch::to_string);
        return StarMatch::none(&why, frames.len(), optics);
    };
    let scale_of = |m: &SkyMatch| m.scale_arcsec_per_px.pair().unwrap_or((f64::NAN, f64::NAN));
    let (scale, sigma) = scale_of(first);
    let agrees = |m: &&&SkyMatch| {
        let (other, error) = scale_of(m);
        (other / scale - 1.0).abs() <= SAME_SCALE.max(SAME_SCALE_SIGMAS * sigma.hypot(error) / scale)
    };
    let agreeing: Vec<f64> = matched.iter().filter(agrees).map(|m| scale_of(m).0).collect();
    if agreeing.len() < matched.len() {
        let why = "frames of this session were matched with different scales";
        return StarMatch::none(why, frames.len(), optics);
    }
    let mean = agreeing.iter().sum::<f64>() / agreeing.len() as f64;
    let scatter = agreeing.iter().map(|s| (s - mean).abs()).fold(0.0, f64::max);
    let method = format!("{} stars matched with the catalogue, {} frame(s) agree", first.stars, agreeing.len());
    let scale = Quantity::measured(mean, sigma.max(scatter), method, first.stars);
    let focal_length_mm = focal_length(&scale, optics);
    let arcsec = |sigma: f64| sigma / 3600.0;
    let [ra, dec] = [first.centre.ra_deg(), first.centre.dec_deg()];
    let placed =
        |value, sigma| Quantity::measured(value, sigma, "centre of the first matched frame, ICRS", first.stars);
    StarMatch {
        sentence: sentence(&scale, &focal_length_mm, first, agreeing.len(), optics),
        detail: detail(&scale, first, optics),
        centre_ra_deg: placed(ra, arcsec(first.centre_error_arcsec) / dec.to_radians().cos().max(1e-6)),
        centre_dec_deg: placed(dec, arcsec(first.centre_error_arcsec)),
        image_scale_arcsec_per_px: scale,
        focal_length_mm,
        stated_focal_length_mm: optics.focal_mm,
        corner_distortion_percent: first.corner_distortion.scaled(100.0),
        pixel_aspect: first.pixel_aspect.clone(),
        position_angle_deg: first.position_angle_deg.clone(),
        mirrored: Some(first.mirrored),
        field_deg: Some(first.plate.field_deg()),
        matched_stars: first.stars,
        catalogue_stars: first.catalogue_stars,
        residual_px: Some(first.residual_px),
        frames_tried: frames.len(),
        frames_agreeing: agreeing.len(),
        false_alarm_probability: Some(first.false_alarm),
    }
}

/// Why there is no match where no frame was even tried.
const NO_FRAME: &str = "no light of this session could be used";

/// Pixel pitch over scale.
fn focal_length(scale: &Quantity, optics: &StatedOptics) -> Quantity {
    let Some(pixel_um) = optics.recorded_pixel_um else {
        let why =
            "the pitch of the recorded pixel is not known (card XPIXSZ, rig keys pixel_um and pixel_includes_binning)";
        return Quantity::not_measurable(why);
    };
    let (s, sigma) = scale.pair().unwrap_or((f64::NAN, f64::NAN));
    let focal_mm = ARCSEC_PER_RADIAN * pixel_um * 1e-3 / s;
    Quantity::measured(focal_mm, focal_mm * sigma / s, "pixel pitch over the measured image scale", scale.n)
}

fn sentence(scale: &Quantity, focal: &Quantity, first: &SkyMatch, frames: usize, optics: &StatedOptics) -> String {
    let mut text = format!(
        "{} stars of {frames} frame{} stand where the catalogue has them: {}",
        first.stars,
        if frames == 1 { "" } else { "s each" },
        scale.text("arcsec/px")
    );
    if let Some(mm) = focal.value {
        text += &format!(", a focal length of {}", focal.text("mm"));
        match optics.focal_mm {
            Some(stated) if (mm / stated - 1.0).abs() > FOCAL_DISAGREEMENT => {
                text += &format!(" where {stated} mm is stated ({:+.1} %)", 100.0 * (mm / stated - 1.0));
            }
            Some(stated) => text += &format!(", as the stated {stated} mm has it"),
            None => {}
        }
    }
    text + "."
}

fn detail(scale: &Quantity, first: &SkyMatch, optics: &StatedOptics) -> String {
    let mut text = format!(
        "The frame's centre is at right ascension {:.4}, declination {:+.4} degrees, its +y at position angle {:.2} degrees{}",
        first.centre.ra_deg(),
        first.centre.dec_deg(),
        first.position_angle_deg.value.unwrap_or(f64::NAN),
        if first.mirrored { ", mirrored" } else { "" }
    );
    if let (Some(wcs), Some(s)) = (optics.wcs_arcsec_per_px, scale.value) {
        text +=
            &format!(". The header's WCS has a scale of {wcs:.5} arcsec/px, {:+.2} % from it", 100.0 * (wcs / s - 1.0));
    }
    text + "."
}
