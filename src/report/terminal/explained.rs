//! How one file was understood, as a letter for the terminal.

use crate::report::words::verdict::pitch_reading;
use jiff::civil::DateTime;

use super::columns::{clean, columns, wrapped};
use crate::facts::{Caution, KindSource};
use crate::fits::{Cards, Geometry};
use crate::folder::vocabulary::{
    AIR_TEMPERATURE, AIRMASS, ALTITUDE, APERTURE, DARK_TIME, EXPOSURE, Entry, FOCAL, FOCUSER, GAIN_E_PER_ADU, PIXEL,
    SATURATION, SENSOR_TEMPERATURE, SET_POINT, SHIELDED,
};
use crate::folder::{Carded, Content, FrameHeader, PixelReadings};
use crate::report::words::left_out::{not_readable, other_content};
use crate::report::words::{self, InWords};
use crate::report::{FrameRow, FrameStatus, Warning, plain};
use crate::verdict::image_scale;

/// Everything that is known of one file.
#[derive(Debug, Clone)]
pub struct Explanation {
    /// Path below the folder, as the report names it.
    pub shown: String,
    /// What its bytes are.
    pub content: Content,
    /// Its image, where there is one.
    pub frame: Option<ExplainedFrame>,
    /// Its row of the report: kind, session, sensor, status and reason.
    pub row: FrameRow,
    /// Lights of the same session, this one included.
    pub session_lights: usize,
    /// Warnings that name it.
    pub warnings: Vec<Warning>,
    /// Files that were found beside it.
    pub beside: usize,
}

/// Header and shape of a file that could be opened.
#[derive(Debug, Clone)]
pub struct ExplainedFrame {
    pub geometry: Geometry,
    pub cards: Cards,
    /// With the rig file's keys.
    pub header: FrameHeader,
}

const WIDTH: usize = 80;
/// Columns of the name of a value, and of the value itself.
const NAME: usize = 20;
const VALUE: usize = 22;

/// The letter, lines ended by newlines. Control characters of headers and names are replaced.
pub fn explained(e: &Explanation) -> String {
    let mut lines = wrapped(&e.shown, WIDTH);
    for sentence in [what_it_is(e), what_became_of_it(e)] {
        paragraph(&mut lines, &sentence, 2);
    }
    if let Some(frame) = &e.frame {
        heading(&mut lines, "What its header says");
        let said = said(frame);
        let (known, unknown): (Vec<&Said>, Vec<&Said>) = said.iter().partition(|s| s.value.is_some());
        known.iter().for_each(|s| row(&mut lines, s, &frame.cards));
        if !unknown.is_empty() {
            heading(&mut lines, "What it does not say");
            unknown.iter().for_each(|s| paragraph(&mut lines, &format!("{}: no usable {}", s.name, s.asked), 2));
        }
        heading(&mut lines, "What follows");
        follows(e, frame).iter().for_each(|s| paragraph(&mut lines, s, 2));
    }
    heading(&mut lines, "What was left out, and what was noticed");
    let noticed = noticed(e);
    if noticed.is_empty() {
        lines.push("  Nothing.".to_owned());
    }
    noticed.iter().for_each(|s| paragraph(&mut lines, s, 2));
    lines.join("\n") + "\n"
}

fn heading(lines: &mut Vec<String>, text: &str) {
    lines.extend([String::new(), text.to_owned()]);
}

fn paragraph(lines: &mut Vec<String>, text: &str, indent: usize) {
    lines.extend(wrapped(text, WIDTH - indent).into_iter().map(|l| format!("{}{l}", " ".repeat(indent))));
}

/// One value of the header.
struct Said {
    name: &'static str,
    /// With its unit; `None` where the header does not tell it.
    value: Option<String>,
    card: String,
    converted: Option<String>,
    /// What else it is held against.
    held_against: Option<&'static str>,
    /// The cards that were asked.
    asked: String,
}

impl Said {
    fn of<T>(name: &'static str, told: Option<&Carded<T>>, shown: impl Fn(&T) -> String, asked: &[&str]) -> Self {
        Self {
            name,
            value: told.map(|t| shown(&t.value)),
            card: told.map_or_else(String::new, |t| t.card.clone()),
            converted: told.and_then(|t| t.converted.clone()),
            held_against: None,
            asked: asked.join(", "),
        }
    }

    fn number(entry: &'static Entry, told: Option<&Carded<f64>>) -> Self {
        let asked: Vec<&str> = entry.cards.iter().map(|c| c.0).collect();
        let shown = |v: &f64| format!("{} {}", number(*v), entry.unit).trim_end().to_owned();
        let held_against = Some(entry.contradicted_by).filter(|_| told.is_some_and(|t| !t.from_rig));
        Self { held_against, ..Self::of(entry.name, told, shown, &asked) }
    }

    fn words(name: &'static str, told: Option<&Carded<String>>, asked: &[&str]) -> Self {
        Self::of(name, told, Clone::clone, asked)
    }
}

/// As many digits as the header gave, but no noise of the arithmetic.
fn number(value: f64) -> String {
    let rounded = (value * 1e6).round() / 1e6;
    if rounded == 0.0 && value != 0.0 { format!("{value:e}") } else { rounded.to_string() }
}

fn said(frame: &ExplainedFrame) -> Vec<Said> {
    use crate::folder::vocabulary as v;
    let h = &frame.header;
    let kind = Some(&h.kind).filter(|k| !k.card.is_empty());
    let binning = h.binning_card.as_ref().map(|card| Carded::new(h.binning, card));
    let binning_cards: Vec<&str> =
        v::BINNING_PAIRS.iter().map(|p| p.0).chain(v::BINNING_WORDS.iter().copied()).collect();
    let moment = |m: &DateTime| format!("{m} UTC");
    let pointing = |p: &crate::folder::Pointing| format!("{:.4} {:+.4} degrees", p.ra_deg, p.dec_deg);
    let pointing_cards: Vec<&str> = v::POINTING.iter().map(|p| p.0).collect();
    let mut all = vec![
        Said::of("kind", kind, |k| k.label().to_owned(), v::KIND),
        Said::words("object", h.object.as_ref(), v::OBJECT),
        Said::words("camera", h.camera.as_ref(), v::CAMERA),
        Said::words("filter", h.filter.as_ref(), v::FILTER),
        Said::number(&EXPOSURE, h.exposure_s.as_ref()),
        Said::number(&DARK_TIME, h.dark_time_s.as_ref()),
        Said::of("start", h.start_utc.as_ref(), moment, v::START),
        Said::of(
            "longitude of site",
            h.site_longitude_deg.as_ref(),
            |d| format!("{} degrees east", number(*d)),
            v::LONGITUDE,
        ),
        Said::of(
            "latitude of site",
            h.site_latitude_deg.as_ref(),
            |d| format!("{} degrees north", number(*d)),
            v::LATITUDE,
        ),
        Said::of("clock of the site", h.utc_offset_h.as_ref(), |d| format!("UTC {d:+} h"), v::START_LOCAL),
        Said::number(&SENSOR_TEMPERATURE, h.sensor_celsius.as_ref()),
        Said::number(&SET_POINT, h.set_point_celsius.as_ref()),
        Said::number(&AIR_TEMPERATURE, h.air_celsius.as_ref()),
        Said::number(&SHIELDED, h.shielded_adu.as_ref()),
        Said::words("gain setting", h.gain_setting.as_ref(), v::GAIN_SETTING),
        Said::words("offset setting", h.offset_setting.as_ref(), v::OFFSET_SETTING),
        Said::words("read-out mode", h.readout_mode.as_ref(), v::READOUT_MODE),
        Said::number(&GAIN_E_PER_ADU, h.header_gain_e_per_adu.as_ref()),
        Said::number(&SATURATION, h.saturation_adu.as_ref()),
        Said::of("binning", binning.as_ref(), |[x, y]| format!("{x} x {y}"), &binning_cards),
        Said::number(&PIXEL, h.pixel_um.as_ref()),
        Said::number(&FOCAL, h.focal_mm.as_ref()),
        Said::number(&APERTURE, h.aperture_mm.as_ref()),
        Said::of(
            "scale of the WCS",
            h.wcs_arcsec_per_px.as_ref(),
            |s| format!("{} arcsec/px", plain(*s)),
            &["CD1_1", "CDELT1"],
        ),
        Said::of("colour pattern", h.cfa.as_ref(), |c| c.name(), v::CFA),
        Said::number(&AIRMASS, h.airmass.as_ref()),
        Said::number(&ALTITUDE, h.altitude_deg.as_ref()),
        Said::number(&FOCUSER, h.focuser_position.as_ref()),
    ];
    if h.pointings.is_empty() {
        all.push(Said::of::<crate::folder::Pointing>("pointing", None, pointing, &pointing_cards));
    }
    all.extend(h.pointings.iter().map(|p| Said::of("pointing", Some(p), pointing, &pointing_cards)));
    all
}

/// Name, value, and the card as it stands in the file; below it how the one became the other.
fn row(lines: &mut Vec<String>, said: &Said, cards: &Cards) {
    let value = said.value.as_deref().unwrap_or_default();
    let source = match cards.get(&said.card) {
        Some(card) if card.comment.is_empty() => format!("{} = {}", said.card, card.value),
        Some(card) => format!("{} = {} / {}", said.card, card.value, card.comment),
        None => said.card.clone(),
    };
    let mut notes = wrapped(&source, WIDTH - NAME - VALUE - 2);
    let more = said.converted.iter().map(|c| format!("({c})"));
    let held = said.held_against.filter(|h| *h != "nothing").map(|h| format!("held against {h}"));
    for note in more.chain(held) {
        notes.extend(wrapped(&note, WIDTH - NAME - VALUE - 2));
    }
    // A long value pushes its card to the next line.
    let values = wrapped(value, VALUE - 2);
    for i in 0..values.len().max(notes.len()) {
        let name = if i == 0 { said.name } else { "" };
        let value = values.get(i).map_or("", String::as_str);
        let fill = " ".repeat((VALUE - 2).saturating_sub(columns(value)) + 2);
        let note = notes.get(i).map_or("", String::as_str);
        lines.push(format!("  {name:<NAME$}{value}{fill}{note}").trim_end().to_owned());
    }
}

fn what_it_is(e: &Explanation) -> String {
    match (&e.frame, &e.content) {
        (Some(frame), _) => image_words(&frame.geometry),
        (None, Content::Fits) => "A FITS file whose image could not be opened.".to_owned(),
        (None, Content::SameAs(other)) => format!("A link to {other}, which is of the list itself."),
        (None, Content::Other(what)) => format!("By its first bytes: {}.", other_content(*what)),
        (None, Content::Unreadable(why)) => format!("It could not be read: {}.", not_readable(why)),
    }
}

fn image_words(g: &Geometry) -> String {
    let planes = if g.planes > 1 { format!(" in {} planes", g.planes) } else { String::new() };
    let numbers = match g.bitpix {
        b if b < 0 => format!("{}-bit floating-point numbers", -b),
        b => format!("{b}-bit whole numbers"),
    };
    let packed = if g.tile_compressed { ", compressed in tiles" } else { "" };
    format!("An image of {} x {} pixels{planes}, {numbers}{packed}, in HDU {}.", g.width, g.height, g.hdu)
}

fn what_became_of_it(e: &Explanation) -> String {
    let row = &e.row;
    let kind = row.kind.label();
    let by = match &row.kind_source {
        KindSource::Nothing => String::new(),
        KindSource::Pixels => ", because its pixels say so".to_owned(),
        KindSource::Exposure => ", because others of its camera were not exposed".to_owned(),
        KindSource::Name(name) => format!(", because the name {name} says so"),
        KindSource::Card(told) | KindSource::Quoted(told) | KindSource::Stated(told) => {
            format!(", because {told} says so")
        }
    };
    let mut text = match row.status {
        FrameStatus::Used => format!("It is used as a {kind} frame{by}."),
        FrameStatus::Excluded if e.frame.is_some() => format!("It is a {kind} frame{by}, and is left out."),
        FrameStatus::Excluded => "It is left alone.".to_owned(),
        FrameStatus::Unreadable => "It cannot be used.".to_owned(),
    };
    if let Some(session) = &row.session_id {
        text += &match e.session_lights {
            1 => format!(" It is the only light of the session \"{session}\"."),
            n => format!(" It is one of the {n} lights of the session \"{session}\"."),
        };
    }
    if let Some(sensor) = &row.sensor_id {
        text += &format!(" Its sensor is \"{sensor}\".");
    }
    match e.beside {
        0 => text + " No other file was looked at.",
        n => text + &format!(" {n} other file(s) were looked at."),
    }
}

fn follows(e: &Explanation, frame: &ExplainedFrame) -> Vec<String> {
    let h = &frame.header;
    let mut all = Vec::new();
    if let Some(night) = &e.row.night {
        let by = match (&h.site_longitude_deg, &h.utc_offset_h) {
            (Some(l), _) => format!("noon to noon in mean solar time at the longitude of {}", l.card),
            (None, Some(z)) => format!("noon to noon in the time zone that {} tells", z.card),
            (None, None) => "noon to noon at Greenwich, for want of a longitude".to_owned(),
        };
        all.push(format!("Night {night}: {by}."));
    }
    all.push(pixel_words(h));
    let scale = image_scale(h);
    all.push(match scale.value {
        Some(_) => format!("Image scale {}: {}.", scale.text("arcsec/px"), scale.how()),
        None => format!("Image scale not known: {}.", scale.why()),
    });
    if let Some((celsius, is_set_point)) = h.celsius() {
        let what = if is_set_point { "the set-point, for want of a measured one" } else { "the measured one" };
        all.push(format!("Temperature {} C: {what}.", number(celsius)));
    }
    if let Some(level) = e.row.level_adu {
        all.push(format!("Level of its pixels {} ADU, from a sample of its rows.", plain(level)));
    }
    all
}

fn pixel_words(h: &FrameHeader) -> String {
    let binning = format!(
        "Binning {} x {}{}",
        h.binning[0],
        h.binning[1],
        if h.binning_card.is_none() { " for want of a card" } else { "" }
    );
    match h.pixel_readings() {
        None => format!("{binning}; the pitch of a recorded pixel is not known."),
        Some(PixelReadings::One { um, reading }) => {
            format!("{binning}; a recorded pixel is {} um{}.", number(um), pitch_reading(reading))
        }
        Some(PixelReadings::Two { as_binned_um, as_physical_um }) => format!(
            "{binning}; a recorded pixel is {} um if the stated pitch contains the binning, {} um if not: rig key \
             pixel_includes_binning settles it.",
            number(as_binned_um),
            number(as_physical_um)
        ),
    }
}

/// The reason for leaving it out, its header's oddities, and the warnings that name it.
fn noticed(e: &Explanation) -> Vec<String> {
    let ended = |text: &str| match text.ends_with(['.', '?']) {
        true => clean(text),
        false => format!("{}.", clean(text)),
    };
    let mut all: Vec<String> = e.row.reason().iter().map(|why| ended(&format!("Left out: {why}"))).collect();
    all.extend(e.frame.iter().flat_map(|f| &f.header.notes).map(|n| ended(&words::header::caution(n))));
    // Those about headers are of the notes.
    let others = e.warnings.iter().filter(|w| !matches!(w.caution, Caution::Header { .. }));
    all.extend(others.map(|w| ended(&w.message())));
    for (flag, count) in e.row.star_flags.iter().filter(|(_, n)| **n > 0) {
        all.push(format!("{count} peak(s) not used as stars: {flag}."));
    }
    all
}
