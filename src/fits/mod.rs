//! The one door to CFITSIO: literal opening, header cards, image geometry, pixels.
//!
//! Files are opened with the disk-file call, which takes every character of a name as it is; the extended file-name
//! grammar would read `M31 [Ha].fits` as a request for an extension. One handle belongs to one task, and no two tasks
//! may have the same path open at once, since CFITSIO shares its buffers between handles on one file. What a header
//! promises is held against what the file can hold before anything is allocated.
#![doc = include_str!("README.md")]

mod apart;
mod blocks;
mod cards;
pub mod dng;
mod handle;
mod holes;
mod image;
mod lossy;
mod mend;
mod pixels;
mod promise;
mod serve;
mod sizes;

pub use apart::read_apart_with;
pub use cards::{Card, Cards, leading_number};
pub use holes::{Grid, Holes};
pub use image::{Geometry, ImageFile};
pub use pixels::{Image, Pixels};
pub use serve::serve_if_asked;

use std::path::PathBuf;

/// What can go wrong with one file.
#[derive(Debug, Clone, thiserror::Error)]
pub enum FitsError {
    /// The operating system or CFITSIO would not open it.
    #[error("cannot be opened: {reason}")]
    Open { path: PathBuf, reason: String },
    /// The name cannot be handed to CFITSIO.
    #[error("its path is longer than the {limit} bytes that CFITSIO takes; move it to a shorter path")]
    PathTooLong { path: PathBuf, limit: usize },
    /// No HDU of the file holds pixels.
    #[error("no image with pixels in any of its {hdus} HDUs")]
    NoImage { path: PathBuf, hdus: usize },
    /// Axes that this program does not know how to read.
    #[error("HDU {hdu}: axes {axes:?} are not a 2-D image or a cube of 3 colour planes")]
    Axes { path: PathBuf, hdu: usize, axes: Vec<i64> },
    /// The file is shorter than its header promises.
    #[error("incomplete: has {have} of the {promised} bytes that NAXIS and BITPIX promise; copy it again")]
    Incomplete { path: PathBuf, have: u64, promised: u128 },
    /// The gzip stream breaks off, is damaged, or cannot hold what its header promises.
    #[error(
        "its gzip stream is damaged or incomplete: it gave {have}{} bytes; copy it again",
        promised.map(|p| format!(" of the promised {p}")).unwrap_or_default()
    )]
    Gzip { path: PathBuf, have: u64, promised: Option<u128> },
    /// More than a frame can be.
    #[error(
        "it promises {promised} bytes, more than the {limit} that are taken into memory; unpack it if that is true"
    )]
    TooLarge { path: PathBuf, promised: u128, limit: u128 },
    /// The first header does not end.
    #[error("its header has no END card within {bytes} bytes; the file is damaged or still being written")]
    NoEnd { path: PathBuf, bytes: u64 },
    /// A card whose value is longer than CFITSIO has room for.
    #[error("a header card is longer than a value may be and cannot be read safely: {card}")]
    Card { path: PathBuf, card: String },
    /// A size in the header of a table or a packed image that no file can have.
    #[error("its header states what cannot be: {card}; the file is damaged, copy it again")]
    Sizes { path: PathBuf, card: String },
    /// The sum of the data that the file states is not theirs.
    #[error("HDU {hdu}: its data do not add up to its DATASUM card, so they are damaged; copy it again")]
    DataSum { path: PathBuf, hdu: usize },
    /// The process that was to unpack the pixels broke off.
    #[error("HDU {hdu}: its packed pixels cannot be unpacked, so they are damaged; copy it again")]
    Unpacking { path: PathBuf, hdu: usize },
    /// A scaling card that is no number: the pixels have no known values.
    #[error("HDU {hdu}: {keyword} = {value} is no number, so its pixels have no known values")]
    Scaling { path: PathBuf, hdu: usize, keyword: &'static str, value: String },
    /// A DNG that is damaged, or stored in a way that is not read.
    #[error("{reason}")]
    Dng { path: PathBuf, reason: String },
    /// CFITSIO failed while reading.
    #[error("HDU {hdu}: CFITSIO status {status} while reading {what}: {text}")]
    Read { path: PathBuf, hdu: usize, what: &'static str, status: i32, text: String },
}

impl FitsError {
    /// The file that the error is about.
    pub fn path(&self) -> &PathBuf {
        match self {
            Self::Open { path, .. }
            | Self::PathTooLong { path, .. }
            | Self::NoImage { path, .. }
            | Self::Axes { path, .. }
            | Self::Incomplete { path, .. }
            | Self::Gzip { path, .. }
            | Self::TooLarge { path, .. }
            | Self::NoEnd { path, .. }
            | Self::Card { path, .. }
            | Self::Sizes { path, .. }
            | Self::DataSum { path, .. }
            | Self::Unpacking { path, .. }
            | Self::Scaling { path, .. }
            | Self::Dng { path, .. }
            | Self::Read { path, .. } => path,
        }
    }
}

/// Whether the linked CFITSIO may be used from several threads; checked before a night starts.
pub fn is_reentrant() -> bool {
    // SAFETY: a call without arguments that reads a build-time constant.
    unsafe { fitsio::sys::fits_is_reentrant() == 1 }
}
