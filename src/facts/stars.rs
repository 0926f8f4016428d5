//! What can be said of the stars of a frame and their shape over the field: how values came to be, why they are missing, what
//! goes with them.

use serde::{Deserialize, Serialize};
use strum::{IntoStaticStr, VariantNames};

use super::Help;

/// How a value came to be.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum StarsMethod {
    /// Median of the fitted widths; n counts stars.
    MedianOfWidths,
    /// Contour of the stars' mean image, which no model describes.
    ContourOfMeanImage,
    /// Median of the widths along the shorter axis.
    MedianOfShorterAxes,
    /// The fitted profile, blurred by the pixel.
    ProfileAfterPixel,
    /// The exponent that the brightest isolated stars share.
    SharedExponent,
    /// Root mean square of the stars' elongations.
    MeanSquareElongation,
    /// Direction of the stars' mean elongation.
    MeanElongation,
    /// Fits of the same stars on the sites of that colour, against those on the green ones; n counts stars.
    FitsOfColourSites,
    /// Median of profiles averaged over a line.
    ProfilesOverLine,
    /// Direction of that line.
    DirectionOfLine,
    /// A surface through the stars of all frames, its errors from leaving out frames and from shared places.
    SurfaceOfManyFrames,
    /// The same, its errors from the scatter of the stars.
    SurfaceOfFewFrames,
    /// Scatter from frame to frame of the elongation that all stars share.
    ScatterOverFrames,
    /// Half the diagonal in pixels times their size.
    DiagonalTimesPixel,
}

/// Why a value is missing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum StarsMissing {
    TooFewStarsFitted {
        found: usize,
        fitted: usize,
    },
    /// The fitted images share no width: more likely galaxies, a nebula or the sensor's pixels than stars.
    WidthsDisagree {
        found: usize,
        fitted: usize,
    },
    /// The stars are rings.
    Defocused,
    TooFewIsolatedStars,
    /// The stars of a frame share no direction of elongation above its error.
    NoCommonDirection,
    NotTrailed,
    /// The sensor has no colour mosaic.
    OneColour,
    /// Which of a mosaic's sites are red is not known.
    RedNotKnown,
    TooFewStarsOverFrame {
        fitted: usize,
        frames: usize,
        needed: usize,
    },
    StarsCoverTooLittle,
    SurfaceErrorsUnknown,
    /// No gradient of the width above its error.
    NoWidthGradient,
    /// The stars of a session share no elongation above its error.
    NoSharedElongation,
    /// One frame shows no change from frame to frame.
    OneFrameOnly,
    PixelSizeUnknown,
    /// Pixel size, focal length or aperture.
    OpticsUnknown,
    CornersNotWider,
    DirectionChangesBetweenFrames,
    DirectionTurnsOverFrame,
    DirectionTurnsAroundCentre,
}

impl StarsMissing {
    /// What would supply the value.
    pub fn would_help(&self) -> Vec<Help> {
        match self {
            Self::TooFewStarsOverFrame { .. } | Self::OneFrameOnly => vec![Help::Light],
            Self::RedNotKnown => vec![Help::Card("BAYERPAT"), Help::RigKey("cfa")],
            Self::PixelSizeUnknown => vec![Help::Card("XPIXSZ"), Help::RigKey("pixel_um")],
            Self::OpticsUnknown => {
                vec![Help::RigKey("pixel_um"), Help::RigKey("focal_mm"), Help::RigKey("aperture_mm")]
            }
            Self::TooFewStarsFitted { .. }
            | Self::WidthsDisagree { .. }
            | Self::Defocused
            | Self::TooFewIsolatedStars
            | Self::NoCommonDirection
            | Self::NotTrailed
            | Self::OneColour
            | Self::StarsCoverTooLittle
            | Self::SurfaceErrorsUnknown
            | Self::NoWidthGradient
            | Self::NoSharedElongation
            | Self::CornersNotWider
            | Self::DirectionChangesBetweenFrames
            | Self::DirectionTurnsOverFrame
            | Self::DirectionTurnsAroundCentre => Vec::new(),
        }
    }
}

/// What goes with a value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum StarsNote {
    /// Stars with a clipped core were used, for want of whole ones.
    ClippedCores { clipped: usize, stars: usize },
    /// No model of a star image fits: the mean residual, root mean square, in % of the peak, where one could be fitted at all.
    NoModelFits { residual_percent: Option<f64> },
    /// The stars of all lights are drawn out; the width along the shorter axis is what seeing and focus gave.
    DrawnOut { wider_percent: f64, minor_fwhm_px: f64 },
    /// A lower limit: stars are good out to the corners, and so they are in this share of the draws from the errors.
    GoodToCorners { share_of_draws: f64 },
    /// One set of frames in one focus tells no sign.
    SizeWithoutSign,
}
