//! Why a DNG could not be read.

/// Why a file could not be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DngError {
    /// The file is no TIFF, or a TIFF without the DNGVersion tag.
    #[error("not a DNG file")]
    NotDng,
    /// A DNG without a directory that holds a full-size raw image.
    #[error("the DNG holds no raw image")]
    NoRawImage,
    /// Sound as far as can be told, but stored in a way that is not read.
    #[error("not supported in a DNG: {what}")]
    Unsupported {
        /// What is not supported.
        what: String,
    },
    /// The file contradicts itself or the format, or ends early.
    #[error("damaged DNG: {what}")]
    Damaged {
        /// What is wrong.
        what: String,
    },
}

impl DngError {
    pub(crate) fn unsupported(what: impl Into<String>) -> DngError {
        DngError::Unsupported { what: what.into() }
    }

    pub(crate) fn damaged(what: impl Into<String>) -> DngError {
        DngError::Damaged { what: what.into() }
    }
}
