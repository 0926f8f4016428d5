//! `frames.csv`: one row per file found. Unknown is blank.
//!
//! The columns are the keys of `frames` in `report.json`; a quantity takes two, its value and its standard uncertainty.

use super::frame_columns::{COLUMNS, Cell, Column};
use crate::facts::{FrameKind, Quantity};
use crate::report::model::{FrameRow, FrameStatus, Report};

/// Parts the values of a list, one of which may be blank.
const LIST_SEPARATOR: &str = ";";

/// The table of frames as CSV (RFC 4180, commas, decimal points).
///
/// Text that a spreadsheet would take for a formula is set off: a path by `./`, anything else by an apostrophe.
///
/// # Errors
///
/// None is known when writing into memory; the writer's own error is handed on.
pub fn frames_csv(report: &Report) -> Result<String, csv::Error> {
    let mut table = csv::Writer::from_writer(Vec::new());
    table.write_record(titles())?;
    for frame in &report.frames {
        table.write_record(record(frame))?;
    }
    let bytes = table.into_inner().map_err(|e| csv::Error::from(e.into_error()))?;
    Ok(String::from_utf8(bytes).expect("every field was text"))
}

/// Column names; units stand in them.
fn titles() -> Vec<String> {
    // Whether a column holds quantities does not depend on the frame.
    let any = FrameRow::bare("", FrameKind::Unknown, FrameStatus::Used);
    let of = |(name, cell): Column| match cell(&any) {
        Cell::Quantity(_) | Cell::Quantities(_) => vec![name.to_owned(), format!("{name}_sigma")],
        _ => vec![name.to_owned()],
    };
    COLUMNS.into_iter().flat_map(of).collect()
}

fn record(frame: &FrameRow) -> Vec<String> {
    COLUMNS.into_iter().flat_map(|(_, cell)| fields(&cell(frame))).collect()
}

fn fields(cell: &Cell) -> Vec<String> {
    let list = |all: &[Quantity], of: fn(&Quantity) -> Option<f64>| {
        all.iter().map(|q| number(of(q))).collect::<Vec<_>>().join(LIST_SEPARATOR)
    };
    match cell {
        Cell::Path(path) => vec![guarded(path, "./")],
        Cell::Text(text) => vec![guarded(text.as_deref().unwrap_or(""), "'")],
        Cell::Number(x) => vec![number(*x)],
        Cell::Count(n) => vec![n.map_or_else(String::new, |n| n.to_string())],
        Cell::Quantity(q) => vec![number(q.and_then(|q| q.value)), number(q.and_then(|q| q.sigma))],
        Cell::Quantities(all) => vec![list(all, |q| q.value), list(all, |q| q.sigma)],
        Cell::Counts(counts) => {
            let counts: Vec<String> = counts.iter().map(|(what, n)| format!("{what}={n}")).collect();
            vec![guarded(&counts.join(" "), "'")]
        }
    }
}

fn guarded(text: &str, guard: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) { format!("{guard}{text}") } else { text.to_owned() }
}

fn number(x: Option<f64>) -> String {
    x.filter(|v| v.is_finite()).map_or_else(String::new, |v| v.to_string())
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;
    use crate::report::sample;

    /// The first row of a report by the names of its columns.
    fn first_row(report: &Report) -> BTreeMap<String, String> {
        let text = frames_csv(report).unwrap();
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let titles = reader.headers().unwrap().clone();
        let row = reader.records().next().unwrap().unwrap();
        titles.iter().zip(&row).map(|(title, field)| (title.to_owned(), field.to_owned())).collect()
    }

    #[test]
    fn every_file_found_has_one_row_that_parses() {
        let report = sample::report();
        let text = frames_csv(&report).unwrap();
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        assert_eq!(reader.headers().unwrap().len(), titles().len());
        let rows: Vec<_> = reader.records().collect::<Result<_, _>>().unwrap();
        assert_eq!(rows.len(), report.frames.len());
        for (row, frame) in rows.iter().zip(&report.frames) {
            assert_eq!((&row[0], &row[3]), (frame.path.as_str(), frame.status.label()));
        }
    }

    #[test]
    fn the_columns_are_the_keys_of_the_frames_in_the_json() {
        let mut report = sample::report();
        report.frames[0].plane_fwhm_px = vec![Quantity::measured(2.5, 0.1, "fit", 9), Quantity::not_measurable("none")];
        let row = first_row(&report);
        let json = serde_json::to_value(&report.frames[0]).unwrap();
        let keys: Vec<&String> = json.as_object().unwrap().keys().collect();
        let without_sigma = |title: &&String| !title.ends_with("_sigma");
        assert_eq!(row.keys().filter(without_sigma).collect::<Vec<_>>(), keys);
        for title in row.keys().filter(|t| !without_sigma(t)) {
            assert!(row.contains_key(title.trim_end_matches("_sigma")), "{title}");
        }
        let fwhm = report.frames[0].fwhm_px.as_ref().and_then(Quantity::pair).unwrap();
        assert_eq!(
            (row["fwhm_px"].as_str(), row["fwhm_px_sigma"].as_str()),
            (&*fwhm.0.to_string(), &*fwhm.1.to_string())
        );
        assert_eq!((row["plane_fwhm_px"].as_str(), row["plane_fwhm_px_sigma"].as_str()), ("2.5;", "0.1;"));
    }

    #[test]
    fn unknown_is_blank_and_never_zero() {
        let mut report = sample::report();
        report.frames[0].level_adu = Some(f64::NAN);
        report.frames[0].sky_adu = None;
        let row = first_row(&report);
        assert_eq!((row["level_adu"].as_str(), row["sky_adu"].as_str()), ("", ""));
    }

    #[test]
    fn text_that_looks_like_a_formula_is_set_off() {
        let mut report = sample::report();
        report.frames[0].path = "=1+1.fits".to_owned();
        report.frames[0].filter = Some("@SUM(A1)".to_owned());
        report.frames[0].sensor_celsius = Some(-10.0);
        let row = first_row(&report);
        let [path, filter, celsius] = ["path", "filter", "sensor_celsius"].map(|column| row[column].as_str());
        assert_eq!((path, filter, celsius), ("./=1+1.fits", "'@SUM(A1)", "-10"));
    }
}
