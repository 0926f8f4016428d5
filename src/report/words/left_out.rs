//! Words for files that are not used.

use crate::facts::left_out::{CloudSign, LeftOut, NotReadable, OtherContent};

/// Why a file is not used.
pub(crate) fn left_out(reason: &LeftOut) -> String {
    match reason {
        LeftOut::Quoted { sentence, .. } => sentence.clone(),
        LeftOut::NotFits { content, named_fits: false } => other_content(*content).to_owned(),
        LeftOut::NotFits { content, named_fits: true } => {
            format!("named like a FITS file, but {}", other_content(*content))
        }
        LeftOut::NotReadable(why) => not_readable(why).to_owned(),
        LeftOut::Unreadable { words, .. } => words.clone(),
        LeftOut::StillBeingWritten { because } => format!("still being written: {}", left_out(because)),
        LeftOut::LinkToSameFile { file } => format!("a link to the same file as {file}"),
        LeftOut::SameFrameAs { file } => format!("the same frame as {file}: its moment and every pixel"),
        LeftOut::NoValidPixels => "no valid pixels: every one is undefined".to_owned(),
        LeftOut::KindNotKnown => {
            "kind not known: no IMAGETYP card, no word in its name or folder, and its pixels and exposure fit no kind; give its \
             folder with --light, --dark, --flat or --bias"
                .to_owned()
        }
        LeftOut::Combination => "a combination of frames: its noise is not that of one exposure".to_owned(),
        LeftOut::FractionalAmongWhole { share } => format!(
            "{:.0} % of its numbers lie between whole ones, where other frames of this camera hold whole ones: a mean of frames, or \
             processed; give the frames that the camera wrote",
            100.0 * share
        ),
        LeftOut::TooFewValidPixels => "no star can be measured: too few valid pixels to tell sky from noise".to_owned(),
        LeftOut::StarsNotMeasurable { because } => super::quantity::missing(because),
        LeftOut::Defocused => "defocused: the stars are rings".to_owned(),
        LeftOut::Trailed { direction_deg, length_px, minor_over_major, wider_percent, seeing_percent } => {
            let trail = trailed(*direction_deg, *length_px, *minor_over_major);
            format!(
                "{trail}: {wider_percent:.0} % wider for it than the session's other lights, whose seeing scatters by \
                 {seeing_percent:.0} %"
            )
        }
        LeftOut::Shaded { percent_of_frame } => {
            format!("{percent_of_frame:.0} % of the frame got little of the sky's light: shutter, dome or something before the telescope")
        }
        LeftOut::BrightSky { times_of_session } => {
            format!("its sky is {times_of_session:.0} times as bright as the session's median: twilight, the Moon or a lamp")
        }
        LeftOut::FocusRun => "taken while the focus was sought: star widths fall and rise again from light to light".to_owned(),
        LeftOut::OutOfFocus { fwhm_px, other_fwhm_px } => format!(
            "out of focus: of a stretch of {fwhm_px:.2} px FWHM, beyond a step from or to {other_fwhm_px:.2} px"
        ),
        LeftOut::Fading { percent_of_session } => format!(
            "its stars have {percent_of_session:.0} % of the session's median flux, lost steadily while they grew wider: dew, \
             frost or haze"
        ),
        LeftOut::Clouded(CloudSign::FewStars { stars, session_stars }) => {
            format!("clouded: {stars} stars, the session's median is {session_stars:.0}")
        }
        LeftOut::Clouded(CloudSign::FaintStars { percent_of_session }) => {
            format!("clouded: its stars have {percent_of_session:.0} % of the session's median flux")
        }
        LeftOut::Soft { fwhm_px, session_fwhm_px } => {
            format!("FWHM {fwhm_px:.2} px, the session's median is {session_fwhm_px:.2} px: focus or wind")
        }
        LeftOut::OtherThanStars { fwhm_px, session_fwhm_px } => format!(
            "its images have a FWHM of {fwhm_px:.2} px, the session's stars {session_fwhm_px:.2} px: hot pixels, cosmic \
             rays or the like, not stars"
        ),
    }
}

fn trailed(direction_deg: Option<f64>, length_px: Option<f64>, minor_over_major: f64) -> String {
    let direction = direction_deg.map_or_else(String::new, |d| format!(" at {d:.0} degrees from +x towards +y"));
    let length = length_px.map_or_else(String::new, |px| format!(" over a line of {px:.1} px"));
    format!("trailed: all stars are drawn out in one direction{direction}{length}, minor/major {minor_over_major:.2}")
}

/// What a file that is no FITS holds.
pub(crate) fn other_content(content: OtherContent) -> &'static str {
    match content {
        OtherContent::NotARegularFile => "not a regular file",
        OtherContent::GzipWithoutFits => "gzip data that hold no FITS file",
        OtherContent::UnixCompressed => "compressed with the Unix tool of suffix .Z; unpack it first",
        OtherContent::Bzip2Compressed => "bzip2-compressed; unpack it first",
        OtherContent::XzCompressed => "xz-compressed; unpack it first",
        OtherContent::ZipArchive => "a zip archive; unpack it first",
        OtherContent::JpegPicture => "a JPEG picture",
        OtherContent::PngPicture => "a PNG picture",
        OtherContent::TiffPicture => {
            "a TIFF picture or a camera's raw picture; raw pictures are read as DNG: convert it, without loss"
        }
        OtherContent::NotAFitsFile => "not a FITS file",
    }
}

/// Why the bytes of a file could not be had.
pub(crate) fn not_readable(why: &NotReadable) -> &str {
    match why {
        NotReadable::CannotBeOpened { error } => error,
        NotReadable::LinkToFolderAbove => "a symbolic link that leads back to a folder above it",
        NotReadable::Empty => "empty (0 bytes)",
        NotReadable::DamagedGzip => "its gzip stream is damaged; copy it again",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::left_out::FitsFault;

    #[test]
    fn a_file_that_grows_says_what_else_is_wrong_with_it() {
        let because = Box::new(LeftOut::Unreadable { fault: FitsFault::NoImage, words: "no image".to_owned() });
        assert_eq!(left_out(&LeftOut::StillBeingWritten { because }), "still being written: no image");
        let packed = LeftOut::NotFits { content: OtherContent::ZipArchive, named_fits: true };
        assert_eq!(left_out(&packed), "named like a FITS file, but a zip archive; unpack it first");
    }

    #[test]
    fn a_trail_tells_what_is_known_of_it() {
        let trailed = |direction_deg, length_px| {
            left_out(&LeftOut::Trailed {
                direction_deg,
                length_px,
                minor_over_major: 0.588,
                wider_percent: 30.4,
                seeing_percent: 4.6,
            })
        };
        let cost = ": 30 % wider for it than the session's other lights, whose seeing scatters by 5 %";
        assert_eq!(
            trailed(None, None),
            format!("trailed: all stars are drawn out in one direction, minor/major 0.59{cost}")
        );
        assert_eq!(
            trailed(Some(41.2), Some(2.84)),
            format!(
                "trailed: all stars are drawn out in one direction at 41 degrees from +x towards +y over a line of 2.8 px, \
                 minor/major 0.59{cost}"
            )
        );
    }
}
