//! Whether other gear pays off: options of the user's own against what a report measured.
#![doc = include_str!("README.md")]

mod altogether;
mod compare;
mod doubts;
mod free_measures;
mod gain;
mod geometry;
mod hours_figure;
mod keys;
mod lacking;
mod options;
mod page;
mod pairing;
mod ratio;
mod read_options;
mod report_file;
mod side_by_side;
mod uncertain;
mod words;
mod worth;
mod write;

pub use altogether::Altogether;
pub use compare::{Assumption, Comparison, OptionResult, Upgrade, upgrade};
pub use doubts::Doubt;
pub use free_measures::{FreeMeasure, SessionMeasures};
pub use gain::{Gain, Hinge, PartFactor, Way};
pub use geometry::{Coverage, GoodStars, Illumination, NewCorners};
pub use keys::options_table;
pub use lacking::{Lacking, Number};
pub use options::{Kind, Options, OptionsError};
pub use ratio::{Detector, Part};
pub use report_file::{MeasuredReport, ReportFileError};
pub use side_by_side::Budget;
pub use uncertain::Uncertain;
pub use words::rows::{Row, RowName, altogether_rows, session_rows};
pub use words::screen::text;
pub use worth::{Interval, Worth};
pub use write::write_upgrade;
