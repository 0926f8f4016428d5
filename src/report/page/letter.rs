//! What the page says, in words and cells ready to be set.

use serde::Serialize;

use super::decision::{over_filters, side_by_side};
use super::measures::{MeasureLine, measures};
use super::replies::{Reply, replies};
use super::sensor_part::{SensorPart, sensor_part};
use super::session_part::{SessionPart, session_part};
use super::setting::{day, sentence};
use crate::facts::Quantity;
use crate::report::model::{FrameRow, FrameStatus, Report};
use crate::report::plots::PlotError;
use crate::report::words::numbers::{plain, quantity, typographic};
use crate::report::words::origins::{self, Basis};

/// The whole page.
#[derive(Debug, Serialize)]
pub struct Letter {
    pub title: String,
    pub intro: String,
    pub version: String,
    pub answers: Vec<Reply>,
    pub basis: Prose,
    pub measures: Vec<MeasureLine>,
    pub side_by_side: Vec<[String; 8]>,
    /// Sampling over several sessions of a filter.
    pub filters: Vec<String>,
    pub sessions: Vec<SessionPart>,
    pub sensors: Vec<SensorPart>,
    pub frames: Vec<FrameLine>,
    /// Whether the table of files is folded away.
    pub folded: bool,
    pub warnings: Vec<WarningLine>,
}

/// What the report rests on.
#[derive(Debug, Serialize)]
pub struct Prose {
    pub measured: usize,
    pub header: String,
    pub rig: String,
    pub assumed: Vec<String>,
    pub missing: Vec<Missing>,
    pub cautions: Vec<String>,
}

/// One reason and what it costs.
#[derive(Debug, Serialize)]
pub struct Missing {
    pub reason: String,
    pub costs: String,
}

/// One file.
#[derive(Debug, Serialize)]
pub struct FrameLine {
    pub path: String,
    pub kind: &'static str,
    pub status: &'static str,
    pub reason: String,
    /// Time of the day, and the whole of it to sort by.
    pub start: String,
    pub start_order: String,
    pub exposure: String,
    pub celsius: String,
    pub filter: String,
    pub fwhm: String,
    pub fwhm_order: Option<f64>,
    pub ellipticity: String,
    pub ellipticity_order: Option<f64>,
    pub stars: String,
    pub sky: String,
}

/// One warning.
#[derive(Debug, Serialize)]
pub struct WarningLine {
    pub severity: &'static str,
    pub message: String,
    pub code: String,
    pub paths: Vec<String>,
    pub more: usize,
}

/// Rows of the table of files from which it is folded away: about two screens.
const MOST_OPEN_ROWS: usize = 40;

/// Most files that one warning lists on the page; `report.json` has all.
const MOST_PATHS: usize = 8;

/// Writes the page's words.
///
/// # Errors
///
/// A chart could not be drawn.
pub fn letter(report: &Report) -> Result<Letter, PlotError> {
    Ok(Letter {
        title: title(&report.nights()),
        intro: intro(report),
        version: report.program_version.clone(),
        answers: replies(report),
        basis: prose(origins::basis(report)),
        measures: measures(report),
        side_by_side: side_by_side(report),
        filters: over_filters(report),
        sessions: report.sessions.iter().map(|s| session_part(report, s)).collect::<Result<_, _>>()?,
        sensors: report.sensors.iter().map(sensor_part).collect::<Result<_, _>>()?,
        frames: report.frames.iter().map(frame).collect(),
        folded: report.frames.len() > MOST_OPEN_ROWS,
        warnings: report
            .warnings
            .iter()
            .map(|w| WarningLine {
                severity: w.severity().label(),
                message: typographic(&w.message()),
                code: w.code().to_owned(),
                paths: w.paths.iter().take(MOST_PATHS).cloned().collect(),
                more: w.paths.len().saturating_sub(MOST_PATHS),
            })
            .collect(),
    })
}

fn title(nights: &[&str]) -> String {
    match nights {
        [] => "What these frames say about the sensor".to_owned(),
        [one] => format!("What the night of {} says about the rig", day(one)),
        [first, .., last] => {
            format!("What {} nights, {} to {}, say about the rig", nights.len(), day(first), day(last))
        }
    }
}

fn intro(report: &Report) -> String {
    let count = |status| report.frames.iter().filter(|f| f.status == status).count();
    let (used, left, lost) = (count(FrameStatus::Used), count(FrameStatus::Excluded), count(FrameStatus::Unreadable));
    let mut text = match report.frames.len() {
        1 => format!("Of 1 file found, {used} was used"),
        n => format!("Of {n} files found, {used} were used"),
    };
    if left > 0 {
        text += &format!(", {left} left out");
    }
    if lost > 0 {
        text += &format!(", {lost} could not be read");
    }
    if report.sessions.is_empty() && !report.answers.is_empty() {
        text += ". Sampling, thermal noise and the gain from cooling are not measurable, because no usable light frame \
                 was found";
    }
    text + ". The tables give every value with one standard uncertainty and where it comes from."
}

fn prose(b: Basis) -> Prose {
    Prose {
        measured: b.measured.len(),
        header: sentence(&b.header.join("; ")),
        rig: sentence(&b.rig.join("; ")),
        assumed: b.assumed.iter().map(|a| sentence(a)).collect(),
        missing: b
            .missing
            .into_iter()
            .map(|(reason, costs)| Missing { reason: sentence(&reason), costs: costs.join("; ") })
            .collect(),
        cautions: b.cautions.iter().map(|c| sentence(c)).collect(),
    }
}

fn frame(f: &FrameRow) -> FrameLine {
    let number = |x: Option<f64>| x.filter(|v| v.is_finite()).map_or_else(String::new, |v| typographic(&plain(v)));
    let tenths =
        |x: Option<f64>| x.filter(|v| v.is_finite()).map_or_else(String::new, |v| typographic(&format!("{v:.1}")));
    let measured = |q: &Option<Quantity>| match q {
        Some(q) if q.is_known() => typographic(&quantity(q)),
        _ => String::new(),
    };
    let order = |q: &Option<Quantity>| q.as_ref().and_then(|q| q.value);
    FrameLine {
        path: f.path.clone(),
        kind: f.kind.label(),
        status: f.status.label(),
        reason: typographic(&f.reason().unwrap_or_default()),
        start: f.start_utc.map_or_else(String::new, |t| t.strftime("%H:%M:%S").to_string()),
        start_order: f.start_text().unwrap_or_default(),
        exposure: number(f.exposure_s),
        celsius: tenths(f.sensor_celsius),
        filter: f.filter.clone().unwrap_or_default(),
        fwhm: measured(&f.fwhm_px),
        fwhm_order: order(&f.fwhm_px),
        ellipticity: measured(&f.ellipticity),
        ellipticity_order: order(&f.ellipticity),
        stars: f.star_count.map_or_else(String::new, |n| n.to_string()),
        sky: tenths(f.sky_adu),
    }
}
