//! Writes the report's files so that a crash leaves the old or the new one, never half of one.

use std::path::{Path, PathBuf};

use super::{csv, json};
use crate::report::error::ReportError;
use crate::report::model::Report;
use crate::report::page::render::html;
use crate::whole_file::{make_folder, ready_in, remove_left_behind};

/// Where the report lies.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReportFiles {
    /// The page to read.
    pub html: PathBuf,
    /// All values, for programs.
    pub json: PathBuf,
    /// One row per file found.
    pub csv: PathBuf,
}

/// Makes `out_dir` if need be and sees that a report can be written there, before hours of frames are measured; the topmost
/// folder that was not there before.
///
/// # Errors
///
/// The folder cannot be written to, or a folder stands where a file must go.
pub fn make_ready(out_dir: &Path) -> Result<Option<PathBuf>, ReportError> {
    let made = make_folder(out_dir).map_err(|source| ReportError::Folder { path: out_dir.to_owned(), source })?;
    remove_left_behind(out_dir);
    refuse_folders(&paths_in(out_dir))?;
    Ok(made)
}

fn paths_in(out_dir: &Path) -> [PathBuf; 3] {
    ["report.html", "report.json", "frames.csv"].map(|name| out_dir.join(name))
}

fn refuse_folders<'a>(paths: impl IntoIterator<Item = &'a PathBuf>) -> Result<(), ReportError> {
    let in_the_way = paths.into_iter().find(|path| path.is_dir());
    in_the_way.map_or(Ok(()), |path| Err(ReportError::InTheWay { path: path.clone() }))
}

/// Writes `report.html`, `report.json` and `frames.csv` into `out_dir`, which is made if need be.
///
/// All three are rendered and written to temporary files in `out_dir` first and renamed last. The caller makes sure
/// that `out_dir` does not lie among the user's frames.
///
/// # Errors
///
/// A folder or file cannot be made, or something stands in the way; files of an earlier run are then whole.
pub fn write(report: &Report, out_dir: &Path) -> Result<ReportFiles, ReportError> {
    let [html_path, json_path, csv_path] = paths_in(out_dir);
    let written = ReportFiles { html: html_path, json: json_path, csv: csv_path };
    let contents = [
        (&written.json, json::json(report)?),
        (&written.csv, csv::frames_csv(report)?),
        (&written.html, html(report)?),
    ];
    put(out_dir, &contents)?;
    Ok(written)
}

/// Writes all files or, where one cannot be written, leaves the earlier ones whole.
pub(crate) fn put(out_dir: &Path, contents: &[(&PathBuf, String)]) -> Result<(), ReportError> {
    std::fs::create_dir_all(out_dir).map_err(|source| ReportError::Folder { path: out_dir.to_owned(), source })?;
    refuse_folders(contents.iter().map(|(path, _)| *path))?;
    let ready = contents
        .iter()
        .map(|(path, text)| {
            match ready_in(out_dir, text.as_bytes()).and_then(|file| file.as_file().sync_all().map(|()| file)) {
                Ok(file) => Ok((*path, file)),
                Err(source) => Err(ReportError::File { path: (*path).clone(), source }),
            }
        })
        .collect::<Result<Vec<_>, _>>()?;
    for (path, file) in ready {
        file.persist(path).map_err(|e| ReportError::File { path: path.clone(), source: e.error })?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    fn names(dir: &Path) -> Vec<String> {
        let mut names: Vec<String> =
            std::fs::read_dir(dir).unwrap().map(|e| e.unwrap().file_name().to_string_lossy().into_owned()).collect();
        names.sort();
        names
    }

    #[test]
    fn the_folder_is_made_and_holds_the_three_files() {
        let dir = tempfile::tempdir().unwrap();
        let out = dir.path().join("a/b");
        let written = write(&sample::report(), &out).unwrap();
        assert_eq!(names(&out), ["frames.csv", "report.html", "report.json"]);
        assert!(written.html.is_file());
    }

    #[test]
    fn a_second_run_gives_the_same_bytes() {
        let dir = tempfile::tempdir().unwrap();
        let read = |w: &ReportFiles| [&w.html, &w.json, &w.csv].map(|p| std::fs::read(p).unwrap());
        let first = read(&write(&sample::report(), dir.path()).unwrap());
        let second = read(&write(&sample::report(), dir.path()).unwrap());
        assert!(first == second);
    }

    #[test]
    fn a_failure_leaves_the_old_files_whole_and_no_litter() {
        let dir = tempfile::tempdir().unwrap();
        // The JSON file is renamed before the table, so only a check ahead of all renames keeps it.
        std::fs::write(dir.path().join("report.json"), "old").unwrap();
        std::fs::create_dir(dir.path().join("frames.csv")).unwrap();
        let error = write(&sample::report(), dir.path()).unwrap_err();
        assert!(matches!(error, ReportError::InTheWay { .. }), "{error}");
        assert_eq!(std::fs::read_to_string(dir.path().join("report.json")).unwrap(), "old");
        assert_eq!(names(dir.path()), ["frames.csv", "report.json"]);
    }

    #[test]
    fn a_file_in_place_of_the_folder_is_named() {
        let dir = tempfile::tempdir().unwrap();
        let out = dir.path().join("out");
        std::fs::write(&out, "x").unwrap();
        let error = write(&sample::report(), &out).unwrap_err();
        assert!(error.to_string().contains("out"), "{error}");
    }
}
