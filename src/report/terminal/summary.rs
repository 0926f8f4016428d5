//! The summary for the terminal: one screen of 80 columns, the answers first.

use super::columns::{clean, fitted, wrapped};
use crate::facts::happening::Happening;
use crate::facts::{Quantity, Source};
use crate::report::InWords;
use crate::report::files::write::ReportFiles;
use crate::report::model::{FrameRow, FrameStatus, Report, SensorEntry, Session};
use crate::report::words::WithSentence;
use crate::report::words::asks::asks;
use crate::report::words::first::{self, About};
use crate::report::words::numbers::{UNKNOWN, plain, with_unit, within};
use crate::report::words::percent::percent_of_column;
use crate::verdict::Level;

/// Columns of the narrowest terminal in common use.
const COLUMNS: usize = 80;
/// Lines of the summary: the answers fill a screen of 25 at most, what follows may be scrolled to.
const LINES: usize = 38;
/// Columns of the words that name an answer.
const MARGIN: usize = 10;
/// Sessions that the answers tell by name: more stand in a table.
const SESSIONS_TOLD: usize = 2;
/// Most lines of each kind, so that all fits one screen; the page has the rest.
const MOST_SESSIONS: usize = 6;
const MOST_SENSORS: usize = 3;
/// Lines that left-out files and warnings may take however long the rest is.
const LEAST_ROOM: usize = 6;
/// Most things that happened.
const MOST_HAPPENINGS: usize = 3;
/// Reasons for lights left out that what happened tells.
const HAPPENED: [&str; 6] = ["shaded", "bright-sky", "focus-run", "out-of-focus", "fading", "clouded"];
/// Most reasons for files left out.
const MOST_REASONS: usize = 3;

/// The lines written so far, and every reason given in them, so that none is given twice.
#[derive(Default)]
struct Screen {
    lines: Vec<String>,
    said: Vec<String>,
}

impl Screen {
    fn blank(&mut self) {
        if self.lines.last().is_some_and(|l| !l.is_empty()) {
            self.lines.push(String::new());
        }
    }

    /// A paragraph whose lines after the first are indented.
    fn paragraph(&mut self, text: &str, indent: usize) {
        for (i, line) in wrapped(text, COLUMNS - indent).iter().enumerate() {
            let line = format!("{}{line}", " ".repeat(if i == 0 { 0 } else { indent }));
            self.lines.push(line.trim_end().to_owned());
        }
    }

    /// Whether a reason is new; it then counts as given.
    fn first_time(&mut self, reason: &str) -> bool {
        let new = !reason.is_empty() && !self.said.iter().any(|s| s.contains(reason));
        self.said.push(reason.to_owned());
        new
    }
}

/// The summary, lines ended by newlines. `written` names the files, if there are any.
///
/// Control characters from headers and file names are replaced, so that they cannot steer the terminal.
pub fn summary(report: &Report, written: Option<&ReportFiles>) -> String {
    let mut screen = Screen::default();
    if report.sessions.is_empty() {
        // Without lights the detector is what is known, so it comes first.
        sensors(&mut screen, report);
        if !report.answers.is_empty() {
            screen.blank();
            let open =
                "Sampling, thermal noise and cooling are not measurable, because no usable light frame was found.";
            screen.paragraph(open, 0);
        }
    } else {
        answers(&mut screen, report);
        if report.sessions.len() > SESSIONS_TOLD {
            sessions(&mut screen, report);
        }
        sensors(&mut screen, report);
    }
    let files: Vec<String> = written.map(file_lines).unwrap_or_default();
    ask(&mut screen, report, LINES.saturating_sub(files.len() + 1 + LEAST_ROOM));
    screen.blank();
    let room = LINES.saturating_sub(screen.lines.len() + files.len() + 1).max(LEAST_ROOM);
    frames_and_warnings(&mut screen, report, room);
    if !files.is_empty() {
        screen.blank();
        screen.lines.extend(files);
    }
    screen.lines.iter().map(|l| format!("{l}\n")).collect()
}

/// What would help most, where that fits the lines of the screen.
fn ask(screen: &mut Screen, report: &Report, most: usize) {
    let Some(asks) = asks(report) else { return };
    if screen.lines.len() + 3 + wrapped(&asks, COLUMNS - 2).len() <= most {
        screen.blank();
        screen.paragraph(&asks, 2);
    }
}

/// A path stays whole even where it is long: it will be copied.
fn file_lines(w: &ReportFiles) -> Vec<String> {
    [("To read", &w.html), ("All values", &w.json), ("Per frame", &w.csv)]
        .map(|(what, path)| format!("{what:<12}{}", clean(&path.display().to_string())))
        .into()
}

fn answers(screen: &mut Screen, report: &Report) {
    for (about, sentence) in first::answers(report) {
        let again = screen.said.contains(&sentence);
        let text = if again {
            "Not known, for the same reason.".to_owned()
        } else {
            how_sure(screen, report, about, &sentence)
        };
        screen.said.push(sentence);
        for (i, line) in wrapped(&text, COLUMNS - MARGIN).iter().enumerate() {
            screen.lines.push(format!("{:<MARGIN$}{line}", if i == 0 { about.word() } else { "" }));
        }
    }
}

/// The answer, with how sure it is where it is not very sure, each reason once.
fn how_sure(screen: &mut Screen, report: &Report, about: About, sentence: &str) -> String {
    let entry = about.answered_by().and_then(|q| report.answers.iter().find(|a| a.question() == q));
    match entry.map(|a| &a.confidence) {
        Some(c) if !matches!(c.level, Level::High | Level::None) => {
            let named = screen.first_time(&c.sentence);
            let why = if named { format!(": {}", c.sentence) } else { String::new() };
            format!("{sentence} How sure: {}{why}.", c.level.word())
        }
        _ => sentence.to_owned(),
    }
}

fn sessions(screen: &mut Screen, report: &Report) {
    screen.blank();
    let row = |cells: [&str; 7]| {
        let widths = [10, 10, 7, 7, FWHM_COLUMNS, SKY_COLUMNS, 12];
        let cells: Vec<String> = cells.iter().zip(widths).map(|(cell, w)| fitted(cell, w)).collect();
        cells.join(" ").trim_end().to_owned()
    };
    screen.lines.push(row(["Night", "Filter", "Time, s", "Used of", "FWHM, px", "Sky, e-/px/s", "Dark, % var."]));
    for s in report.sessions.iter().take(MOST_SESSIONS) {
        let share = percent_of_column(&s.noise_budget.dark_share);
        screen.lines.push(row([
            s.night.as_deref().unwrap_or("-"),
            s.settings.filter.as_deref().unwrap_or("-"),
            &s.settings.exposure_s.map_or_else(|| "-".to_owned(), plain),
            &format!("{}/{}", s.frame_counts.used, s.frame_counts.light),
            &short(&s.fwhm_px, FWHM_COLUMNS),
            &short(&s.sky_e_per_px_s, SKY_COLUMNS),
            &share,
        ]));
    }
    rest(screen, report.sessions.len(), MOST_SESSIONS, "session");
    let cells = report.sessions.iter().take(MOST_SESSIONS);
    for q in cells.flat_map(|s| [&s.fwhm_px, &s.sky_e_per_px_s, &s.noise_budget.dark_share]) {
        if !q.is_known() && screen.first_time(&q.why()) {
            screen.paragraph(&format!("- means not measurable, because {}.", q.why()), 2);
        }
    }
}

/// Columns of two cells of the table of sessions.
const FWHM_COLUMNS: usize = 13;
const SKY_COLUMNS: usize = 15;

fn short(q: &Quantity, width: usize) -> String {
    if q.is_known() { within(q, width) } else { "-".to_owned() }
}

fn sensors(screen: &mut Screen, report: &Report) {
    screen.blank();
    for s in report.sensors.iter().take(MOST_SENSORS) {
        let words = sensor_words(s, screen);
        screen.paragraph(&words, 2);
    }
    rest(screen, report.sensors.len(), MOST_SENSORS, "sensor");
}

fn sensor_words(s: &SensorEntry, screen: &mut Screen) -> String {
    let r = &s.result;
    let camera = s.settings.camera.as_deref().unwrap_or("Camera not named");
    let setting = s.settings.gain_setting.as_deref().map_or_else(String::new, |g| format!(", gain setting {g}"));
    let at = r.dark_current.reference_celsius.map_or_else(String::new, |c| format!(" at {c:.1} °C"));
    let read_noise = if r.read_noise_e.is_known() || !r.read_noise_adu.is_known() {
        ("read noise", &r.read_noise_e, "e-", "")
    } else {
        ("read noise", &r.read_noise_adu, "ADU", "")
    };
    let told_by = match r.gain_e_per_adu.source {
        Source::Measured if r.photon_transfer.is_empty() => " (from the sky of lights)",
        Source::Header => " (stated in the header)",
        Source::Rig => " (stated in the rig file)",
        Source::Measured | Source::Assumed => "",
    };
    let values = [
        ("gain", &r.gain_e_per_adu, "e-/ADU", told_by),
        read_noise,
        ("dark current", &r.dark_current.rate_e_per_px_s, "e-/px/s", at.as_str()),
        ("doubling step", &r.dark_current.doubling_celsius, "°C", ""),
    ];
    let known = values.iter().filter(|(_, q, ..)| q.is_known());
    let known: Vec<String> = known
        .map(|(name, q, unit, at)| {
            let origin = if q.source == Source::Assumed { " (assumed)" } else { "" };
            format!("{name} {}{at}{origin}", with_unit(q, unit))
        })
        .collect();
    let mut parts = vec![format!("{camera}{setting}")];
    if !known.is_empty() {
        parts[0] += &format!(": {}", known.join(", "));
    }
    let mut reasons: Vec<(String, Vec<&str>)> = Vec::new();
    for (name, q, ..) in values.iter().filter(|(_, q, ..)| !q.is_known()) {
        match reasons.iter_mut().find(|(reason, _)| *reason == q.why()) {
            Some((_, names)) => names.push(name),
            None => reasons.push((q.why(), vec![name])),
        }
    }
    for (why, _) in &mut reasons {
        if !screen.first_time(why) {
            why.clear();
        }
    }
    // What has its reason above goes first, without it.
    let (given, new): (Vec<_>, Vec<_>) = reasons.into_iter().partition(|(why, _)| why.is_empty());
    let given: Vec<&str> = given.into_iter().flat_map(|(_, names)| names).collect();
    let open = (!given.is_empty()).then(|| given.join(", "));
    let explained = new.iter().map(|(why, names)| format!("{} ({why})", names.join(", ")));
    let open: Vec<String> = open.into_iter().chain(explained).collect();
    if !open.is_empty() {
        parts.push(format!("{UNKNOWN}: {}", open.join(", ")));
    }
    parts.join("; ") + "."
}

/// What became of the files, then what needs doing, as far as `room` lines go.
fn frames_and_warnings(screen: &mut Screen, report: &Report, room: usize) {
    let start = screen.lines.len();
    let count = |status| report.frames.iter().filter(|f| f.status == status).count();
    let (used, excluded, unreadable) =
        (count(FrameStatus::Used), count(FrameStatus::Excluded), count(FrameStatus::Unreadable));
    let all = report.frames.len();
    let files = if all == 1 { "file" } else { "files" };
    screen.lines.push(format!("{all} {files}: {used} used, {excluded} left out, {unreadable} not readable."));
    happenings(screen, report);
    let told = |f: &&FrameRow| {
        let by_night = f.left_out.as_ref().is_some_and(|why| HAPPENED.contains(&why.code()));
        by_night && report.sessions.iter().any(|s| f.session_id.as_ref() == Some(&s.id) && !s.happenings.is_empty())
    };
    let mut reasons: Vec<(String, Vec<&str>)> = Vec::new();
    for f in report.frames.iter().filter(|f| f.status != FrameStatus::Used).filter(|f| !told(f)) {
        let reason = f.reason().unwrap_or_else(|| "no reason was given".to_owned());
        match reasons.iter_mut().find(|(r, _)| *r == reason) {
            Some((_, paths)) => paths.push(&f.path),
            None => reasons.push((reason, vec![&f.path])),
        }
    }
    // The reason that costs most files first.
    reasons.sort_by_key(|(_, paths)| std::cmp::Reverse(paths.len()));
    for (reason, paths) in reasons.iter().take(MOST_REASONS) {
        let which = if let [one] = paths[..] { one.to_owned() } else { format!("{} files", paths.len()) };
        screen.paragraph(&format!("not used: {which} ({reason})"), 2);
    }
    rest(screen, reasons.len(), MOST_REASONS, "reason");
    let mut shown = 0;
    for w in &report.warnings {
        let mut text = format!("{}: {}", w.severity().label(), w.message());
        if let [one] = &w.paths[..] {
            text += &format!(" ({one})");
        } else if !w.paths.is_empty() && !w.caution.counts_its_frames() {
            text += &format!(" ({} files)", w.paths.len());
        }
        // What to do stands at the end of a message, so none is cut: it fits whole or waits for the page.
        let lines = wrapped(&text, COLUMNS - 2).len();
        if shown > 0 && screen.lines.len() - start + lines >= room {
            break;
        }
        screen.paragraph(&text, 2);
        shown += 1;
    }
    rest(screen, report.warnings.len(), shown, "warning");
}

/// What happened in the night, those that cost most lights first chosen, in the order of time.
fn happenings(screen: &mut Screen, report: &Report) {
    let all: Vec<(&Session, &WithSentence<Happening>)> =
        report.sessions.iter().flat_map(|s| s.happenings.iter().map(move |h| (s, h))).collect();
    let mut by_cost: Vec<usize> = (0..all.len()).collect();
    by_cost.sort_by_key(|i| (std::cmp::Reverse(all[*i].1.left_out), *i));
    by_cost.truncate(MOST_HAPPENINGS);
    by_cost.sort_unstable();
    for (session, happening) in by_cost.into_iter().map(|i| all[i]) {
        let filter = session.settings.filter.as_deref().unwrap_or("no filter");
        screen.paragraph(&format!("{filter}, {}", happening.sentence), 2);
    }
    rest(screen, all.len(), MOST_HAPPENINGS, "event");
}

fn rest(screen: &mut Screen, all: usize, shown: usize, what: &str) {
    if all > shown {
        let more = all - shown;
        let plural = if more == 1 { "" } else { "s" };
        screen.lines.push(format!("... and {more} more {what}{plural} in the report."));
    }
}

#[cfg(test)]
mod tests {
    use std::path::PathBuf;

    use super::super::columns::columns;
    use super::*;
    use crate::report::sample;

    fn text() -> String {
        let files = ReportFiles {
            html: "out/report.html".into(),
            json: "out/report.json".into(),
            csv: "out/frames.csv".into(),
        };
        summary(&sample::report(), Some(&files))
    }

    #[test]
    fn the_summary_fits_one_screen() {
        let text = text();
        for line in text.lines() {
            assert!(columns(line) <= COLUMNS, "{} columns: {line}", columns(line));
        }
        assert!(text.lines().count() <= LINES, "{text}");
    }

    /// Prints the sample for a look by eye: `cargo test sample_screen -- --ignored --nocapture`.
    #[test]
    #[ignore = "prints for a look by eye"]
    fn sample_screen() {
        println!("{}", text());
    }

    #[test]
    fn the_answers_come_first_and_the_files_last() {
        let text = text();
        assert!(text.starts_with("Stars     Stars are ") && text.contains("\nUpgrade   "), "{text}");
        assert!(text.trim_end().ends_with("out/frames.csv"), "{text}");
    }

    #[test]
    fn a_name_cannot_steer_the_terminal() {
        let mut report = sample::report();
        report.sensors[0].settings.camera = Some("evil\x1b[2J\u{202E}cam\nera".to_owned());
        report.sessions[0].settings.filter = Some("\x1b[31mL".to_owned());
        let text = summary(&report, None);
        assert!(!text.contains('\x1b') && !text.contains('\u{202E}') && text.contains("evil?[2J?cam?era"), "{text}");
    }

    #[test]
    fn a_crowded_night_is_cut_short_and_says_so() {
        let mut report = sample::report();
        let (session, warning) = (report.sessions[0].clone(), report.warnings[0].clone());
        report.sessions = vec![session; 30];
        report.warnings = vec![warning; 30];
        let text =
            summary(&report, Some(&ReportFiles { html: PathBuf::new(), json: PathBuf::new(), csv: PathBuf::new() }));
        assert!(text.contains("... and 24 more sessions") && text.contains(" more warnings in the report"), "{text}");
        assert!(text.lines().count() <= LINES + 2 * LEAST_ROOM, "{}", text.lines().count());
    }

    #[test]
    fn a_sensor_without_flats_says_why_its_values_are_missing() {
        let mut report = sample::report();
        let result = &mut report.sensors[0].result;
        result.gain_e_per_adu = Quantity::not_measurable("no flats");
        result.read_noise_e = Quantity::not_measurable("no flats");
        result.read_noise_adu = Quantity::not_measurable("no flats");
        let mut screen = Screen::default();
        let words = sensor_words(&report.sensors[0], &mut screen);
        assert!(words.contains("not measurable: gain, read noise (no flats)"), "{words}");
        assert_eq!(sensor_words(&report.sensors[0], &mut screen).matches("no flats").count(), 0);
        assert!(words.contains("doubling step 7.68 ± 0.21 °C"), "{words}");
    }

    #[test]
    fn a_gain_that_no_flats_gave_says_who_did() {
        let mut report = sample::report();
        let words = |report: &Report| sensor_words(&report.sensors[0], &mut Screen::default());
        assert!(!words(&report).contains('('), "{}", words(&report));
        report.sensors[0].result.photon_transfer.clear();
        assert!(words(&report).contains("e-/ADU (from the sky of lights)"), "{}", words(&report));
        report.sensors[0].result.gain_e_per_adu = Quantity::header(0.8, "EGAIN");
        assert!(words(&report).contains("e-/ADU (stated in the header)"), "{}", words(&report));
    }

    #[test]
    fn without_lights_the_sensor_comes_first_and_the_excuse_once() {
        let mut report = sample::report();
        report.sessions.clear();
        let text = summary(&report, None);
        assert!(text.starts_with("Tarnwhistle 3"), "{text}");
        assert_eq!(text.matches("not measurable").count(), 1, "{text}");
        report.answers.clear();
        assert!(!summary(&report, None).contains("not measurable"));
    }

    #[test]
    fn an_assumed_value_is_called_so() {
        let mut report = sample::report();
        report.sensors[0].result.dark_current.doubling_celsius = Quantity::assumed(6.5, Some(1.0), "usual");
        assert!(summary(&report, None).contains("6.5 ± 1.0 °C (assumed)"));
    }

    #[test]
    fn how_sure_an_answer_is_stands_with_it_where_that_is_not_very_sure_and_its_detail_does_not() {
        let text = text();
        assert!(text.contains("How sure: medium") && !text.contains("How sure: high"), "{text}");
        assert!(!text.contains("What stands behind it"), "{text}");
    }
}
