//! What the page says, in words and cells ready to be set.

use jiff::civil::Date;
use serde::Serialize;

use super::measures::{MeasureLine, measures};
use super::model::{FrameRow, FrameStatus, Report, SensorEntry, Session, SessionSettings};
use super::numbers::{plain, quantity, typographic, with_unit};
use super::origins::{self, Basis, Named};
use super::over_field::{FieldPart, field_part, vignetting_words};
use super::plots::{self, Figure, PlotError};
use super::replies::{Reply, replies};
use crate::quantity::Quantity;
use crate::verdict::percent;

/// The whole page.
#[derive(Debug, Serialize)]
pub struct Letter {
    pub title: String,
    pub intro: String,
    pub version: String,
    pub answers: Vec<Reply>,
    pub basis: Prose,
    pub measures: Vec<MeasureLine>,
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
    pub measured: String,
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

/// One line of a table of values.
#[derive(Debug, Serialize)]
pub struct Line {
    pub label: String,
    pub value: String,
    pub origin: String,
    pub note: Option<String>,
    pub known: bool,
}

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
    pub field: FieldPart,
    pub budget: Option<Figure>,
    pub noise: Vec<Line>,
    pub noise_missing: String,
    pub curve: Option<Figure>,
    pub cooling: Vec<[String; 5]>,
    pub cooling_basis: String,
    pub dark_match: String,
    pub star_match: String,
    pub cooling_missing: String,
}

/// One sensor.
#[derive(Debug, Serialize)]
pub struct SensorPart {
    pub heading: String,
    pub intro: String,
    pub lines: Vec<Line>,
    pub transfer: Option<Figure>,
    /// What the flats' variance has beside that curve.
    pub residuals: Option<Figure>,
    pub vignetting: Vec<String>,
    pub dark: Option<Figure>,
    pub pixels: Option<Figure>,
    pub dark_method: String,
    pub points: Vec<[String; 4]>,
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
        sessions: report.sessions.iter().map(|s| session(report, s)).collect::<Result<_, _>>()?,
        sensors: report.sensors.iter().map(sensor).collect::<Result<_, _>>()?,
        frames: report.frames.iter().map(frame).collect(),
        folded: report.frames.len() > MOST_OPEN_ROWS,
        warnings: report
            .warnings
            .iter()
            .map(|w| WarningLine {
                severity: w.severity.label(),
                message: typographic(&w.message),
                code: w.code.clone(),
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

/// `11 February 2026`, not to be broken, from `2026-02-11`; anything else stays as it is.
fn day(night: &str) -> String {
    night.parse::<Date>().map_or_else(|_| night.to_owned(), |d| d.strftime("%-d\u{A0}%B\u{A0}%Y").to_string())
}

/// The text with a capital first letter and marks as they are set.
pub(super) fn sentence(text: &str) -> String {
    let mut chars = text.chars();
    let first = chars.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
    typographic(&(first + chars.as_str()))
}

fn intro(report: &Report) -> String {
    let count = |status| report.frames.iter().filter(|f| f.status == status).count();
    let (used, left, lost) = (count(FrameStatus::Used), count(FrameStatus::Excluded), count(FrameStatus::Unreadable));
    let mut text = format!("Of {} files found, {used} were used", report.frames.len());
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
        measured: b.measured.join(", "),
        header: sentence(&b.header.join("; ")),
        rig: sentence(&b.rig.join("; ")),
        assumed: b.assumed.iter().map(|a| sentence(a)).collect(),
        missing: b
            .missing
            .into_iter()
            .map(|(reason, costs)| Missing { reason: sentence(&reason), costs: costs.join(", ") })
            .collect(),
        cautions: b.cautions.iter().map(|c| sentence(c)).collect(),
    }
}

fn line(v: Named) -> Line {
    Line {
        label: v.label.to_owned(),
        value: typographic(&match v.unit {
            "%" => percent(&v.quantity.scaled(0.01)),
            unit => with_unit(&v.quantity, unit),
        }),
        origin: typographic(&origins::origin(&v.quantity)),
        note: v.quantity.note.as_deref().map(typographic),
        known: v.quantity.is_known(),
    }
}

fn session(report: &Report, s: &Session) -> Result<SessionPart, PlotError> {
    let budget = plots::noise_budget(s)?;
    let parts = origins::noise_parts(s).map(|(name, variance, share)| part(name, variance, Some(&share)));
    let total = part("all", &s.noise_budget.total_e2, None);
    let noise = if budget.is_some() { parts.into_iter().chain([total]).collect() } else { Vec::new() };
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
        field: field_part(&s.field)?,
        budget: budget.map(set),
        noise,
        noise_missing: typographic(s.noise_budget.total_e2.why()),
        curve: plots::cooling_curve(s)?.map(set),
        cooling: rows.collect(),
        cooling_basis: typographic(&s.cooling_basis),
        dark_match: typographic(&s.dark_match.sentence),
        star_match: typographic(
            [&*s.star_match.sentence, &s.star_match.detail, &s.photometry.sentence].join(" ").trim_end(),
        ),
        cooling_missing: typographic(s.cooling_floor_time_ratio.why()),
    })
}

/// The words around a chart as they are set on the page.
fn set(f: Figure) -> Figure {
    Figure { title: typographic(&f.title), caption: typographic(&f.caption), ..f }
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

fn sensor(s: &SensorEntry) -> Result<SensorPart, PlotError> {
    let r = &s.result;
    let mut heading = vec![s.settings.camera.clone().unwrap_or_else(|| "Camera not named".to_owned())];
    heading.extend(s.settings.gain_setting.as_ref().map(|g| format!("gain setting {g}")));
    heading.extend(s.settings.offset_setting.as_ref().map(|o| format!("offset {o}")));
    heading.extend(s.settings.readout_mode.clone());
    heading.push(format!("binning {}×{}", s.settings.binning[0], s.settings.binning[1]));
    let n = r.frames;
    let mut intro = format!("From {} bias, {} dark and {} flat frames.", n.bias, n.dark, n.flat);
    if let Some(step) = r.adu_step {
        intro += &format!(" Codes come in steps of {step} ADU.");
    }
    let dark = &r.dark_current;
    if let Some(at) = dark.reference_celsius {
        intro += &format!(" Dark current is stated at {at:.1} °C");
        intro += &match dark.range_celsius {
            Some([a, b]) if b - a >= 0.05 => format!(", measured from {a:.1} to {b:.1} °C."),
            _ => ".".to_owned(),
        };
    }
    if let (Some(t), Some(at)) = (r.hot_pixel_fraction.threshold_e_per_s, r.hot_pixel_fraction.at_celsius) {
        intro += &format!(" A pixel is called hot above {} e⁻/s at {at:.1} °C.", plain(t));
    }
    if let Some(glow) = &dark.glow {
        intro += &format!(
            " {} of the frame glows with light from the camera's own electronics, most at column {:.0}, row {:.0} \
             ({}; {} ADU above the rest after {} s): {}. It is left out of the dark rates.",
            percent(&Quantity::measured(glow.area_fraction, 0.0, "", 0)),
            glow.x_px,
            glow.y_px,
            glow.place,
            plain(glow.excess_adu),
            plain(glow.exposure_s),
            glow.behaviour
        );
    }
    let points = dark.points.iter().map(|p| {
        let cells = [
            format!("{:.1}", p.celsius),
            plain(p.exposure_s),
            quantity(&p.rate_e_per_px_s),
            quantity(&p.variance_rate_e_per_px_s),
        ];
        cells.map(|t| typographic(&t))
    });
    Ok(SensorPart {
        heading: heading.join(", "),
        intro: typographic(&intro),
        lines: origins::of_sensor(s).into_iter().map(line).collect(),
        transfer: plots::photon_transfer(s)?.map(set),
        residuals: plots::transfer_residuals(s)?.map(set),
        vignetting: r.vignetting.iter().map(vignetting_words).collect(),
        dark: plots::dark_current(s)?.map(set),
        pixels: plots::pixel_rates(s)?.map(set),
        dark_method: typographic(&dark.method),
        points: points.collect(),
    })
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
        reason: typographic(f.reason.as_deref().unwrap_or("")),
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
