//! A report as it was written: read from `report.json`, and refused where it is none or of another version.

use std::path::{Path, PathBuf};

use serde::Deserialize;

use crate::report::{FrameRow, SCHEMA_VERSION, SensorEntry, Session};

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

/// The parts of a report that gear is judged by.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct MeasuredReport {
    pub sessions: Vec<Session>,
    pub sensors: Vec<SensorEntry>,
    #[serde(default)]
    pub frames: Vec<FrameRow>,
}

impl MeasuredReport {
    /// Columns and rows of a session's frames; `None` where its frames are not in the report.
    pub fn size_px(&self, session: &Session) -> Option<[f64; 2]> {
        let own = self.frames.iter().filter(|f| f.session_id.as_ref() == Some(&session.id));
        own.filter_map(|f| Some([f.width? as f64, f.height? as f64])).next()
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
    pub fn sensor_of(&self, session: &Session) -> Option<&SensorEntry> {
        self.sensors.iter().find(|s| Some(&s.id) == session.sensor_id.as_ref())
    }
}

/// Pitch of a recorded pixel, um, from the size of the frame in px and mm.
pub(crate) fn pixel_um(session: &Session) -> Option<f64> {
    let field = &session.field;
    Some(1e3 * field.half_diagonal_mm.value? / field.half_diagonal_px.filter(|p| *p > 0.0)?)
}

/// Exposure time, s.
pub(crate) fn exposure_s(session: &Session) -> Option<f64> {
    session.settings.exposure_s.filter(|t| t.is_finite() && *t > 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::{json, sample};

    fn refused(text: &str) -> String {
        MeasuredReport::parse(text, Path::new("r.json")).unwrap_err().to_string()
    }

    #[test]
    fn foreign_and_other_versions_are_told_apart() {
        assert!(refused("frames: 3").contains("not JSON"));
        assert!(refused("{}").contains("no key schema_version"));
        let next = SCHEMA_VERSION + 1;
        assert!(refused(&format!("{{\"schema_version\": {next}}}")).contains(&format!("schema_version {next}")));
        assert!(refused("{\"schema_version\": \"1\"}").contains("schema_version \"1\""));
        let of = |sessions: &str| {
            format!("{{\"schema_version\": {SCHEMA_VERSION}, \"sessions\": [{sessions}], \"sensors\": []}}")
        };
        let older = refused(&of("{\"id\": \"a\"}"));
        assert!(older.contains("missing field `settings`") && older.contains("skygrain night"), "{older}");
        assert!(refused(&of("")).contains("no session"));
    }

    #[test]
    fn what_was_measured_is_read_as_it_was_written() {
        let written = sample::report();
        let read = MeasuredReport::parse(&json(&written).unwrap(), Path::new("report.json")).unwrap();
        let (session, sensor) = (&read.sessions[0], read.sensor_of(&read.sessions[0]).unwrap());
        assert_eq!(read.sessions.len(), written.sessions.len());
        assert_eq!(session.settings, written.sessions[0].settings);
        assert_eq!(session.field.causes, written.sessions[0].field.causes);
        assert_eq!(session.fwhm_arcsec.pair(), written.sessions[0].fwhm_arcsec.pair());
        assert_eq!(sensor.result.dark_current.law, written.sensors[0].result.dark_current.law);
        let starts = |rows: &[FrameRow]| rows.iter().map(|f| (f.kind, f.start_utc)).collect::<Vec<_>>();
        assert!(read.frames.iter().any(|f| f.start_utc.is_some()));
        assert_eq!(starts(&read.frames), starts(&written.frames));
    }
}
