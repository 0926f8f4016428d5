//! One session as the page tells it: words, tables and figures.

use crate::report::InWords;
use serde::Serialize;

use super::decision::{DecisionPart, decision_part};
use super::over_field::{FieldPart, field_part};
use super::setting::{Line, day, line, set};
use crate::facts::Quantity;
use crate::report::model::{Report, Session, SessionSettings};
use crate::report::plots::{self, Figure, PlotError};
use crate::report::words::numbers::{plain, quantity, typographic};
use crate::report::words::origins;
use crate::report::words::percent;

/// One session.
#[derive(Debug, Serialize)]
pub struct SessionPart {
    pub heading: String,
    pub intro: String,
    pub sampling: String,
    /// Which of the sensors applies, counted from 1.
    pub sensor: Option<usize>,
    pub lines: Vec<Line>,
    /// The night over time.
    pub night: Vec<Figure>,
    /// A star over the pixel grid, and where this rig stands among others.
    pub pixels: Vec<Figure>,
    pub field: FieldPart,
    pub exposure: Option<Figure>,
    pub noise: Vec<Line>,
    pub noise_missing: String,
    pub curve: Option<Figure>,
    pub cooling: Vec<[String; 5]>,
    pub cooling_basis: String,
    pub noise_check: String,
    /// What happened while its lights were taken.
    pub happenings: Vec<String>,
    pub dark_match: String,
    pub hot_pixels: String,
    pub decision: DecisionPart,
    pub star_match: String,
    pub cooling_missing: String,
}

/// Writes one session.
///
/// # Errors
///
/// A chart could not be drawn.
pub(crate) fn session_part(report: &Report, s: &Session) -> Result<SessionPart, PlotError> {
    let parts = origins::noise_parts(s).map(|(name, variance, share)| part(name, variance, Some(&share)));
    let total = part("all", &s.noise_budget.total_e2, None);
    let noise =
        if s.noise_budget.total_e2.is_known() { parts.into_iter().chain([total]).collect() } else { Vec::new() };
    let c = s.frame_counts;
    let drift = match (s.sensor_temperature_c.min, s.sensor_temperature_c.max) {
        (Some(a), Some(b)) if b - a < 0.05 => format!(" The sensor stood at {a:.1} °C."),
        (Some(a), Some(b)) => format!(" The sensor stood between {a:.1} and {b:.1} °C."),
        _ => String::new(),
    };
    let rows = s.cooling.iter().map(|r| {
        [
            format!("{:.1}", r.sensor_celsius),
            format!("{:.1}", r.below_now_c),
            quantity(&r.dark_e_per_px_s),
            quantity(&r.time_ratio),
            quantity(&r.snr_gain),
        ]
        .map(|t| typographic(&t))
    });
    Ok(SessionPart {
        heading: heading(s),
        intro: typographic(&format!(
            "{} light frames, {} used, {} left out. {}.{drift}",
            c.light,
            c.used,
            c.excluded,
            settings(&s.settings)
        )),
        sampling: typographic(&format!("{} {}", s.sampling.sentence, s.sampling.detail)),
        sensor: s.sensor_id.as_ref().and_then(|id| report.sensors.iter().position(|e| e.id == *id)).map(|i| i + 1),
        lines: origins::of_session(s).into_iter().map(line).collect(),
        night: plots::over_the_night(&report.lights_of(s))?.into_iter().map(set).collect(),
        pixels: [plots::star_image(s)?, plots::sampling_axis(s)?].into_iter().flatten().map(set).collect(),
        field: field_part(&s.field)?,
        exposure: plots::noise_by_exposure(s)?.map(set),
        noise,
        noise_missing: typographic(&s.noise_budget.total_e2.why()),
        curve: plots::cooling_curve(s)?.map(set),
        cooling: rows.collect(),
        cooling_basis: typographic(&s.cooling_basis),
        noise_check: typographic(&s.noise_check.sentence),
        happenings: s.happenings.iter().map(|h| typographic(&h.sentence)).collect(),
        dark_match: typographic(&s.dark_match.sentence),
        hot_pixels: typographic(&s.hot_pixels.sentence),
        decision: decision_part(s),
        star_match: typographic(
            [&*s.star_match.sentence, &s.star_match.detail, &s.photometry.sentence].join(" ").trim_end(),
        ),
        cooling_missing: typographic(&s.cooling_floor_time_ratio.why()),
    })
}

fn part(name: &str, variance: &Quantity, share: Option<&Quantity>) -> Line {
    Line {
        label: name.to_owned(),
        value: typographic(&quantity(variance)),
        origin: share.map_or_else(|| "100 %".to_owned(), |s| typographic(&percent(s))),
        note: None,
        known: variance.is_known(),
    }
}

fn heading(s: &Session) -> String {
    let filter = s.settings.filter.as_deref().unwrap_or("no filter named");
    let time = s.settings.exposure_s.map_or_else(|| "exposure not known".to_owned(), |t| format!("{} s", plain(t)));
    match &s.night {
        Some(night) => format!("{filter}, {time}, night of {}", day(night)),
        None => format!("{filter}, {time}"),
    }
}

fn settings(s: &SessionSettings) -> String {
    let mut parts = vec![s.camera.clone().unwrap_or_else(|| "Camera not named".to_owned())];
    parts.extend(s.gain_setting.as_ref().map(|g| format!("gain setting {g}")));
    parts.extend(s.offset_setting.as_ref().map(|o| format!("offset setting {o}")));
    parts.push(format!("binning {}×{}", s.binning[0], s.binning[1]));
    parts.extend(s.cfa.as_ref().map(|c| format!("colour filter pattern {c}")));
    parts.join(", ")
}
