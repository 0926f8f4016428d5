//! The sensor from bias, dark and flat frames: gain, read noise, dark current, hot pixels.

mod bias;
mod characterise;
mod charge;
mod codes;
mod dark;
mod dark_current;
mod dark_mask;
mod dark_pass;
mod drift;
mod exponential;
mod gain;
mod glow;
mod hot;
mod law;
mod load;
mod mean_bias;
mod pixel_map;
mod pixels;
mod rates;
mod read_noise;
mod result;
mod spread;
mod temperatures;
mod tiles;
mod vignetting;
mod windowed;

pub use characterise::{CalibrationFrame, SensorHints, SensorOutcome, characterise};
pub use gain::{relative_gain_error, two_flats_two_biases};
pub use glow::Glow;
pub use law::{ASSUMED_DOUBLING_C, DarkLaw, activation_ev, doubling_celsius};
pub use pixels::{Defect, DefectKind, DefectMap, HOT_E_PER_S, PixelDarkRates, RateQuantile, RateStep, WARM_E_PER_S};
pub use result::{CalibrationCounts, DarkCurrent, DarkPoint, HotPixels, PhotonTransferPoint, SensorResult};
pub use vignetting::Vignetting;
