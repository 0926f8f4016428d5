//! What the user should know of frames and sensors: what warnings are about.

use serde::{Deserialize, Serialize};
use strum::IntoStaticStr;

use super::sensor_caution::SensorCaution;

/// How grave a warning is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Worth knowing.
    Note,
    /// A result is less sure for it.
    Caution,
    /// A result is missing for it.
    Problem,
}

/// What a warning is about.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr)]
#[strum(serialize_all = "kebab-case")]
pub enum Caution {
    Sensor(SensorCaution),
    /// Until every caution has its type.
    Quoted {
        code: String,
        severity: Severity,
        sentence: String,
    },
}

impl Caution {
    /// A fixed word for scripts.
    pub fn code(&self) -> &str {
        match self {
            Self::Sensor(of) => of.code(),
            Self::Quoted { code, .. } => code,
        }
    }

    /// How grave it is.
    pub fn severity(&self) -> Severity {
        match self {
            Self::Sensor(_) => Severity::Caution,
            Self::Quoted { severity, .. } => *severity,
        }
    }
}

impl From<SensorCaution> for Caution {
    fn from(of: SensorCaution) -> Self {
        Self::Sensor(of)
    }
}
