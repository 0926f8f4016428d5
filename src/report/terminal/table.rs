//! The frames as a plain table for the terminal: one row a file, columns as wide as they need to be.

use crate::report::model::{FrameRow, Report};
use crate::report::words::numbers::{UNKNOWN, plain, quantity};

/// Column titles, units included.
const TITLES: [&str; 9] =
    ["file", "kind", "status", "exposure s", "sensor C", "FWHM px", "ellipticity", "stars", "reason"];

/// The table, lines ended by newlines. Control characters from file names are replaced.
pub fn frame_table(report: &Report) -> String {
    let rows: Vec<[String; 9]> = report.frames.iter().map(cells).collect();
    let width = |k: usize| rows.iter().map(|r| r[k].chars().count()).chain([TITLES[k].len()]).max().unwrap_or(0);
    let widths: [usize; 9] = std::array::from_fn(width);
    let mut out = String::new();
    for row in std::iter::once(TITLES.map(str::to_owned)).chain(rows) {
        let line: Vec<String> = row.iter().zip(widths).map(|(cell, w)| format!("{cell:<w$}")).collect();
        out.push_str(line.join("  ").trim_end());
        out.push('\n');
    }
    out
}

fn cells(row: &FrameRow) -> [String; 9] {
    let number = |v: Option<f64>| v.map_or_else(|| UNKNOWN.to_owned(), plain);
    let measured = |q: &Option<crate::facts::Quantity>| q.as_ref().map_or_else(|| UNKNOWN.to_owned(), quantity);
    [
        super::columns::clean(&row.path),
        row.kind.label().to_owned(),
        row.status.label().to_owned(),
        number(row.exposure_s),
        number(row.sensor_celsius),
        measured(&row.fwhm_px),
        measured(&row.ellipticity),
        row.star_count.map_or_else(|| UNKNOWN.to_owned(), |n| n.to_string()),
        super::columns::clean(&row.reason().unwrap_or_default()),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_file_is_one_line_under_its_titles() {
        let report = crate::report::sample::report();
        let table = frame_table(&report);
        assert_eq!(table.lines().count(), report.frames.len() + 1);
        assert!(table.starts_with("file"));
        assert!(!table.contains('\u{1b}'));
    }
}
