//! What warnings about a sensor and its frames are about.

use serde::{Deserialize, Serialize};
use strum::{IntoStaticStr, VariantNames};

use super::Quantity;

/// What the user should know of the frames of a sensor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum SensorCaution {
    /// Interpolated colours have no raw noise.
    NotRaw {
        planes: usize,
    },
    NoValidPixels,
    /// Columns and rows of the frame, and of the sensor's other frames, px.
    SizeDiffers {
        have: (usize, usize),
        want: (usize, usize),
    },
    /// A copy has no noise of its own.
    IdenticalFrames,
    BiasFloor {
        fraction: f64,
    },
    DarkWithoutExposure,
    DarkLevelSuppressed,
    /// The step that doubles the dark current, as the darks give it, C.
    DarkLawNotOfSilicon {
        doubling_celsius: f64,
    },
    /// Darks of one temperature and exposure, and their charge.
    DarksDiffer {
        celsius: Option<f64>,
        exposure_s: f64,
        darks: usize,
        least_adu: f64,
        most_adu: f64,
    },
    /// Bias frames of one temperature in two groups, and the levels of both.
    BiasesDiffer {
        celsius: Option<f64>,
        low: usize,
        low_adu: f64,
        high: usize,
        high_adu: f64,
    },
    /// Pairs of flats of about one level whose gains differ, e-/ADU.
    FlatsDiffer {
        signal_adu: f64,
        gains_e_per_adu: [f64; 2],
    },
    /// Flats whose noise neighbouring pixels share, and how much of it.
    FlatsResampled {
        correlation: f64,
    },
    FlatClipped,
    /// Relative scatter of the rows of a pair of flats.
    FlatFlicker {
        scatter: f64,
    },
    FlatLevelsDiffer {
        ratio: f64,
    },
    GainDisagrees {
        measured_e_per_adu: f64,
        stated_e_per_adu: f64,
        stated_by: StatedBy,
    },
    /// One value a quadrant: low columns, high columns; low rows, then high rows. No gains where flats tell none.
    SeveralAmplifiers {
        gains_e_per_adu: Option<Vec<Quantity>>,
        read_noises_adu: Vec<Quantity>,
    },
}

impl SensorCaution {
    /// A fixed word for scripts.
    pub fn code(&self) -> &'static str {
        self.into()
    }
}

/// Who states a gain.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum StatedBy {
    Card(String),
    RigFile,
}
