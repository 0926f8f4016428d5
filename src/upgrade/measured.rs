//! What an upgrade needs of a report: read from `report.json`, and refused where it is none or too old.

use std::path::{Path, PathBuf};

use serde::Deserialize;

use crate::facts::Quantity;
use crate::report::SCHEMA_VERSION;

/// Why a report cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ReportFileError {
    #[error("{path}: {reason}", path = path.display())]
    Read { path: PathBuf, reason: String },
    #[error("{path} is no report.json of this program: {reason}", path = path.display())]
    Foreign { path: PathBuf, reason: String },
    #[error(
        "{path} has schema_version {found}, this program reads {SCHEMA_VERSION}; run `skygrain night` on the frames again",
        path = path.display()
    )]
    Version { path: PathBuf, found: String },
    #[error(
        "{path} lacks what an upgrade is judged by ({reason}): it was written by another version of this program; run \
         `skygrain night` on the frames again",
        path = path.display()
    )]
    Older { path: PathBuf, reason: String },
    #[error("{path} holds no session of lights, so there is nothing to compare with", path = path.display())]
    NoSession { path: PathBuf },
}

/// The parts of a report that are read.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct MeasuredReport {
    pub sessions: Vec<MeasuredSession>,
    pub sensors: Vec<MeasuredSensor>,
    #[serde(default)]
    pub frames: Vec<MeasuredFrame>,
}

/// A file of the report, as far as its size matters.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct MeasuredFrame {
    pub session_id: Option<String>,
    pub width: Option<f64>,
    pub height: Option<f64>,
}

/// A session, under the keys of the report.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct MeasuredSession {
    pub id: String,
    pub settings: MeasuredSettings,
    pub sensor_id: Option<String>,
    pub sensor_temperature_c: Quantity,
    pub image_scale_arcsec_per_px: Quantity,
    pub fwhm_arcsec: Quantity,
    pub ellipticity: Quantity,
    pub sky_e_per_px_s: Quantity,
    pub noise_budget: MeasuredBudget,
    pub sampling: MeasuredSampling,
    pub field: MeasuredField,
    /// Missing where no darks were looked for.
    pub dark_match: Option<MeasuredDarks>,
}

#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct MeasuredSettings {
    pub filter: Option<String>,
    pub exposure_s: Option<f64>,
    pub cfa: Option<String>,
}

#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct MeasuredBudget {
    pub dark_e2: Quantity,
    pub exposure_for_5_percent_read_s: Quantity,
}

#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct MeasuredSampling {
    pub best_binning: Option<u32>,
}

#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct MeasuredField {
    pub half_diagonal_px: Option<f64>,
    pub half_diagonal_mm: Quantity,
    pub corrected_radius_mm: Quantity,
    pub corrected_to_the_corner: Option<bool>,
    pub corner_fwhm_ratio: Quantity,
    pub finding: String,
}

#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct MeasuredDarks {
    pub darks: usize,
    pub added_variance_share: Quantity,
}

/// A sensor, under the keys of the report.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct MeasuredSensor {
    pub id: String,
    pub read_noise_e: Quantity,
    pub dark_current: MeasuredDarkCurrent,
    #[serde(default)]
    pub vignetting: Vec<MeasuredVignetting>,
}

#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct MeasuredDarkCurrent {
    pub activation_energy_ev: Quantity,
    pub doubling_celsius: Quantity,
    pub floor_e_per_px_s: Quantity,
    pub range_celsius: Option<[f64; 2]>,
}

#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct MeasuredVignetting {
    pub filter: Option<String>,
    pub corner_illumination: Quantity,
    pub half_diagonal_px: f64,
}

impl MeasuredReport {
    /// Columns and rows of a session's frames; `None` where its frames are not in the report.
    pub fn size_px(&self, session: &MeasuredSession) -> Option<[f64; 2]> {
        let own = self.frames.iter().filter(|f| f.session_id.as_ref() == Some(&session.id));
        own.filter_map(|f| Some([f.width?, f.height?])).next()
    }

    /// Reads a report.
    ///
    /// # Errors
    ///
    /// Unreadable, no report of this program, another version, or without a session.
    pub fn read(path: &Path) -> Result<Self, ReportFileError> {
        let text = std::fs::read_to_string(path)
            .map_err(|e| ReportFileError::Read { path: path.to_owned(), reason: e.to_string() })?;
        Self::parse(&text, path)
    }

    /// As [`MeasuredReport::read`], from text; `path` is for messages.
    ///
    /// # Errors
    ///
    /// As [`MeasuredReport::read`].
    pub fn parse(text: &str, path: &Path) -> Result<Self, ReportFileError> {
        let path = path.to_owned();
        let value: serde_json::Value = match serde_json::from_str(text) {
            Ok(value) => value,
            Err(e) => return Err(ReportFileError::Foreign { path, reason: format!("it is not JSON ({e})") }),
        };
        match value.get("schema_version") {
            None => {
                return Err(ReportFileError::Foreign { path, reason: "it has no key schema_version".to_owned() });
            }
            Some(found) if found.as_u64() != Some(SCHEMA_VERSION.into()) => {
                return Err(ReportFileError::Version { path, found: found.to_string() });
            }
            Some(_) => {}
        }
        let report: Self = match serde_json::from_value(value) {
            Ok(report) => report,
            Err(e) => return Err(ReportFileError::Older { path, reason: e.to_string() }),
        };
        if report.sessions.is_empty() { Err(ReportFileError::NoSession { path }) } else { Ok(report) }
    }

    /// The sensor that took a session.
    pub fn sensor_of(&self, session: &MeasuredSession) -> Option<&MeasuredSensor> {
        self.sensors.iter().find(|s| Some(&s.id) == session.sensor_id.as_ref())
    }
}

impl MeasuredSession {
    /// Pitch of a recorded pixel, um, from the size of the frame in px and mm.
    pub fn pixel_um(&self) -> Option<f64> {
        Some(1e3 * self.field.half_diagonal_mm.value? / self.field.half_diagonal_px.filter(|p| *p > 0.0)?)
    }

    /// Exposure time, s.
    pub fn exposure_s(&self) -> Option<f64> {
        self.settings.exposure_s.filter(|t| t.is_finite() && *t > 0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refused(text: &str) -> String {
        MeasuredReport::parse(text, Path::new("r.json")).unwrap_err().to_string()
    }

    #[test]
    fn foreign_and_other_versions_are_told_apart() {
        assert!(refused("frames: 3").contains("not JSON"));
        assert!(refused("{}").contains("no key schema_version"));
        assert!(refused("{\"schema_version\": 1}").contains("schema_version 1"));
        assert!(refused("{\"schema_version\": \"2\"}").contains("schema_version \"2\""));
        let older = refused("{\"schema_version\": 2, \"sessions\": [{\"id\": \"a\"}], \"sensors\": []}");
        assert!(older.contains("missing field `settings`") && older.contains("skygrain night"), "{older}");
        assert!(refused("{\"schema_version\": 2, \"sessions\": [], \"sensors\": []}").contains("no session"));
    }
}
