//! Writes the report's files so that a crash leaves the old or the new one, never half of one.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;
use thiserror::Error;

use super::model::Report;
use super::plots::PlotError;
use super::upgrade_page::upgrade_html;
use super::{csv, html, json};
use crate::verdict::upgrade::Upgrade;

/// Where the report lies.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Written {
    /// The page to read.
    pub html: PathBuf,
    /// All values, for programs.
    pub json: PathBuf,
    /// One row per file found.
    pub csv: PathBuf,
}

/// Why no report could be written.
#[derive(Debug, Error)]
pub enum ReportError {
    /// The folder could not be made.
    #[error("cannot make the folder {}: {source}", path.display())]
    Folder { path: PathBuf, source: std::io::Error },
    /// A folder stands where a file must go.
    #[error("cannot write {}: a folder of that name is in the way; move it or choose another --out", path.display())]
    InTheWay { path: PathBuf },
    /// A file could not be written; the earlier one, if any, is whole.
    #[error("cannot write {}: {source}", path.display())]
    File { path: PathBuf, source: std::io::Error },
    /// The values could not be turned into JSON.
    #[error("cannot write the values as JSON: {0}")]
    Json(#[from] serde_json::Error),
    /// The table could not be written.
    #[error("cannot write the table of frames: {0}")]
    Csv(#[from] ::csv::Error),
    /// The page could not be filled.
    #[error("cannot fill the page: {0}")]
    Page(#[from] minijinja::Error),
    /// A chart could not be drawn.
    #[error(transparent)]
    Plot(#[from] PlotError),
}

/// Writes `report.html`, `report.json` and `frames.csv` into `out_dir`, which is made if need be.
///
/// All three are rendered and written to temporary files in `out_dir` first and renamed last. The caller makes sure
/// that `out_dir` does not lie among the user's frames.
///
/// # Errors
///
/// A folder or file cannot be made, or something stands in the way; files of an earlier run are then whole.
pub fn write(report: &Report, out_dir: &Path) -> Result<Written, ReportError> {
    let written = Written {
        html: out_dir.join("report.html"),
        json: out_dir.join("report.json"),
        csv: out_dir.join("frames.csv"),
    };
    let contents = [
        (&written.json, json::json(report)?),
        (&written.csv, csv::frames_csv(report)?),
        (&written.html, html::html(report)?),
    ];
    put(out_dir, &contents)?;
    Ok(written)
}

/// Writes `upgrade.html` and `upgrade.json` into `out_dir`, which is made if need be, in the same way; where they lie.
///
/// # Errors
///
/// As [`write`].
pub fn write_upgrade(result: &Upgrade, out_dir: &Path) -> Result<[PathBuf; 2], ReportError> {
    let paths = ["upgrade.html", "upgrade.json"].map(|name| out_dir.join(name));
    let [page, values] = &paths;
    put(out_dir, &[(values, serde_json::to_string_pretty(result)? + "\n"), (page, upgrade_html(result)?)])?;
    Ok(paths)
}

/// Writes all files or, where one cannot be written, leaves the earlier ones whole.
fn put(out_dir: &Path, contents: &[(&PathBuf, String)]) -> Result<(), ReportError> {
    std::fs::create_dir_all(out_dir).map_err(|source| ReportError::Folder { path: out_dir.to_owned(), source })?;
    if let Some((path, _)) = contents.iter().find(|(path, _)| path.is_dir()) {
        return Err(ReportError::InTheWay { path: (*path).clone() });
    }
    let ready = contents
        .iter()
        .map(|(path, text)| match temporary(out_dir, text) {
            Ok(file) => Ok((*path, file)),
            Err(source) => Err(ReportError::File { path: (*path).clone(), source }),
        })
        .collect::<Result<Vec<_>, _>>()?;
    for (path, file) in ready {
        file.persist(path).map_err(|e| ReportError::File { path: path.clone(), source: e.error })?;
    }
    Ok(())
}

fn temporary(dir: &Path, text: &str) -> std::io::Result<NamedTempFile> {
    let mut file = temporary_in(dir)?;
    file.write_all(text.as_bytes())?;
    file.as_file().sync_all()?;
    Ok(file)
}

/// An empty file beside the one that it will be renamed to.
pub(super) fn temporary_in(dir: &Path) -> std::io::Result<NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".skygrain-").suffix(".part");
    // The user's umask decides who may read a report, as for any other file.
    #[cfg(unix)]
    let permissions = <std::fs::Permissions as std::os::unix::fs::PermissionsExt>::from_mode(0o666);
    #[cfg(unix)]
    builder.permissions(permissions);
    builder.tempfile_in(dir)
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
        let read = |w: &Written| [&w.html, &w.json, &w.csv].map(|p| std::fs::read(p).unwrap());
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
