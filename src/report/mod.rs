//! The report: one model, rendered as JSON, CSV, a page to read, charts, and a summary for the terminal.
//!
//! Nothing is computed here but what a reader needs to see a value: rounding, wording, the geometry of a chart.
#![doc = include_str!("README.md")]

pub(crate) mod answers;
mod error;
pub(crate) mod files;
#[cfg(test)]
mod first_screens;
mod frame_row;
#[cfg(test)]
mod golden;
mod model;
pub(crate) mod page;
pub(crate) mod plots;
#[cfg(test)]
pub(crate) mod sample;
#[cfg(test)]
mod sample_sensor;
pub(crate) mod terminal;
mod warning;
pub(crate) mod words;

pub use answers::{AnswerEntry, ConfidenceEntry, OverSessions, Question, SessionVerdict, Verdicts};
pub use error::ReportError;
pub use files::csv::frames_csv;
pub use files::defect_file::{DefectFileError, check_defect_file, is_defect_file, write_defect_file};
pub use files::json::json;
pub use files::schema::{key_table, schema_text};
pub use files::star_rows::StarRow;
pub use files::stars_file::{StarsFileError, is_stars_file, write_stars};
pub use files::write::{ReportFiles, make_ready, write};
pub use model::{
    FrameCounts, FrameRow, FrameStatus, Parts, Report, SCHEMA_VERSION, SensorEntry, SensorSettings, Session,
    SessionSettings, Temperature, Warning,
};
pub use page::render::html;
pub use plots::PlotError;
pub use terminal::explained::{ExplainedFrame, Explanation, explained};
pub use terminal::line::frame_line;
pub use terminal::summary::summary;
pub use terminal::table::frame_table;
pub use words::numbers::{plain, typographic, with_sigma};
pub use words::{InWords, WithSentence, Worded, WordedField};
