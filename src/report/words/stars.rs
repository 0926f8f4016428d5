//! Words for the stars of a frame and their shape over the field.

use crate::facts::stars::{StarsMethod, StarsMissing, StarsNote};
use crate::stars::StarFlag;

/// How a value came to be.
pub(crate) fn method(method: &StarsMethod) -> String {
    match method {
        StarsMethod::MedianOfWidths => {
            "median over the stars, both axes' geometric mean, of the image that they share: turbulence, blur and \
             diffraction, integrated over the pixels"
        }
        StarsMethod::ContourOfMeanImage => {
            "contour at half of the maximum of the stars' mean image, which no model describes, the pixel taken out"
        }
        StarsMethod::MedianOfShorterAxes => {
            "median over the stars of the fitted profiles' shorter axis, noise bias of the elongation removed"
        }
        StarsMethod::ProfileAfterPixel => "width of the fitted profile after the pixel",
        StarsMethod::SharedExponent => "exponent of the wings in the image that the brightest isolated stars share",
        StarsMethod::MeanSquareElongation => "root mean square over the stars, noise bias removed",
        StarsMethod::FitsOfColourSites => "fits of the same stars on the sites of that colour, against the green ones",
        StarsMethod::MeanElongation => "direction of the stars' mean elongation, from +x towards +y",
        StarsMethod::ProfilesOverLine => "median over the stars of round Moffats averaged over a line",
        StarsMethod::DirectionOfLine => "direction of the stars' line, from +x towards +y",
        StarsMethod::SurfaceOfManyFrames => {
            "stars of all frames on one surface; errors from leaving out frames and from shared places"
        }
        StarsMethod::SurfaceOfFewFrames => "stars of all frames on one surface; errors from the scatter of the stars",
        StarsMethod::ScatterOverFrames => {
            "standard deviation over the frames of either part of the constant elongation, errors taken off"
        }
        StarsMethod::DiagonalTimesPixel => "half the diagonal in pixels times their size",
    }
    .to_owned()
}

/// Why a value is missing: a clause that goes on from "because".
pub(crate) fn missing(missing: &StarsMissing) -> String {
    match missing {
        StarsMissing::TooFewStarsFitted { found, fitted } => {
            return format!(
                "{found} stars found, {fitted} of them fitted: clouds, a closed cover, stars drawn out or far out of \
                 focus, or the wrong kind of frame?"
            );
        }
        StarsMissing::WidthsDisagree { found, fitted } => {
            return format!(
                "{fitted} of {found} peaks were fitted, and too few of them agree on one width: galaxies, a nebula or \
                 the sensor's pixels rather than stars?"
            );
        }
        StarsMissing::TooFewStarsOverFrame { fitted, frames, needed } => {
            return format!(
                "{fitted} fitted stars in {frames} frames are fewer than the {needed} that it needs; longer exposures \
                 or more frames would show more"
            );
        }
        StarsMissing::Defocused => "defocused: the stars are rings",
        StarsMissing::TooFewIsolatedStars => "fewer than 3 bright isolated stars",
        StarsMissing::NoCommonDirection => "the stars share no direction of elongation above its error",
        StarsMissing::OneColour => "the sensor has no colour mosaic",
        StarsMissing::RedNotKnown => "which sites of the mosaic are red is not known",
        StarsMissing::NotTrailed => "the stars are not drawn out over a line",
        StarsMissing::StarsCoverTooLittle => "the fitted stars cover too little of the frame",
        StarsMissing::SurfaceErrorsUnknown => "the errors of the surface are not determined",
        StarsMissing::NoWidthGradient => "no gradient of the width above its error",
        StarsMissing::NoSharedElongation => "the stars share no elongation above its error",
        StarsMissing::OneFrameOnly => "one frame shows no change; a second one would",
        StarsMissing::PixelSizeUnknown => {
            "the size of a pixel is not known; the card XPIXSZ or the rig key pixel_um would tell it"
        }
        StarsMissing::OpticsUnknown => {
            "pixel size, focal length or aperture is not known; the rig keys pixel_um, focal_mm and aperture_mm supply \
             them"
        }
        StarsMissing::CornersNotWider => "the corners are not wider than the centre above the error",
        StarsMissing::DirectionChangesBetweenFrames => "it differs from frame to frame",
        StarsMissing::DirectionTurnsOverFrame => "it turns over the frame",
        StarsMissing::DirectionTurnsAroundCentre => "it turns around the centre",
    }
    .to_owned()
}

/// What goes with a value.
pub(crate) fn note(note: &StarsNote) -> String {
    match note {
        StarsNote::ClippedCores { clipped, stars } => format!(
            "{clipped} of the {stars} stars have clipped cores, whose pixels were left out: too few whole stars"
        ),
        StarsNote::NoModelFits { residual_percent } => {
            let by = residual_percent.map_or_else(String::new, |percent| {
                format!(" (on average they differ from it by {percent:.1} % of their peak)")
            });
            format!("no model of a star image fits these stars{by}: out of focus, or optics that do not draw points")
        }
        StarsNote::DrawnOut { wider_percent, minor_fwhm_px } => format!(
            "the stars are drawn out in one direction, which makes them {wider_percent:.0} % wider than their shorter \
             axis, {minor_fwhm_px:.2} px: what seeing and focus gave"
        ),
        StarsNote::GoodToCorners { share_of_draws } => format!(
            "a lower limit: stars are good out to the corners; {:.0} % of the draws from its errors reach the corners",
            100.0 * share_of_draws
        ),
        StarsNote::SizeWithoutSign => "a size without sign: one set of frames in one focus does not tell it".to_owned(),
    }
}

/// Why a peak was not used, in a word or two.
pub(crate) fn flag(flag: StarFlag) -> &'static str {
    match flag {
        StarFlag::HotPixel => "hot pixel",
        StarFlag::Saturated => "saturated",
        StarFlag::Streak => "streak",
        StarFlag::Nebula => "nebula",
        StarFlag::Blended => "blended",
        StarFlag::Edge => "edge",
        StarFlag::Faint => "faint",
        StarFlag::NotNeeded => "not needed",
        StarFlag::FitFailed => "fit failed",
        StarFlag::TooSharp => "too sharp",
        StarFlag::Extended => "extended",
    }
}
