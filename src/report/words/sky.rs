//! Words for the match of stars with the catalogue.

use crate::facts::sky::{NoMatch, SkyMethod, SkyMissing};

/// How a value came to be.
pub(crate) fn method(method: &SkyMethod) -> String {
    match method {
        SkyMethod::ScaleOfFrames { stars, frames } => {
            return format!("{stars} stars matched with the catalogue, {frames} frame(s) agree");
        }
        SkyMethod::ScaleAtCentre => "stars matched with the catalogue, at the frame's centre",
        SkyMethod::ScaleAlongX => "stars matched with the catalogue, along x",
        SkyMethod::ScaleAlongY => "stars matched with the catalogue, along y",
        SkyMethod::ScaleRatio => "scale along y over that along x",
        SkyMethod::CubicDisplacement => "relative displacement in the corners, cubic in the distance from the centre",
        SkyMethod::AngleFromNorth => "from north through east to the file's +y",
        SkyMethod::CentreOfFirstFrame => "centre of the first matched frame, ICRS",
        SkyMethod::PixelOverScale => "pixel pitch over the measured image scale",
        SkyMethod::LightOfSameStars => {
            "light of the same stars over that in the frame of median transparency; n counts stars"
        }
        SkyMethod::ZeroPointOfStars => "median over the matched stars of VT + 2.5 log10(flux / time); n counts stars",
    }
    .to_owned()
}

/// Why a value is missing: a clause that goes on from "because".
pub(crate) fn missing(missing: &SkyMissing) -> String {
    match missing {
        SkyMissing::NotMatched(why) => format!("the stars were not matched with the catalogue: {}", no_match(why)),
        SkyMissing::StarsNotMatched => "its stars were not matched with the catalogue".to_owned(),
        SkyMissing::PixelPitchUnknown => {
            "the pitch of the recorded pixel is not known (card XPIXSZ, rig keys pixel_um \
                                          and pixel_includes_binning)"
                .to_owned()
        }
        SkyMissing::TooFewStarsForAspect { stars } => {
            format!("{stars} stars are too few to tell the scales along x and y apart")
        }
        SkyMissing::TooFewWholeStars { stars, needed } => {
            format!("{stars} of its matched stars are whole and were fitted, {needed} are needed")
        }
        SkyMissing::TooFewSharedStars => "too few of its stars were matched in other frames of the session".to_owned(),
    }
}

/// Why frames could not be matched: a clause that goes on from "because".
pub(crate) fn no_match(why: &NoMatch) -> String {
    match why {
        NoMatch::NoCatalogue => "the program was built without its star catalogue (cargo feature `catalogue`)".to_owned(),
        NoMatch::NoPointing => "nothing tells where the telescope pointed (cards OBJCTRA and OBJCTDEC, RA and DEC, or a \
                                WCS); --pointing \"RA DEC\" tells it"
            .to_owned(),
        NoMatch::TooFewStarsFound { stars, needed } => {
            format!("only {stars} stars were found, {needed} are needed; longer exposures show more")
        }
        NoMatch::TooFewInCatalogue { stars, needed } => format!(
            "the catalogue (stars to magnitude 12) has only {stars} stars where the frame may lie, {needed} are needed \
             in it: the field is too small"
        ),
        NoMatch::SparseField { stars, needed } => format!(
            "so small a field holds about {stars} stars of the catalogue (to magnitude 12), {needed} are needed in it; a \
             solved WCS in the headers would give the scale"
        ),
        NoMatch::NotFound => "no arrangement of its stars agrees with the catalogue beyond doubt: the pointing is off by \
                              more than 2 degrees, the scale by more than a factor of 1.5, the field holds fewer than \
                              about 8 stars to magnitude 12, or its stars are not those of the sky; --pointing \"RA DEC\" \
                              and the rig keys pixel_um and focal_mm help"
            .to_owned(),
        NoMatch::NoUsableLight => "no light of this session could be used".to_owned(),
        NoMatch::ScalesDiffer => "frames of this session were matched with different scales".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_are_said_with_what_is_needed() {
        let few = missing(&SkyMissing::TooFewWholeStars { stars: 4, needed: 5 });
        assert_eq!(few, "4 of its matched stars are whole and were fitted, 5 are needed");
        let sparse = missing(&SkyMissing::NotMatched(NoMatch::SparseField { stars: 3, needed: 6 }));
        assert!(
            sparse.starts_with("the stars were not matched with the catalogue: so small a field holds about 3 stars")
        );
        assert!(sparse.contains("6 are needed in it; a solved WCS"), "{sparse}");
    }
}
