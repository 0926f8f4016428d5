//! What the matched frames of a session say together.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::solve::SkyMatch;
use crate::facts::Quantity;
use crate::facts::sky::{NoMatch, SkyMethod, SkyMissing};
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
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct StarMatch {
    /// Image scale that the matched stars give, geometric mean of both axes at the centre.
    #[schemars(extend("unit" = "arcsec/px"))]
    pub image_scale_arcsec_per_px: Quantity,
    /// Focal length that this scale and the pixel pitch give.
    #[schemars(extend("unit" = "mm"))]
    pub focal_length_mm: Quantity,
    /// Focal length that header or rig file state.
    #[schemars(extend("unit" = "mm"))]
    pub stated_focal_length_mm: Option<f64>,
    /// Displacement of the corners' stars on half the diagonal, positive towards the centre.
    #[schemars(extend("unit" = "%"))]
    pub corner_distortion_percent: Quantity,
    /// Scale along y over that along x.
    #[schemars(extend("unit" = "1"))]
    pub pixel_aspect: Quantity,
    /// Right ascension of the centre of the first frame, ICRS.
    #[schemars(extend("unit" = "degrees"))]
    pub centre_ra_deg: Quantity,
    /// Declination of the centre of the first frame, ICRS.
    #[schemars(extend("unit" = "degrees"))]
    pub centre_dec_deg: Quantity,
    /// Direction of +y of the file, from north through east.
    #[schemars(extend("unit" = "degrees"))]
    pub position_angle_deg: Quantity,
    /// Whether the sky is as in a mirror when +y of the file is drawn upwards.
    pub mirrored: Option<bool>,
    /// Width and height of the frame.
    #[schemars(extend("unit" = "degrees"))]
    pub field_deg: Option<[f64; 2]>,
    /// Stars of the first frame in the fit.
    #[schemars(extend("unit" = "stars"))]
    pub matched_stars: usize,
    /// Catalogue stars in the first frame.
    #[schemars(extend("unit" = "stars"))]
    pub catalogue_stars: usize,
    /// Root mean square of the residuals along one axis.
    #[schemars(extend("unit" = "px"))]
    pub residual_px: Option<f64>,
    /// Frames that were tried.
    #[schemars(extend("unit" = "frames"))]
    pub frames_tried: usize,
    /// Frames matched with the same scale.
    #[schemars(extend("unit" = "frames"))]
    pub frames_agreeing: usize,
    /// Probability that chance made the match of the first frame.
    #[schemars(extend("unit" = "1"))]
    pub false_alarm_probability: Option<f64>,
    /// Scale that the header's WCS states.
    #[serde(skip)]
    pub stated_wcs_arcsec_per_px: Option<f64>,
}

impl StarMatch {
    /// No match, and why.
    pub fn none(why: NoMatch, frames_tried: usize, optics: &StatedOptics) -> Self {
        let unknown = || Quantity::not_measurable(SkyMissing::NotMatched(why));
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
            stated_wcs_arcsec_per_px: optics.wcs_arcsec_per_px,
        }
    }

    /// Whether its stars were found in the catalogue.
    pub fn is_matched(&self) -> bool {
        self.frames_agreeing > 0
    }

    /// Measured over stated focal length less 1, where they lie further apart than nameplates do.
    pub fn stated_focal_is_off_by(&self) -> Option<f64> {
        let (measured, stated) = self.focal_length_mm.value.zip(self.stated_focal_length_mm)?;
        Some(measured / stated - 1.0).filter(|off| off.abs() > FOCAL_DISAGREEMENT)
    }
}

/// One result of the frames of a session, the first of which was matched from the header's word alone.
///
/// All frames see the same catalogue stars, so that the scale's error is the first frame's, or half the scatter where the
/// frames differ by more. Without a match the first frame's reason stands; frames that contradict each other give none.
pub fn together(frames: &[Result<SkyMatch, NoMatch>], optics: &StatedOptics) -> StarMatch {
    let matched: Vec<&SkyMatch> = frames.iter().filter_map(|f| f.as_ref().ok()).collect();
    let Some(first) = matched.first() else {
        let why = frames.iter().find_map(|f| f.as_ref().err()).copied().unwrap_or(NoMatch::NoUsableLight);
        return StarMatch::none(why, frames.len(), optics);
    };
    let scale_of = |m: &SkyMatch| m.scale_arcsec_per_px.pair().unwrap_or((f64::NAN, f64::NAN));
    let (scale, sigma) = scale_of(first);
    let agrees = |m: &&&SkyMatch| {
        let (other, error) = scale_of(m);
        (other / scale - 1.0).abs() <= SAME_SCALE.max(SAME_SCALE_SIGMAS * sigma.hypot(error) / scale)
    };
    let agreeing: Vec<f64> = matched.iter().filter(agrees).map(|m| scale_of(m).0).collect();
    if agreeing.len() < matched.len() {
        return StarMatch::none(NoMatch::ScalesDiffer, frames.len(), optics);
    }
    let mean = agreeing.iter().sum::<f64>() / agreeing.len() as f64;
    let scatter = agreeing.iter().map(|s| (s - mean).abs()).fold(0.0, f64::max);
    let method = SkyMethod::ScaleOfFrames { stars: first.stars, frames: agreeing.len() };
    let scale = Quantity::measured(mean, sigma.max(scatter), method, first.stars);
    let focal_length_mm = focal_length(&scale, optics);
    let arcsec = |sigma: f64| sigma / 3600.0;
    let [ra, dec] = [first.centre.ra_deg(), first.centre.dec_deg()];
    let placed = |value, sigma| Quantity::measured(value, sigma, SkyMethod::CentreOfFirstFrame, first.stars);
    StarMatch {
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
        stated_wcs_arcsec_per_px: optics.wcs_arcsec_per_px,
    }
}

/// Pixel pitch over scale.
fn focal_length(scale: &Quantity, optics: &StatedOptics) -> Quantity {
    let Some(pixel_um) = optics.recorded_pixel_um else {
        return Quantity::not_measurable(SkyMissing::PixelPitchUnknown);
    };
    let (s, sigma) = scale.pair().unwrap_or((f64::NAN, f64::NAN));
    let focal_mm = ARCSEC_PER_RADIAN * pixel_um * 1e-3 / s;
    Quantity::measured(focal_mm, focal_mm * sigma / s, SkyMethod::PixelOverScale, scale.n)
}
