//! The sensor from bias, dark and flat frames: gain, read noise, dark current, hot pixels.

mod amplifiers;
mod bias;
mod characterise;
mod codes;
mod copies;
mod dark;
mod dark_current;
mod exponential;
mod flat_pair;
mod flats;
mod gain;
mod hot;
mod law;
mod lines;
mod load;
mod rates;
mod read_noise;
mod result;
mod rounded;
mod sky_pairs;
mod spread;
mod tail;
mod temperatures;
mod tiles;
mod transfer;
mod vignetting;

pub use amplifiers::Amplifier;
pub use characterise::{CalibrationFrame, SensorHints, SensorOutcome, characterise};
pub use dark::Glow;
pub use flats::Prnu;
pub use gain::{relative_gain_error, two_flats_two_biases};
pub use law::{ASSUMED_DOUBLING_C, DarkLaw, activation_ev, doubling_celsius};
pub use result::{CalibrationCounts, DarkCurrent, DarkPoint, HotPixels, PhotonTransferPoint, SensorResult};
pub use tail::ReadNoiseTail;
pub use transfer::TransferFit;
pub use vignetting::Vignetting;
