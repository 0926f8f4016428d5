//! Why a command produced nothing.

use std::path::PathBuf;

use crate::folder::RigError;
use crate::night::NightError;
use crate::report::{DefectFileError, ReportError, StarsFileError};

/// Why nothing could be produced.
#[derive(Debug, thiserror::Error)]
pub enum CliError {
    #[error(transparent)]
    Rig(#[from] RigError),
    #[error(transparent)]
    Night(#[from] NightError),
    #[error(transparent)]
    Report(#[from] ReportError),
    #[error(transparent)]
    Defects(#[from] DefectFileError),
    #[error(transparent)]
    Stars(#[from] StarsFileError),
    #[error(transparent)]
    Simulate(#[from] crate::simulate::SimulateError),
    #[error(transparent)]
    Options(#[from] crate::upgrade::OptionsError),
    #[error(transparent)]
    ReportFile(#[from] crate::upgrade::ReportFileError),
    #[error("the report would go to {out}, where frames lie; choose a folder outside with --out", out = out.display())]
    OutAmongFrames { out: PathBuf },
    #[error("cannot write to standard output: {0}")]
    Output(#[from] std::io::Error),
    #[error("no command is called {name:?}; there are {known}")]
    NoSuchCommand { name: String, known: String },
    #[error("cannot write the table: {0}")]
    Csv(#[from] csv::Error),
    #[error("cannot write a row: {0}")]
    Json(#[from] serde_json::Error),
}
