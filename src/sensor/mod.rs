//! The sensor from bias, dark and flat frames: gain, read noise, dark current, hot pixels.

mod result;

pub use result::{CalibrationCounts, DarkCurrent, DarkPoint, HotPixels, PhotonTransferPoint, SensorResult};
