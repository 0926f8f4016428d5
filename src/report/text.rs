//! The summary for the terminal: one screen of 80 columns, the answers first.

use super::model::{FrameStatus, Report, SensorEntry, Session};
use super::numbers::{UNKNOWN, plain, quantity, with_unit};
use super::write::Written;
use crate::quantity::Quantity;
use crate::verdict::Question;

/// Columns of the narrowest terminal in common use.
const COLUMNS: usize = 80;
/// Most lines of each kind, so that all fits one screen; the page has the rest.
const MOST_SESSIONS: usize = 6;
const MOST_SENSORS: usize = 3;
const MOST_WARNINGS: usize = 4;
/// Most lines that one warning may take.
const MOST_WARNING_LINES: usize = 3;

/// The summary, lines ended by newlines. `written` names the files, if there are any.
///
/// Control characters from headers and file names are replaced, so that they cannot steer the terminal.
pub fn summary(report: &Report, written: Option<&Written>) -> String {
    let mut out = String::new();
    for answer in &report.answers {
        let question = match answer.question {
            Question::Sampling => "Sampling",
            Question::ThermalNoise => "Heat",
            Question::Cooling => "Cooling",
        };
        let text = format!("{} [{}]", answer.sentence, answer.confidence);
        for (i, line) in wrapped(&text, COLUMNS - 10).iter().enumerate() {
            line_of(&mut out, &format!("{:<10}{line}", if i == 0 { question } else { "" }));
        }
    }
    sessions(&mut out, report);
    sensors(&mut out, report);
    frames(&mut out, report);
    warnings(&mut out, report);
    if let Some(w) = written {
        line_of(&mut out, "");
        for (what, path) in [("To read", &w.html), ("All values", &w.json), ("Per frame", &w.csv)] {
            // A path stays whole even where it is long: it will be copied.
            out.push_str(&format!("{what:<12}{}\n", clean(&path.display().to_string())));
        }
    }
    out
}

fn line_of(out: &mut String, line: &str) {
    out.push_str(line.trim_end());
    out.push('\n');
}

fn sessions(out: &mut String, report: &Report) {
    if report.sessions.is_empty() {
        return;
    }
    line_of(out, "");
    let row = |cells: [&str; 7]| {
        let [night, filter, time, used, fwhm, sky, heat] = cells;
        format!(
            "{} {} {} {} {} {} {}",
            fitted(night, 10),
            fitted(filter, 10),
            fitted(time, 7),
            fitted(used, 7),
            fitted(fwhm, 13),
            fitted(sky, 15),
            fitted(heat, 12)
        )
    };
    line_of(out, &row(["Night", "Filter", "Time, s", "Used of", "FWHM, px", "Sky, e-/px/s", "Heat, % var."]));
    for s in report.sessions.iter().take(MOST_SESSIONS) {
        let used = format!("{}/{}", s.frame_counts.used, s.frame_counts.light);
        line_of(
            out,
            &row([
                s.night.as_deref().unwrap_or("-"),
                s.settings.filter.as_deref().unwrap_or("-"),
                &s.settings.exposure_s.map_or_else(|| "-".to_owned(), plain),
                &used,
                &short(&s.fwhm_px),
                &short(&s.sky_e_per_px_s),
                &short(&s.noise_budget.dark_share.scaled(100.0)),
            ]),
        );
    }
    rest(out, report.sessions.len(), MOST_SESSIONS, "sessions");
    for reason in unknown_reasons(&report.sessions) {
        for line in wrapped(&format!("- means not measurable: {reason}"), COLUMNS).iter().take(2) {
            line_of(out, line);
        }
    }
}

/// Why cells of the table are blank; each reason once, two at most.
fn unknown_reasons(sessions: &[Session]) -> Vec<&str> {
    let mut reasons: Vec<&str> = Vec::new();
    let cells = sessions.iter().take(MOST_SESSIONS);
    for q in cells.flat_map(|s| [&s.fwhm_px, &s.sky_e_per_px_s, &s.noise_budget.dark_share]) {
        if !q.is_known() && !q.why().is_empty() && !reasons.contains(&q.why()) {
            reasons.push(q.why());
        }
    }
    reasons.truncate(2);
    reasons
}

fn short(q: &Quantity) -> String {
    let text = quantity(q);
    if text == UNKNOWN { "-".to_owned() } else { text }
}

fn sensors(out: &mut String, report: &Report) {
    if report.sensors.is_empty() {
        return;
    }
    line_of(out, "");
    for s in report.sensors.iter().take(MOST_SENSORS) {
        for (i, line) in wrapped(&sensor_words(s), COLUMNS - 2).iter().enumerate() {
            line_of(out, &format!("{}{line}", if i == 0 { "" } else { "  " }));
        }
    }
    rest(out, report.sensors.len(), MOST_SENSORS, "sensors");
}

fn sensor_words(s: &SensorEntry) -> String {
    let r = &s.result;
    let camera = s.settings.camera.as_deref().unwrap_or("camera not named");
    let setting = s.settings.gain_setting.as_deref().map_or_else(String::new, |g| format!(", gain setting {g}"));
    let at = r.dark_current.reference_celsius.map_or_else(String::new, |c| format!(" at {} °C", plain(c)));
    let values = [
        ("gain", &r.gain_e_per_adu, "e-/ADU", ""),
        ("read noise", &r.read_noise_e, "e-", ""),
        ("dark current", &r.dark_current.rate_e_per_px_s, "e-/px/s", at.as_str()),
        ("doubling step", &r.dark_current.doubling_celsius, "°C", ""),
    ];
    let known = values.iter().filter(|(_, q, ..)| q.is_known());
    let known: Vec<String> = known.map(|(name, q, unit, at)| format!("{name} {}{at}", with_unit(q, unit))).collect();
    let mut words = format!("{camera}{setting}: {}", known.join(", "));
    let mut reasons: Vec<(&str, Vec<&str>)> = Vec::new();
    for (name, q, ..) in values.iter().filter(|(_, q, ..)| !q.is_known()) {
        match reasons.iter_mut().find(|(why, _)| *why == q.why()) {
            Some((_, names)) => names.push(name),
            None => reasons.push((q.why(), vec![name])),
        }
    }
    for (why, names) in reasons {
        let gap = if words.ends_with(": ") { "" } else { ". " };
        words += &format!("{gap}{UNKNOWN}: {} ({why})", names.join(", "));
    }
    words + "."
}

fn frames(out: &mut String, report: &Report) {
    let count = |status| report.frames.iter().filter(|f| f.status == status).count();
    let (used, excluded, unreadable) =
        (count(FrameStatus::Used), count(FrameStatus::Excluded), count(FrameStatus::Unreadable));
    line_of(out, "");
    line_of(
        out,
        &format!("{} files: {used} used, {excluded} left out, {unreadable} not readable.", report.frames.len()),
    );
}

fn warnings(out: &mut String, report: &Report) {
    for w in report.warnings.iter().take(MOST_WARNINGS) {
        let mut text = format!("{}: {}", w.severity.label(), w.message);
        match &w.paths[..] {
            [] => {}
            [one] => text += &format!(" ({one})"),
            many => text += &format!(" ({} files)", many.len()),
        }
        for (i, line) in wrapped(&text, COLUMNS - 2).iter().take(MOST_WARNING_LINES).enumerate() {
            line_of(out, &format!("{}{line}", if i == 0 { "" } else { "  " }));
        }
    }
    rest(out, report.warnings.len(), MOST_WARNINGS, "warnings");
}

fn rest(out: &mut String, all: usize, shown: usize, what: &str) {
    if all > shown {
        line_of(out, &format!("... and {} more {what} in the report.", all - shown));
    }
}

/// Text without control characters and without those that turn the direction of writing.
pub(super) fn clean(text: &str) -> String {
    let turns = |c: char| matches!(c, '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}' | '\u{200E}' | '\u{200F}');
    text.chars().map(|c| if c.is_control() || turns(c) { '?' } else { c }).collect()
}

/// Columns that a character takes: East Asian wide forms take two (Unicode Annex 11, the main blocks).
fn columns(text: &str) -> usize {
    let wide = |c: char| matches!(c, '\u{1100}'..='\u{115F}' | '\u{2E80}'..='\u{A4CF}' | '\u{AC00}'..='\u{D7A3}' | '\u{F900}'..='\u{FAFF}' | '\u{FF00}'..='\u{FF60}' | '\u{1F300}'..='\u{1FAFF}' | '\u{20000}'..='\u{3FFFD}');
    text.chars().map(|c| if wide(c) { 2 } else { 1 }).sum()
}

/// Cut or filled up to exactly so many columns.
fn fitted(text: &str, width: usize) -> String {
    let mut out = clean(text);
    if columns(&out) > width {
        while columns(&out) > width - 1 {
            out.pop();
        }
        out.push('…');
    }
    let fill = width - columns(&out);
    out + &" ".repeat(fill)
}

/// Lines of at most so many columns, broken at blanks, within words only where one is longer than a line.
fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    // A value stays with its uncertainty and its unit; the hard blanks become plain ones again in the end.
    let bound = clean(text).replace(" ± ", "\u{A0}±\u{A0}").replace(" %", "\u{A0}%").replace(" °C", "\u{A0}°C");
    for word in bound.split_ascii_whitespace() {
        let last = lines.last_mut().expect("there is one line at least");
        let gap = usize::from(!last.is_empty());
        if columns(last) + gap + columns(word) <= width {
            if gap == 1 {
                last.push(' ');
            }
            last.push_str(word);
            continue;
        }
        if !last.is_empty() {
            lines.push(String::new());
        }
        for c in word.chars() {
            let last = lines.last_mut().expect("there is one line at least");
            if columns(last) + columns(&c.to_string()) > width {
                lines.push(c.to_string());
            } else {
                last.push(c);
            }
        }
    }
    lines.iter().map(|l| l.replace('\u{A0}', " ")).collect()
}

#[cfg(test)]
mod tests {
    use std::path::PathBuf;

    use super::*;
    use crate::report::sample;

    fn text() -> String {
        let files =
            Written { html: "out/report.html".into(), json: "out/report.json".into(), csv: "out/frames.csv".into() };
        summary(&sample::report(), Some(&files))
    }

    #[test]
    fn the_summary_fits_one_screen() {
        let text = text();
        for line in text.lines() {
            assert!(columns(line) <= COLUMNS, "{} columns: {line}", columns(line));
        }
        assert!(text.lines().count() <= 40, "{text}");
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
        assert!(text.starts_with("Sampling  The pixels suit the stars"), "{text}");
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
        let text = summary(&report, Some(&Written { html: PathBuf::new(), json: PathBuf::new(), csv: PathBuf::new() }));
        assert!(text.contains("... and 24 more sessions") && text.contains("... and 26 more warnings"), "{text}");
        assert!(text.lines().count() <= 45, "{}", text.lines().count());
    }

    #[test]
    fn a_sensor_without_flats_says_why_its_values_are_missing() {
        let mut report = sample::report();
        let result = &mut report.sensors[0].result;
        result.gain_e_per_adu = Quantity::not_measurable("no flats");
        result.read_noise_e = Quantity::not_measurable("no flats");
        let words = sensor_words(&report.sensors[0]);
        assert!(words.contains("not measurable: gain, read noise (no flats)"), "{words}");
        assert!(words.contains("doubling step 7.68 ± 0.21 °C"), "{words}");
    }

    #[test]
    fn a_value_stays_on_one_line_with_its_uncertainty() {
        assert_eq!(wrapped("gain 1.0 ± 0.1 %", 12), ["gain", "1.0 ± 0.1 %"]);
    }

    #[test]
    fn a_word_longer_than_the_line_is_broken() {
        assert_eq!(wrapped("ab cdefgh 星星星", 4), ["ab", "cdef", "gh", "星星", "星"]);
    }
}
