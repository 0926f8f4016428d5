//! The report: one model, rendered as JSON, CSV, a page to read, charts, and a summary for the terminal.
//!
//! Nothing is computed here but what a reader needs to see a value: rounding, wording, the geometry of a chart.

mod columns;
mod csv;
mod decision;
mod defect_file;
mod explained;
#[cfg(test)]
mod golden;
mod html;
mod json;
mod letter;
mod line;
mod measures;
mod model;
mod numbers;
mod origins;
mod over_field;
mod plots;
mod replies;
#[cfg(test)]
mod sample;
#[cfg(test)]
mod sample_sensor;
mod schema;
mod sensor_part;
mod session_part;
mod sheet;
mod star_rows;
mod stars_file;
mod table;
mod text;
mod upgrade_page;
mod write;

pub use csv::frames_csv;
pub use defect_file::{DefectFileError, check_defect_file, is_defect_file, write_defect_file};
pub use explained::{ExplainedFrame, Explanation, explained};
pub use html::html;
pub use json::json;
pub use line::frame_line;
pub use model::{
    FrameCounts, FrameRow, FrameStatus, Report, SCHEMA_VERSION, SensorEntry, SensorSettings, Session, SessionSettings,
    Severity, Temperature, Warning,
};
pub use numbers::{plain, typographic, with_sigma};
pub use plots::PlotError;
pub use schema::{SCHEMA, key_table};
pub use star_rows::StarRow;
pub use stars_file::{StarsFileError, is_stars_file, write_stars};
pub use table::frame_table;
pub use text::summary;
pub use write::{ReportError, Written, make_ready, write, write_upgrade};
