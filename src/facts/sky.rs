//! What can be said of the match of stars with the catalogue: how values came to be, why they are missing.

use serde::{Deserialize, Serialize};
use strum::{IntoStaticStr, VariantNames};

use super::Help;

/// How a value came to be.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum SkyMethod {
    /// Scale at the centre of a matched frame; n counts stars.
    ScaleAtCentre,
    ScaleAlongX,
    ScaleAlongY,
    /// Scale along y over that along x.
    ScaleRatio,
    /// Displacement in the corners, cubic in the distance from the centre.
    CubicDisplacement,
    /// Angle from north through east to the file's +y.
    AngleFromNorth,
    /// Scale of a session of which so many frames agree.
    ScaleOfFrames {
        stars: usize,
        frames: usize,
    },
    /// Centre of the first matched frame.
    CentreOfFirstFrame,
    /// Pixel pitch over the measured image scale.
    PixelOverScale,
    /// Light of the same stars over that in the frame of median transparency.
    LightOfSameStars,
    /// Median over the matched stars.
    ZeroPointOfStars,
}

/// Why a value is missing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum SkyMissing {
    /// The stars of a session were not matched; the code is that of the reason.
    #[strum(transparent)]
    NotMatched(NoMatch),
    /// Light of stars needs their match, which is missing.
    StarsNotMatched,
    PixelPitchUnknown,
    TooFewStarsForAspect {
        stars: usize,
    },
    /// Matched stars that are whole and were fitted.
    TooFewWholeStars {
        stars: usize,
        needed: usize,
    },
    /// Stars of a frame that other frames of the session show too.
    TooFewSharedStars,
}

/// Why frames could not be matched with the catalogue.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum NoMatch {
    /// The program was built without its star catalogue.
    NoCatalogue,
    /// Nothing tells where the telescope pointed.
    NoPointing,
    TooFewStarsFound {
        stars: usize,
        needed: usize,
    },
    /// The catalogue has too few stars where the frame may lie.
    TooFewInCatalogue {
        stars: usize,
        needed: usize,
    },
    /// So small a field holds too few stars of the catalogue.
    SparseField {
        stars: usize,
        needed: usize,
    },
    /// No arrangement of the stars agrees with the catalogue beyond doubt.
    NotFound,
    /// No light of the session could be used.
    NoUsableLight,
    /// Frames of the session were matched with different scales.
    ScalesDiffer,
}

impl SkyMissing {
    /// What would supply the value.
    pub fn would_help(&self) -> Vec<Help> {
        match self {
            Self::NotMatched(why) => why.would_help(),
            Self::PixelPitchUnknown => {
                vec![Help::Card("XPIXSZ"), Help::RigKey("pixel_um"), Help::RigKey("pixel_includes_binning")]
            }
            Self::StarsNotMatched
            | Self::TooFewStarsForAspect { .. }
            | Self::TooFewWholeStars { .. }
            | Self::TooFewSharedStars => Vec::new(),
        }
    }
}

impl NoMatch {
    /// What would make a match likely.
    pub fn would_help(&self) -> Vec<Help> {
        match self {
            Self::NoPointing => {
                let cards = ["OBJCTRA", "OBJCTDEC", "RA", "DEC"].map(Help::Card);
                cards.into_iter().chain([Help::RigKey("pointing")]).collect()
            }
            Self::TooFewStarsFound { .. } => vec![Help::Light],
            // The scale of a solved WCS.
            Self::SparseField { .. } => vec![Help::Card("CD1_1")],
            Self::NotFound => ["pointing", "pixel_um", "focal_mm"].map(Help::RigKey).to_vec(),
            Self::NoCatalogue | Self::TooFewInCatalogue { .. } | Self::NoUsableLight | Self::ScalesDiffer => Vec::new(),
        }
    }
}
