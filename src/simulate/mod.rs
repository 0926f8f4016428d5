//! Seeded frames with known truth, for the demo, the tests and the benches.
//!
//! Nothing here is shared with the code that measures: profiles, noise and files are made by their own means, so that
//! agreement between the two says something. The same seed gives the same bytes on any number of threads.
#![doc = include_str!("README.md")]

pub mod bound;
pub mod calibration;
mod contour;
pub mod dark_series;
pub mod detector;
pub mod dng;
pub mod field;
pub mod fits_out;
mod footprint;
pub mod frame;
mod moffat;
pub mod night;
mod plan;
mod profile;
mod rig;
mod round_image;
mod speed;
mod star;
mod tally;
mod transfer;
mod turbulent;

pub use calibration::{CalibrationFiles, SmallCamera};
pub use contour::Contour;
pub use dark_series::{DarkSeries, SeriesFrame, write_series};
pub use detector::{DarkLaw, Detector, HotPixel};
pub use field::{FieldRecipe, FieldShape, PointSource, expose, scatter};
pub use fits_out::{CardValue, HeaderCard, write_frame, write_frame_f32};
pub use frame::{FrameRecipe, FrameTruth, Glow, render};
pub use night::{LightTruth, NightTruth, SessionTruth, write_night};
pub use profile::Profile;
pub use speed::bench_frame;
pub use star::{SimStar, StarImage};
pub use tally::Tally;
pub use transfer::Turbulence;

use std::path::PathBuf;

use rand::SeedableRng;
use rand_xoshiro::Xoshiro256PlusPlus;

/// What can go wrong while frames are made or written.
#[derive(Debug, thiserror::Error)]
pub enum SimulateError {
    /// The folder for the night already holds something.
    #[error("{} is not empty; name a new or empty folder", path.display())]
    NotEmpty { path: PathBuf },
    /// The file is there already and is left as it is.
    #[error("{} exists already and is not overwritten", path.display())]
    Exists { path: PathBuf },
    /// The operating system refused.
    #[error("{}: {source}", path.display())]
    Io { path: PathBuf, source: std::io::Error },
    /// CFITSIO refused.
    #[error("{}: CFITSIO status {status} while writing {what}: {text}", path.display())]
    Fits { path: PathBuf, what: String, status: i32, text: String },
    /// A keyword, value or path with a NUL byte in it.
    #[error("{}: {what} holds a NUL byte", path.display())]
    Nul { path: PathBuf, what: String },
}

/// A generator for stream number `stream` of `seed`.
///
/// The pair is scrambled before seeding: neighbouring seeds of one generator family would share parts of their state.
fn stream(seed: u64, stream: u64) -> Xoshiro256PlusPlus {
    Xoshiro256PlusPlus::seed_from_u64(mix(seed, stream))
}

/// A seed for sub-task `index` of `seed`: two rounds of the finaliser of SplitMix64 (Steele et al. 2014, from memory).
fn mix(seed: u64, index: u64) -> u64 {
    let scramble = |mut z: u64| {
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    };
    scramble(scramble(seed.wrapping_add(0x632b_e59b_d9b4_e019)) ^ index.wrapping_mul(0xd1b5_4a32_d192_ed03))
}
