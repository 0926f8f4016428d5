//! Errors of FITS files as reasons for leaving them out.

use crate::facts::LeftOut;
use crate::facts::left_out::FitsFault;
use crate::fits::FitsError;

/// The reason that an error is; its words are the error's own.
pub fn unreadable(error: &FitsError) -> LeftOut {
    let fault = match error {
        FitsError::Open { .. } => FitsFault::CannotBeOpened,
        FitsError::PathTooLong { .. } => FitsFault::PathTooLong,
        FitsError::NoImage { .. } => FitsFault::NoImage,
        FitsError::Axes { .. } => FitsFault::UnknownAxes,
        FitsError::Incomplete { .. } => FitsFault::Incomplete,
        FitsError::Gzip { .. } => FitsFault::DamagedGzip,
        FitsError::TooLarge { .. } => FitsFault::TooLarge,
        FitsError::NoEnd { .. } => FitsFault::NoEndCard,
        FitsError::Card { .. } => FitsFault::CardTooLong,
        FitsError::Sizes { .. } => FitsFault::ImpossibleSize,
        FitsError::DataSum { .. } => FitsFault::DataSumDiffers,
        FitsError::Unpacking { .. } => FitsFault::CannotBeUnpacked,
        FitsError::Scaling { .. } => FitsFault::ScalingUnknown,
        FitsError::Dng { .. } => FitsFault::DngNotRead,
        FitsError::Read { .. } => FitsFault::ReadingFailed,
    };
    LeftOut::Unreadable { fault, words: error.to_string() }
}
