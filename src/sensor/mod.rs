//! The sensor from bias, dark and flat frames: gain, read noise, dark current, hot pixels.
#![doc = include_str!("README.md")]

pub(crate) mod bias;
mod cautions;
mod characterise;
mod chosen_gain;
pub(crate) mod darks;
pub(crate) mod flats;
mod input;
pub(crate) mod plane;
mod result;
mod temperatures;
mod unlit;

pub use bias::tail::ReadNoiseTail;
pub use cautions::CautionedFrames;
pub use characterise::{SensorOutcome, characterise};
pub use darks::glow::Glow;
pub use darks::law::DarkLaw;
pub(crate) use darks::law::{ASSUMED_DOUBLING_C, ASSUMED_DOUBLING_SIGMA_C};
pub use darks::pixels::{Defect, DefectKind, DefectMap, PixelDarkRates, RateQuantile, RateStep};
pub use flats::amplifiers::Amplifier;
pub use flats::filter::{PhotonTransferPoint, Prnu};
pub use flats::sky_pairs::chosen as lights_for_gain;
pub use flats::transfer::TransferFit;
pub use flats::vignetting::Vignetting;
pub use input::{CalibrationFrame, SensorHints};
pub use result::{CalibrationCounts, DarkCurrent, DarkPoint, HotPixels, SensorResult};
