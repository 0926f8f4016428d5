//! Why a file is not used.

use serde::{Deserialize, Serialize};
use strum::{IntoStaticStr, VariantNames};

use super::Missing;

/// Why a file is not used.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum LeftOut {
    /// It is no FITS file, though its name may promise one.
    NotFits { content: OtherContent, named_fits: bool },
    /// Its bytes could not be had.
    NotReadable(NotReadable),
    /// A FITS file that cannot be read; the words are those of the error.
    Unreadable { fault: FitsFault, words: String },
    /// It was not readable and has grown since.
    StillBeingWritten { because: Box<LeftOut> },
    /// A link to a file that is used itself.
    LinkToSameFile { file: String },
    /// Its moment and every pixel are those of another file.
    SameFrameAs { file: String },
    /// Every pixel is undefined.
    NoValidPixels,
    /// No card names its kind.
    KindNotKnown,
    /// A combination of frames: its noise is not that of one exposure.
    Combination,
    /// A calibration frame with numbers between whole ones, where other frames of its camera hold whole ones only.
    FractionalAmongWhole { share: f64 },
    /// Too few valid pixels to tell sky from noise.
    TooFewValidPixels,
    /// As the report that it was read from words it.
    Quoted { code: String, sentence: String },
    /// None of its stars has a width.
    StarsNotMeasurable { because: Missing },
    /// The stars are rings.
    Defocused,
    /// All stars are drawn out in one direction, and that makes them wider than the session's by more than its seeing does.
    Trailed {
        direction_deg: Option<f64>,
        length_px: Option<f64>,
        minor_over_major: f64,
        wider_percent: f64,
        seeing_percent: f64,
    },
    /// A part of the frame was kept from the sky.
    Shaded { percent_of_frame: f64 },
    /// Under a sky far brighter than that of its session.
    BrightSky { times_of_session: f64 },
    /// Taken while the focus was sought.
    FocusRun,
    /// Before or behind a step of the star width, on its wider side.
    OutOfFocus { fwhm_px: f64, other_fwhm_px: f64 },
    /// Its stars had lost light steadily and grown wider.
    Fading { percent_of_session: f64 },
    /// Taken through cloud.
    Clouded(CloudSign),
    /// Its stars are much wider than the session's.
    Soft { fwhm_px: f64, session_fwhm_px: f64 },
    /// Its images are sharper than the same sky's stars can be.
    OtherThanStars { fwhm_px: f64, session_fwhm_px: f64 },
}

impl LeftOut {
    /// A fixed word for scripts.
    pub fn code(&self) -> &str {
        match self {
            Self::Quoted { code, .. } => code,
            Self::NotFits { content, .. } => content.into(),
            Self::NotReadable(of) => of.into(),
            Self::Unreadable { fault, .. } => fault.into(),
            of => of.into(),
        }
    }

    /// All words that [`LeftOut::code`] may give.
    pub fn codes() -> Vec<&'static str> {
        // Those that have a word of their own for each kind.
        let divided = ["not-fits", "not-readable", "unreadable", "quoted"];
        let own = Self::VARIANTS.iter().filter(|v| !divided.contains(v));
        let kinds = [OtherContent::VARIANTS, NotReadable::VARIANTS, FitsFault::VARIANTS].concat();
        let mut all: Vec<&str> = own.copied().chain(kinds).collect();
        all.sort_unstable();
        all.dedup();
        all
    }
}

/// What the first bytes of a file that is no FITS say.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum OtherContent {
    /// A pipe, a device: opening it could wait for ever.
    NotARegularFile,
    GzipWithoutFits,
    UnixCompressed,
    Bzip2Compressed,
    XzCompressed,
    ZipArchive,
    JpegPicture,
    PngPicture,
    /// TIFF is also what cameras' raw files begin with.
    TiffPicture,
    /// Nothing that is known.
    NotAFitsFile,
}

/// Why the bytes of a file could not be had.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum NotReadable {
    /// The operating system's words.
    CannotBeOpened {
        error: String,
    },
    /// A link that leads back to a folder above it.
    LinkToFolderAbove,
    /// No byte in it.
    Empty,
    DamagedGzip,
}

/// What is wrong with a FITS file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum FitsFault {
    CannotBeOpened,
    PathTooLong,
    NoImage,
    /// Neither a 2-D image nor a cube of three colour planes.
    UnknownAxes,
    /// Shorter than its header promises.
    Incomplete,
    DamagedGzip,
    TooLarge,
    NoEndCard,
    CardTooLong,
    /// A size in the header that no file can have.
    ImpossibleSize,
    /// The sum of the data is not the stated one.
    DataSumDiffers,
    CannotBeUnpacked,
    /// A DNG that is damaged, or stored in a way that is not read.
    DngNotRead,
    /// A scaling card that is no number.
    ScalingUnknown,
    /// CFITSIO failed while reading.
    ReadingFailed,
}

/// What shows a cloud.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum CloudSign {
    /// Fewer stars than the session's median.
    FewStars { stars: usize, session_stars: f64 },
    /// Less light of its stars than the session's median.
    FaintStars { percent_of_session: f64 },
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_code_is_of_the_list() {
        let codes = LeftOut::codes();
        let packed = LeftOut::NotFits { content: OtherContent::Bzip2Compressed, named_fits: true };
        let torn = LeftOut::Unreadable { fault: FitsFault::Incomplete, words: String::new() };
        let written = LeftOut::StillBeingWritten { because: Box::new(torn.clone()) };
        for (left_out, code) in [
            (packed, "bzip2-compressed"),
            (torn, "incomplete"),
            (written, "still-being-written"),
            (LeftOut::NotReadable(NotReadable::Empty), "empty"),
            (LeftOut::Clouded(CloudSign::FaintStars { percent_of_session: 3.0 }), "clouded"),
        ] {
            assert!(left_out.code() == code && codes.contains(&code), "{left_out:?}: {}", left_out.code());
        }
        assert!(!codes.contains(&"unreadable"));
    }
}
