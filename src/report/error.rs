//! Why no report could be written.

use std::path::PathBuf;

use thiserror::Error;

use super::plots::PlotError;
use crate::whole_file::remedy;

/// Why no report could be written.
#[derive(Debug, Error)]
pub enum ReportError {
    /// The folder cannot be made or written to.
    #[error("cannot write to the folder {}: {source}{}", path.display(), remedy(source))]
    Folder { path: PathBuf, source: std::io::Error },
    /// A folder stands where a file must go.
    #[error("cannot write {}: a folder of that name is in the way; move it or choose another --out", path.display())]
    InTheWay { path: PathBuf },
    /// A file could not be written; the earlier one, if any, is whole.
    #[error("cannot write {}: {source}; an earlier one is as it was{}", path.display(), remedy(source))]
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
