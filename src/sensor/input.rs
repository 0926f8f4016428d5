//! What a sensor is measured from.

use std::path::PathBuf;

use serde::Serialize;

use crate::folder::{CfaPattern, FrameKind};

/// A frame of one sensor.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CalibrationFrame {
    /// Not in the serialised form: a path need not be text.
    #[serde(skip)]
    pub path: PathBuf,
    /// Bias, dark or flat; lights are used where there are no flats; other kinds are passed over.
    pub kind: FrameKind,
    /// Time over which dark charge gathered, s.
    pub exposure_s: Option<f64>,
    /// Sensor temperature, C.
    pub celsius: Option<f64>,
    pub filter: Option<String>,
}

/// What the rig file and the header say about the sensor.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct SensorHints {
    pub rig_gain_e_per_adu: Option<f64>,
    /// Conversion gain and the card that states it.
    pub header_gain: Option<(f64, String)>,
    pub rig_saturation_adu: Option<f64>,
    /// Saturation level and the card that states it.
    pub header_saturation_adu: Option<(f64, String)>,
    pub cfa: Option<CfaPattern>,
}
