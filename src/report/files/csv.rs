//! `frames.csv`: one row per file found. Unknown is blank.

use crate::facts::Quantity;
use crate::report::model::{FrameRow, Report};

/// Column names; units stand in them.
const COLUMNS: [&str; 36] = [
    "path",
    "kind",
    "kind_source",
    "status",
    "reason",
    "night",
    "session_id",
    "sensor_id",
    "start_utc",
    "exposure_s",
    "sensor_celsius",
    "filter",
    "camera",
    "width_px",
    "height_px",
    "level_adu",
    "sky_adu",
    "sky_sigma_adu",
    "star_count",
    "fitted_stars",
    "fwhm_px",
    "fwhm_sigma_px",
    "recorded_fwhm_px",
    "recorded_fwhm_sigma_px",
    "ellipticity",
    "ellipticity_sigma",
    "position_angle_deg",
    "moffat_beta",
    "star_flags",
    "minor_fwhm_px",
    "minor_fwhm_sigma_px",
    "saturated_count",
    "sky_e_per_px_s",
    "sky_sigma_e_per_px_s",
    "transparency",
    "transparency_sigma",
];

/// The table of frames as CSV (RFC 4180, commas, decimal points).
///
/// Text that a spreadsheet would take for a formula is set off: a path by `./`, anything else by an apostrophe.
///
/// # Errors
///
/// None is known when writing into memory; the writer's own error is handed on.
pub fn frames_csv(report: &Report) -> Result<String, csv::Error> {
    let mut table = csv::Writer::from_writer(Vec::new());
    table.write_record(COLUMNS)?;
    for frame in &report.frames {
        table.write_record(record(frame))?;
    }
    let bytes = table.into_inner().map_err(|e| csv::Error::from(e.into_error()))?;
    Ok(String::from_utf8(bytes).expect("every field was text"))
}

fn record(f: &FrameRow) -> [String; COLUMNS.len()] {
    let text = |t: &Option<String>| guarded(t.as_deref().unwrap_or(""), "'");
    let flags = f.star_flags.iter().map(|(flag, n)| format!("{flag}={n}")).collect::<Vec<_>>().join(" ");
    [
        guarded(&f.path, "./"),
        f.kind.label().to_owned(),
        guarded(&f.kind_source, "'"),
        f.status.label().to_owned(),
        text(&f.reason),
        text(&f.night),
        text(&f.session_id),
        text(&f.sensor_id),
        f.start_text().unwrap_or_default(),
        number(f.exposure_s),
        number(f.sensor_celsius),
        text(&f.filter),
        text(&f.camera),
        count(f.width),
        count(f.height),
        number(f.level_adu),
        number(f.sky_adu),
        number(f.sky_sigma_adu),
        count(f.star_count),
        count(f.fitted_stars),
        value(&f.fwhm_px),
        sigma(&f.fwhm_px),
        value(&f.recorded_fwhm_px),
        sigma(&f.recorded_fwhm_px),
        value(&f.ellipticity),
        sigma(&f.ellipticity),
        value(&f.position_angle_deg),
        value(&f.moffat_beta),
        guarded(&flags, "'"),
        value(&f.minor_fwhm_px),
        sigma(&f.minor_fwhm_px),
        count(f.saturated_count),
        value(&f.sky_e_per_px_s),
        sigma(&f.sky_e_per_px_s),
        value(&f.transparency),
        sigma(&f.transparency),
    ]
}

fn guarded(text: &str, guard: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) { format!("{guard}{text}") } else { text.to_owned() }
}

fn number(x: Option<f64>) -> String {
    x.filter(|v| v.is_finite()).map_or_else(String::new, |v| v.to_string())
}

fn count(n: Option<usize>) -> String {
    n.map_or_else(String::new, |n| n.to_string())
}

fn value(q: &Option<Quantity>) -> String {
    number(q.as_ref().and_then(|q| q.value))
}

fn sigma(q: &Option<Quantity>) -> String {
    number(q.as_ref().and_then(|q| q.sigma))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn every_file_found_has_one_row_that_parses() {
        let report = sample::report();
        let text = frames_csv(&report).unwrap();
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        assert_eq!(reader.headers().unwrap().len(), COLUMNS.len());
        let rows: Vec<_> = reader.records().collect::<Result<_, _>>().unwrap();
        assert_eq!(rows.len(), report.frames.len());
        for (row, frame) in rows.iter().zip(&report.frames) {
            assert_eq!((&row[0], &row[3]), (frame.path.as_str(), frame.status.label()));
        }
    }

    #[test]
    fn unknown_is_blank_and_never_zero() {
        let mut report = sample::report();
        report.frames[0].level_adu = Some(f64::NAN);
        report.frames[0].sky_adu = None;
        let text = frames_csv(&report).unwrap();
        let row = csv::Reader::from_reader(text.as_bytes()).records().next().unwrap().unwrap();
        assert_eq!((&row[15], &row[16]), ("", ""));
    }

    #[test]
    fn text_that_looks_like_a_formula_is_set_off() {
        let mut report = sample::report();
        report.frames[0].path = "=1+1.fits".to_owned();
        report.frames[0].filter = Some("@SUM(A1)".to_owned());
        report.frames[0].sensor_celsius = Some(-10.0);
        let text = frames_csv(&report).unwrap();
        let row = csv::Reader::from_reader(text.as_bytes()).records().next().unwrap().unwrap();
        assert_eq!((&row[0], &row[11], &row[10]), ("./=1+1.fits", "'@SUM(A1)", "-10"));
    }
}
