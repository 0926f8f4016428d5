//! The sensor from bias, dark and flat frames: gain, read noise, dark current, hot pixels.
#![doc = include_str!("README.md")]

pub(crate) mod bias;
mod characterise;
mod chosen_gain;
pub(crate) mod darks;
pub(crate) mod flats;
pub(crate) mod plane;
mod result;
mod temperatures;

pub use bias::tail::ReadNoiseTail;
pub use characterise::{CalibrationFrame, SensorHints, SensorOutcome, characterise};
pub use darks::glow::Glow;
pub use darks::law::{ASSUMED_DOUBLING_C, DarkLaw, activation_ev, doubling_celsius};
pub use darks::pixels::{
    Defect, DefectKind, DefectMap, HOT_E_PER_S, PixelDarkRates, RateQuantile, RateStep, WARM_E_PER_S,
};
pub use flats::amplifiers::Amplifier;
pub use flats::filter::Prnu;
pub use flats::gain::{relative_gain_error, two_flats_two_biases};
pub use flats::sky_pairs::chosen as lights_for_gain;
pub use flats::transfer::TransferFit;
pub use flats::vignetting::Vignetting;
pub use result::{CalibrationCounts, DarkCurrent, DarkPoint, HotPixels, PhotonTransferPoint, SensorResult};
